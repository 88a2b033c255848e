//! A tank in somebody's home, made from other physics than the model's and than the first
//! generator's: three masses (display, sump, rock), sump in the same room or in a cellar,
//! evaporation by natural convection and the analogy of heat and mass (Chilton & Colburn 1934) or
//! by Rohwer's pan (1931), vapour by Buck 1981, rooms with heating and a night setback, sun,
//! windows and seasons; thermostats from hair-thin to a whole kelvin; a spare, a chiller or fans;
//! and people who change water, lift lids and probes and tell nobody.

/// xorshift64* (Vigna 2016); normal numbers as the sum of twelve even ones.
#[derive(Clone)]
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        let mut dice = Self((seed + 1).wrapping_mul(0xd134_2543_de82_ef95) | 1);
        for _ in 0..8 {
            dice.roll();
        }
        dice
    }

    /// Even between 0 and 1.
    pub(crate) fn roll(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn from(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.roll()
    }

    pub(crate) fn odds(&mut self, share: f64) -> bool {
        self.roll() < share
    }

    pub(crate) fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[((self.roll() * of.len() as f64) as usize).min(of.len() - 1)]
    }

    pub(crate) fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.roll()).sum::<f64>() - 6.0
    }
}

/// What cools it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Cools {
    Nothing,
    /// Watts out of the sump.
    Chiller(f64),
    /// The display evaporates this many times as much.
    Fan(f64),
}

#[derive(Clone, Debug)]
pub(crate) struct Home {
    pub(crate) litres: f64,
    pub(crate) sump: f64,
    pub(crate) rock: f64,
    flow: f64,
    glass: f64,
    pub(crate) surface: f64,
    rohwer: bool,
    damp: f64,
    pub(crate) heater: f64,
    pub(crate) spare: Option<f64>,
    spare_below: f64,
    pub(crate) cools: Cools,
    pub(crate) cools_above: f64,
    pumps: f64,
    lamp: f64,
    lamp_from: f64,
    lamp_for: f64,
    pub(crate) set: f64,
    /// From on to off, K.
    pub(crate) hysteresis: f64,
    cellar: bool,
    mean: f64,
    season: f64,
    swing: f64,
    setback: f64,
    sun: f64,
    windows: bool,
    thermostat_in_sump: bool,
    pub(crate) probe_step: f64,
    probe_noise: f64,
    probe_lag: f64,
    pub(crate) probe_off: f64,
    /// Minutes between readings.
    pub(crate) every: i64,
    /// Shown by its switch instead of its watts.
    pub(crate) by_state: bool,
    changes_every: i64,
    litres_changed: f64,
}

impl Home {
    pub(crate) fn any(dice: &mut Dice) -> Self {
        let litres = 40.0 * 37.5f64.powf(dice.roll());
        let face = (litres / 200.0).powf(0.667);
        let hot = dice.odds(0.3);
        let cools = match hot || dice.odds(0.2) {
            true if dice.odds(0.6) => Cools::Chiller(face * dice.from(120.0, 260.0)),
            true => Cools::Fan(dice.from(2.2, 4.0)),
            false => Cools::Nothing,
        };
        let set = dice.from(24.3, 26.2);
        let mean = if hot { dice.from(23.5, 27.0) } else { dice.from(18.0, 22.5) };
        let (glass, surface) = (face * dice.from(11.0, 24.0), face * dice.from(0.3, 0.6));
        let pumps = face * dice.from(8.0, 35.0);
        let (season, setback) =
            (dice.from(-2.5, 2.5), if hot { 0.0 } else { dice.pick(&[0.0, 0.0, 1.5, 3.0]) });
        let swing = dice.from(0.3, 2.0);
        let coldest = (mean - season.abs() - setback - swing - 2.5).min(19.0);
        let need = glass * (set - coldest) + surface * 110.0 - pumps;
        let heater = need.max(40.0) * dice.from(1.1, 2.0);
        Self {
            litres,
            sump: litres * dice.from(0.08, 0.35),
            rock: litres * dice.from(0.02, 0.18),
            flow: litres * dice.from(3.0, 9.0),
            glass,
            surface,
            rohwer: dice.odds(0.5),
            damp: dice.from(0.3, 0.65),
            heater,
            spare: dice.odds(0.45).then(|| heater * dice.from(0.6, 1.0)),
            spare_below: 0.0,
            cools,
            cools_above: 0.0,
            pumps,
            lamp: face * dice.from(5.0, 60.0),
            lamp_from: dice.from(7.0, 14.0),
            lamp_for: dice.from(7.0, 12.0),
            set,
            hysteresis: 0.1 * 11f64.powf(dice.roll()),
            cellar: dice.odds(0.2),
            mean,
            season,
            swing,
            setback,
            sun: dice.pick(&[0.0, 0.0, 0.0, 60.0]) * face,
            windows: dice.odds(0.4),
            thermostat_in_sump: dice.odds(0.7),
            probe_step: dice.pick(&[0.01, 0.0625, 0.0625, 0.1]),
            probe_noise: dice.from(0.0, 0.04),
            probe_lag: dice.from(1.0, 4.0),
            probe_off: dice.from(-0.4, 0.4),
            every: dice.pick(&[1, 1, 1, 1, 2, 5]),
            by_state: dice.odds(0.5),
            changes_every: dice.pick(&[5, 7, 7, 14]),
            litres_changed: litres * dice.from(0.08, 0.25),
        }
        .spaced(dice)
    }

    /// A home so warm that a chiller or fan has to hold the water.
    pub(crate) fn cooled(dice: &mut Dice) -> Self {
        loop {
            let home = Self::any(dice);
            if home.cools != Cools::Nothing {
                let mean = dice.from(25.0, 28.5);
                return Self { mean, season: dice.from(-1.5, 1.5), setback: 0.0, ..home };
            }
        }
    }

    fn spaced(mut self, dice: &mut Dice) -> Self {
        self.spare_below = self.hysteresis / 2.0 + dice.from(0.2, 0.7);
        self.cools_above = self.hysteresis + dice.from(0.5, 1.2);
        self
    }

    /// Where the tank's own thermostat holds it, as the probe reads.
    pub(crate) fn kept_at(&self) -> f64 {
        self.set + self.probe_off
    }

    /// The upper switching point of what cools, as the probe reads.
    pub(crate) fn cooled_from(&self) -> f64 {
        self.set + self.cools_above + self.probe_off
    }
}

/// What is broken or was turned.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Broken {
    /// Draws nothing.
    pub(crate) heater_dead: bool,
    /// Draws and gives nothing.
    pub(crate) heater_cold: bool,
    pub(crate) cooler_dead: bool,
    /// Runs and takes nothing.
    pub(crate) cooler_weak: bool,
    pub(crate) no_power: bool,
    /// The thermostat was turned, K.
    pub(crate) turned: f64,
    /// The probe reads so much more, K.
    pub(crate) probe: f64,
}

impl Default for Broken {
    fn default() -> Self {
        Self {
            heater_dead: false,
            heater_cold: false,
            cooler_dead: false,
            cooler_weak: false,
            no_power: false,
            turned: 0.0,
            probe: 0.0,
        }
    }
}

/// What is heard in one minute; nothing if the house's gateway is away.
#[derive(Clone, Default)]
pub(crate) struct Heard {
    pub(crate) water: Option<f64>,
    pub(crate) sump: Option<f64>,
    pub(crate) room: Option<f64>,
    /// Shares of full power.
    pub(crate) heater: Option<f64>,
    pub(crate) spare: Option<f64>,
    pub(crate) cooler: Option<f64>,
    pub(crate) lamp: Option<f64>,
    pub(crate) pumps: Option<bool>,
}

/// Somebody at work, who told nobody.
#[derive(Clone, Default)]
struct Work {
    until: i64,
    pumps_off_until: i64,
    /// Litres a minute, and how warm they are.
    pours: (f64, f64),
    lid: bool,
    lifted_until: i64,
}

#[derive(Clone)]
pub(crate) struct Life {
    pub(crate) home: Home,
    pub(crate) broken: Broken,
    dice: Dice,
    pub(crate) minute: i64,
    pub(crate) hour: f64,
    pub(crate) display: f64,
    sump: f64,
    rock: f64,
    pub(crate) room: f64,
    cellar: f64,
    fast: f64,
    slow: f64,
    cloud: f64,
    probe: f64,
    sump_probe: f64,
    pub(crate) heats: bool,
    pub(crate) spares: bool,
    pub(crate) cooling: bool,
    work: Work,
    window_until: i64,
    away_until: i64,
    next_change: i64,
    starts: f64,
    /// Nobody comes near any more: for playing a fault by itself.
    pub(crate) alone: bool,
    /// What people or the house did last, and when.
    pub(crate) last: (&'static str, i64),
}

/// Vapour over water by Buck 1981, hPa.
fn buck(celsius: f64) -> f64 {
    6.1121 * ((18.678 - celsius / 234.5) * (celsius / (257.14 + celsius))).exp()
}

/// Watts per m2 that an open surface loses to still air by evaporation.
fn evaporates(rohwer: bool, water: f64, air: f64, damp: f64) -> f64 {
    let (over, in_air) = (0.98 * buck(water), damp * buck(air));
    if rohwer {
        // 0.44 inch a day for each inch of mercury; 1 mm a day is 28.4 W/m2; salt takes 2 %.
        let inches = 0.44 * (over - in_air).max(0.0) / 33.8639;
        return inches * 25.4 * 28.4;
    }
    // Natural convection by the difference of virtual temperatures, Nu = 0.14 Ra^(1/3), Lewis
    // number 0.87.
    let virtual_t = |celsius: f64, vapour: f64| (celsius + 273.15) / (1.0 - 0.378 * vapour / 1013.0);
    let lift = (virtual_t(water, over) - virtual_t(air, in_air)).max(0.3);
    let rayleigh = 9.81 * lift / 298.0 / (1.58e-5 * 2.2e-5);
    let carries = 0.14 * 0.026 * rayleigh.cbrt();
    let mass = carries / (1.18 * 1006.0 * 0.87f64.powf(0.667));
    let density = |vapour: f64, celsius: f64| vapour * 100.0 / (461.5 * (celsius + 273.15));
    mass * (density(over, water) - density(in_air, air)).max(0.0) * 2.44e6
}

impl Life {
    pub(crate) fn new(home: Home, mut dice: Dice) -> Self {
        let starts = dice.from(0.0, 24.0);
        let t = home.set;
        Self {
            broken: Broken::default(),
            minute: 0,
            hour: starts,
            display: t,
            sump: t,
            rock: t,
            room: home.mean,
            cellar: home.mean - 3.0,
            fast: 0.0,
            slow: 0.0,
            cloud: 0.5,
            probe: t,
            sump_probe: t,
            heats: false,
            spares: false,
            cooling: false,
            work: Work::default(),
            window_until: 0,
            away_until: 0,
            next_change: 1_440 * dice.from(1.0, 7.0) as i64,
            starts,
            alone: false,
            last: ("nothing", 0),
            home,
            dice,
        }
    }

    /// Whether the lamp is on.
    pub(crate) fn lit(&self) -> bool {
        (self.hour - self.home.lamp_from).rem_euclid(24.0) < self.home.lamp_for
    }

    /// What the probe would say without noise and steps.
    pub(crate) fn truth(&self) -> f64 {
        self.display + self.home.probe_off + self.broken.probe
    }

    fn people(&mut self) {
        let (now, home, dice) = (self.minute, &self.home, &mut self.dice);
        if self.alone {
            return;
        }
        if now >= self.next_change {
            self.next_change += home.changes_every * 1_440 + dice.from(-300.0, 300.0) as i64;
            let lasts = dice.from(8.0, 35.0);
            self.last = ("water change", now);
            self.work = Work {
                until: now + lasts as i64,
                pumps_off_until: if dice.odds(0.5) { now + lasts as i64 } else { 0 },
                pours: (home.litres_changed / lasts, self.display + dice.from(-4.0, 1.5)),
                lid: true,
                lifted_until: if dice.odds(0.3) { now + lasts as i64 } else { 0 },
            };
        } else if dice.odds(1.0 / 1_440.0) {
            // Feeding, cleaning: the lid is off, and the return stands at times.
            let until = now + dice.from(5.0, 60.0) as i64;
            self.last = ("feeding", now);
            let pumps_off_until = if dice.odds(0.3) { now + dice.from(5.0, 25.0) as i64 } else { 0 };
            self.work = Work { until, pumps_off_until, lid: true, ..Work::default() };
        } else if dice.odds(1.0 / 20_160.0) {
            self.work.lifted_until = now + dice.from(2.0, 15.0) as i64;
            self.last = ("lifted", now);
        }
        if home.windows && (7.0..9.0).contains(&self.hour) && dice.odds(1.0 / 200.0) {
            self.window_until = now + dice.from(5.0, 25.0) as i64;
            self.last = ("window", now);
        }
        if dice.odds(1.0 / 14_400.0) {
            self.away_until = now + dice.from(4.0, 180.0) as i64;
            self.last = ("away", now);
        }
    }

    fn weather(&mut self) {
        let (home, dice) = (&self.home, &mut self.dice);
        self.fast += 0.25 * dice.bell() * (2.0f64 / 45.0).sqrt() - self.fast / 45.0;
        self.slow += 0.9 * dice.bell() * (2.0f64 / 5_000.0).sqrt() - self.slow / 5_000.0;
        self.cloud = (self.cloud + 0.06 * dice.bell()).clamp(0.0, 1.0);
        let season = home.season * (self.minute as f64 / 1_440.0 / 56.0 * std::f64::consts::PI).sin();
        let day = home.swing * ((self.hour - 16.0) / 24.0 * std::f64::consts::TAU).cos();
        let night = if (6.0..22.0).contains(&self.hour) { 0.0 } else { home.setback };
        let window = if self.minute < self.window_until { 8.0 } else { 0.0 };
        let target = home.mean + season + day - night + self.fast + self.slow - window;
        self.room += (target - self.room) / 60.0;
        self.cellar += (home.mean - 3.0 + season / 2.0 + 0.3 * self.slow - self.cellar) / 600.0;
    }

    pub(crate) fn run(&mut self) -> Heard {
        self.hour = (self.starts + self.minute as f64 / 60.0).rem_euclid(24.0);
        self.people();
        self.weather();
        let (home, broken) = (&self.home, &self.broken);
        let at_work = self.minute < self.work.until;
        let power = !broken.no_power;
        let pumping = power && self.minute >= self.work.pumps_off_until;
        let lit = power && self.lit();
        let place = if home.thermostat_in_sump { self.sump } else { self.display };
        let felt = place + 0.015 * self.dice.bell();
        let switch = |on: bool, set: f64, width: f64| {
            if felt < set - width / 2.0 {
                true
            } else if felt > set + width / 2.0 {
                false
            } else {
                on
            }
        };
        self.heats = switch(self.heats, home.set + broken.turned, home.hysteresis);
        self.spares = home.spare.is_some()
            && switch(self.spares, home.set - home.spare_below, home.hysteresis.min(0.5));
        let cool_at = home.set + home.cools_above - home.hysteresis.min(0.5) / 2.0;
        self.cooling = !switch(!self.cooling, cool_at, home.hysteresis.min(0.5));
        let drawn = power && self.heats && !broken.heater_dead;
        let heat = if drawn && !broken.heater_cold { home.heater } else { 0.0 };
        let spare = power && self.spares;
        let cools = power && self.cooling && home.cools != Cools::Nothing && !broken.cooler_dead;
        let (takes, fan) = match home.cools {
            Cools::Chiller(watts) if cools && !broken.cooler_weak => (watts, 1.0),
            Cools::Fan(times) if cools && !broken.cooler_weak => (0.0, times),
            Cools::Nothing | Cools::Chiller(_) | Cools::Fan(_) => (0.0, 1.0),
        };
        let air = evaporates(home.rohwer, self.display, self.room, home.damp);
        let lid = if at_work && self.work.lid { 1.5 } else { 1.0 };
        let sun = if (13.0..17.0).contains(&self.hour) { home.sun * self.cloud } else { 0.0 };
        let lamp = if lit { home.lamp } else { 0.0 };
        let below = if home.cellar { self.cellar } else { self.room };
        let (c_display, c_sump, c_rock) =
            (4_080.0 * home.litres, 4_080.0 * home.sump, 2_400.0 * home.rock + 1.0);
        let pumps = if pumping { home.pumps } else { 0.0 };
        let flow = if pumping { home.flow / 3_600.0 * 4_080.0 } else { 0.8 };
        let bathes = if pumping { 60.0 } else { 15.0 } * (home.rock / 10.0).max(0.2);
        let warms = heat + if spare { home.spare.unwrap_or(0.0) } else { 0.0 };
        for _ in 0..4 {
            let s = 15.0;
            let over = flow * (self.display - self.sump);
            let into_rock = bathes * (self.display - self.rock);
            let lost = 0.85 * home.glass * (self.display - self.room) + lid * fan * home.surface * air;
            self.display += s / c_display * (lamp + sun + 0.3 * pumps - lost - over - into_rock);
            let sump_lost = 0.15 * home.glass * (self.sump - below);
            self.sump += s / c_sump * (warms - takes + 0.7 * pumps - sump_lost + over);
            self.rock += s / c_rock * into_rock;
        }
        if at_work && self.work.pours.0 > 0.0 {
            self.display += (self.work.pours.1 - self.display) * self.work.pours.0 / home.litres;
        }
        self.minute += 1;
        self.sense(Shown { drawn, spare, cools, lit, pumping })
    }

    fn sense(&mut self, shown: Shown) -> Heard {
        let home = &self.home;
        let place = if self.minute < self.work.lifted_until { self.room } else { self.display };
        self.probe += (place - self.probe) / home.probe_lag;
        self.sump_probe += (self.sump - self.sump_probe) / 2.0;
        let dice = &mut self.dice;
        if self.minute < self.away_until || self.minute % home.every != 0 || dice.odds(0.01) {
            return Heard::default();
        }
        let read = |value: f64, dice: &mut Dice| {
            ((value + home.probe_noise * dice.bell()) / home.probe_step).round() * home.probe_step
        };
        let share = |on: bool, by_state: bool, dice: &mut Dice| match (on, by_state) {
            (true, true) => 1.0,
            (true, false) => 1.0 + 0.02 * dice.bell(),
            (false, _) => 0.0,
        };
        Heard {
            water: Some(read(self.probe + home.probe_off + self.broken.probe, dice)),
            sump: Some(read(self.sump_probe, dice)),
            room: Some(((self.room + 0.1 * dice.bell()) * 10.0).round() / 10.0),
            heater: Some(match home.by_state {
                // The thermostat's own lamp, or a relay: it says what is commanded.
                true => f64::from(u8::from(self.heats && !self.broken.no_power && !self.broken.heater_dead)),
                false => share(shown.drawn, false, dice),
            }),
            spare: home.spare.map(|_| share(shown.spare, home.by_state, dice)),
            cooler: (home.cools != Cools::Nothing).then(|| share(shown.cools, home.by_state, dice)),
            lamp: Some(f64::from(u8::from(shown.lit))),
            pumps: Some(shown.pumping),
        }
    }
}

struct Shown {
    drawn: bool,
    spare: bool,
    cools: bool,
    lit: bool,
    pumping: bool,
}
