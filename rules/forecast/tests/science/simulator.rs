//! A tank that no model of ours made: display and sump with a pump between them, the heater in
//! the sump on a thermostat with hysteresis, evaporation from both by a published law, lamps by
//! the clock, a room with days, nights and weather, and a probe that is noisy, quantised, offset
//! and silent at times. Its own random numbers, from a seed.

/// SplitMix64 (Steele, Lea & Flood 2014), and normal numbers by Box & Muller 1958.
#[derive(Clone)]
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Even between `low` and `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn chance(&mut self, share: f64) -> bool {
        self.between(0.0, 1.0) < share
    }

    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.between(1e-300, 1.0).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.between(0.0, 1.0)).cos()
    }

    pub(crate) fn one_of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[(self.next() % choices.len() as u64) as usize]
    }
}

/// How a heater's state reaches the watch.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Sight {
    /// The state that the thermostat commands: a dead heater is still "on".
    Relay,
    /// The power that it draws: a dead heater is never "on".
    Power,
}

/// What a tank is made of. W, J/K, m², degC, h.
#[derive(Clone, Debug)]
pub(crate) struct Tank {
    pub(crate) litres: f64,
    pub(crate) sump_litres: f64,
    pub(crate) flow_l_h: f64,
    pub(crate) walls: f64,
    pub(crate) surface: f64,
    pub(crate) humidity: f64,
    pub(crate) heater_w: f64,
    pub(crate) pumps_w: f64,
    pub(crate) lamp_w: f64,
    pub(crate) set: f64,
    pub(crate) half_band: f64,
    pub(crate) room_mean: f64,
    pub(crate) room_swing: f64,
    pub(crate) noise: f64,
    pub(crate) step: f64,
    pub(crate) offset: f64,
    pub(crate) gaps_per_day: f64,
    pub(crate) sight: Sight,
    pub(crate) cooler: Cooler,
}

/// What cools a tank in summer, on a thermostat of its own above the heater's.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Cooler {
    None,
    /// Takes so many watts out of the sump.
    Chiller(f64),
    /// Makes the display evaporate so many times as much.
    Fan(f64),
}

impl Tank {
    /// A tank as they stand in homes.
    pub(crate) fn any(random: &mut Random) -> Self {
        let litres = 60.0 * 12f64.powf(random.between(0.0, 1.0));
        let size = (litres / 250.0).powf(2.0 / 3.0);
        let walls = 19.0 * size * random.between(0.7, 1.5);
        let surface = 0.6 * size * random.between(0.6, 1.2);
        let (set, room_mean) = (random.between(24.5, 26.5), random.between(18.5, 22.0));
        let pumps_w = 25.0 * size * random.between(0.5, 1.5);
        let need = walls * (set - room_mean + 3.0) + surface * 100.0 - pumps_w;
        Self {
            litres,
            sump_litres: litres * random.between(0.1, 0.3),
            flow_l_h: litres * random.between(4.0, 10.0),
            walls,
            surface,
            humidity: random.between(0.35, 0.6),
            heater_w: need * random.between(1.2, 2.2),
            pumps_w,
            lamp_w: 30.0 * size * random.between(0.3, 1.5),
            set,
            half_band: random.between(0.08, 0.25),
            room_mean,
            room_swing: random.between(0.7, 2.0),
            noise: random.between(0.0, 0.04),
            step: random.one_of(&[0.0625, 0.0625, 0.1, 0.01]),
            offset: random.between(-0.4, 0.4),
            gaps_per_day: random.between(0.0, 1.0),
            sight: random.one_of(&[Sight::Relay, Sight::Power]),
            cooler: Cooler::None,
        }
    }
}

/// What is broken.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Faults {
    /// Share of its power that the heater still gives.
    pub(crate) heater: f64,
    /// It heats whatever the thermostat says (and the relay reports "off").
    pub(crate) stuck_on: bool,
    /// Heat loss and evaporation times this: a lid gone, a fan.
    pub(crate) loss: f64,
    /// The room is this much colder: a window.
    pub(crate) room: f64,
    /// The probe walks off, K/h.
    pub(crate) probe_drift: f64,
    /// The probe hangs in the air.
    pub(crate) probe_out: bool,
    /// The probe follows within so many minutes.
    pub(crate) probe_lag: f64,
    /// The cooler is dead.
    pub(crate) no_cooler: bool,
    /// Pump stopped.
    pub(crate) pump: bool,
    /// No power at all.
    pub(crate) power: bool,
}

impl Default for Faults {
    fn default() -> Self {
        Self {
            heater: 1.0,
            stuck_on: false,
            loss: 1.0,
            room: 0.0,
            probe_drift: 0.0,
            probe_out: false,
            probe_lag: 2.0,
            no_cooler: false,
            pump: false,
            power: false,
        }
    }
}

/// What reached the watch in one minute.
pub(crate) struct Minute {
    pub(crate) water: Option<f64>,
    pub(crate) room: f64,
    pub(crate) heater: f64,
    pub(crate) lamp: f64,
    pub(crate) cooler: f64,
}

const STEP_S: f64 = 20.0;

#[derive(Clone)]
pub(crate) struct Simulator {
    pub(crate) tank: Tank,
    pub(crate) faults: Faults,
    random: Random,
    /// Minutes gone.
    pub(crate) minute: i64,
    pub(crate) starts_at_h: f64,
    pub(crate) display: f64,
    pub(crate) sump: f64,
    on: bool,
    cooling: bool,
    wander: f64,
    weather: f64,
    pub(crate) room: f64,
    probe: f64,
    drifted: f64,
    silent_until: i64,
}

/// Tetens' form (Monteith & Unsworth), kPa; the crate uses another.
fn vapour(celsius: f64) -> f64 {
    0.61078 * (17.27 * celsius / (celsius + 237.3)).exp()
}

impl Simulator {
    pub(crate) fn new(tank: Tank, mut random: Random) -> Self {
        let starts_at_h = random.between(0.0, 24.0);
        let (set, room) = (tank.set, tank.room_mean);
        Self {
            tank,
            faults: Faults::default(),
            random,
            minute: 0,
            starts_at_h,
            display: set,
            sump: set,
            on: false,
            cooling: false,
            wander: 0.0,
            weather: 0.0,
            room,
            probe: set,
            drifted: 0.0,
            silent_until: 0,
        }
    }

    /// What the probe would say without noise and steps.
    pub(crate) fn truth(&self) -> f64 {
        self.display + self.tank.offset
    }

    pub(crate) fn run(&mut self) -> Minute {
        let tank = self.tank.clone();
        let random = &mut self.random;
        let hour = (self.starts_at_h + self.minute as f64 / 60.0).rem_euclid(24.0);
        // Two scales of weather: hours and days.
        self.wander += (0.2 * random.normal() * (2.0f64 / 60.0).sqrt()) - self.wander / 60.0;
        self.weather += (0.8 * random.normal() * (2.0f64 / 4_320.0).sqrt()) - self.weather / 4_320.0;
        let day = tank.room_swing * ((hour - 15.0) / 24.0 * std::f64::consts::TAU).cos();
        let target = tank.room_mean + day + self.wander + self.weather - self.faults.room;
        // A window takes half an hour to chill a room.
        self.room += (target - self.room) / 20.0;

        let lamp_on = !self.faults.power && (10.0..20.0).contains(&hour);
        let seen = self.sump + 0.02 * random.normal();
        if seen < tank.set - tank.half_band {
            self.on = true;
        } else if seen > tank.set + tank.half_band {
            self.on = false;
        }
        if seen > tank.set + 0.9 {
            self.cooling = true;
        } else if seen < tank.set + 0.5 {
            self.cooling = false;
        }
        let cools =
            tank.cooler != Cooler::None && self.cooling && !self.faults.power && !self.faults.no_cooler;
        let (chiller_w, fan) = match tank.cooler {
            Cooler::Chiller(watts) if cools => (watts, 1.0),
            Cooler::Fan(times) if cools => (0.0, times),
            Cooler::None | Cooler::Chiller(_) | Cooler::Fan(_) => (0.0, 1.0),
        };
        let heats = !self.faults.power && (self.on || self.faults.stuck_on);
        let heat = if heats { tank.heater_w * self.faults.heater } else { 0.0 };
        let pumping = !(self.faults.pump || self.faults.power);
        let pumps_w = if pumping { tank.pumps_w } else { 0.0 };
        let lamp_w = if lamp_on { tank.lamp_w } else { 0.0 };
        let (display_c, sump_c) = (4_090.0 * tank.litres, 4_090.0 * tank.sump_litres);
        let exchange = if pumping { tank.flow_l_h * 4_090.0 / 3_600.0 } else { 0.5 };
        // Smith, Löf & Jones 1998: 74 % of 95 Btu/(h ft2 inHg), in W/(m2 kPa); 2 % less for salt.
        let law = 65.5 * self.faults.loss * fan;
        let air = tank.humidity * vapour(self.room);
        let lost = |water: f64, share: f64| {
            share
                * (tank.walls * self.faults.loss * (water - self.room)
                    + tank.surface * law * (0.981 * vapour(water) - air))
        };
        let (lost_display, lost_sump) = (lost(self.display, 0.8), lost(self.sump, 0.2));
        for _ in 0..(60.0 / STEP_S) as u32 {
            let between = exchange * (self.display - self.sump);
            self.display += STEP_S / display_c * (lamp_w + 0.5 * pumps_w - lost_display - between);
            self.sump += STEP_S / sump_c * (heat - chiller_w + 0.5 * pumps_w - lost_sump + between);
        }
        self.minute += 1;
        self.drifted += self.faults.probe_drift / 60.0;
        self.sense(heats, lamp_on, cools)
    }

    fn sense(&mut self, heats: bool, lamp_on: bool, cools: bool) -> Minute {
        let place = if self.faults.probe_out { self.room } else { self.display };
        // A probe in a plastic tube follows within minutes.
        self.probe += (place - self.probe) / self.faults.probe_lag;
        let random = &mut self.random;
        if random.chance(self.tank.gaps_per_day / 1_440.0) {
            self.silent_until = self.minute + random.between(5.0, 120.0) as i64;
        }
        let lost = self.minute < self.silent_until || random.chance(0.02);
        let noisy = self.probe + self.tank.offset + self.drifted + self.tank.noise * random.normal();
        let water = (noisy / self.tank.step).round() * self.tank.step;
        let reported = match self.tank.sight {
            Sight::Relay => self.on && !self.faults.power,
            Sight::Power => heats && self.faults.heater > 0.0,
        };
        Minute {
            water: (!lost).then_some(water),
            room: ((self.room + 0.1 * random.normal()) * 10.0).round() / 10.0,
            heater: f64::from(u8::from(reported))
                * if self.tank.sight == Sight::Power { self.faults.heater } else { 1.0 },
            lamp: f64::from(u8::from(lamp_on)),
            cooler: f64::from(u8::from(cools)),
        }
    }
}
