//! How a well mixed tank drifts towards where it settles: closed forms of
//! `dT/dt = (settles - T) / tau`, with a still or a drifting room, and the time until a
//! threshold. Infinity is never. All equal an adaptive ODE solver within 0.01 s.

/// The drift of a tank whose inputs stay as they are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Time constant: heat capacity over heat loss, h.
    pub tau_h: f64,
    /// Where it settles: the room, plus the heat put in over the heat loss, degC.
    pub settles: f64,
}

impl Drift {
    /// From a heat capacity (J/K), a heat loss (W/K), a room (degC) and watts that reach the
    /// water less those that evaporation takes.
    pub fn of(capacity: f64, loss: f64, room: f64, watts: f64) -> Self {
        Self { tau_h: capacity / loss / 3_600.0, settles: room + watts / loss }
    }

    /// The temperature `hours` after it was `from`.
    pub fn after(self, from: f64, hours: f64) -> f64 {
        self.settles + (from - self.settles) * (-hours / self.tau_h).exp()
    }

    /// The rate of change at `temperature`, K/h.
    pub fn rate(self, temperature: f64) -> f64 {
        (self.settles - temperature) / self.tau_h
    }

    /// Hours from `from` to `threshold`; infinite if it settles before. The threshold lies on the
    /// way or is never met: whoever asks about a limit already passed has the answer 0 himself.
    pub fn time_to(self, from: f64, threshold: f64) -> f64 {
        let ratio = (from - self.settles) / (threshold - self.settles);
        if from == threshold {
            0.0
        } else if ratio.is_finite() && ratio > 1.0 && self.tau_h > 0.0 {
            self.tau_h * ratio.ln()
        } else {
            f64::INFINITY
        }
    }
}

/// A room that drifts itself: `end + (start - end) exp(-t / tau)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DriftingRoom {
    /// The room now, degC.
    pub start: f64,
    /// Where the room settles, degC.
    pub end: f64,
    /// The room's time constant, h.
    pub tau_h: f64,
}

impl DriftingRoom {
    /// The temperature `hours` from now of a tank at `from` with time constant `tau_h`, whose other
    /// heat holds it `lift` kelvin above the room.
    pub fn tank_after(self, from: f64, tau_h: f64, lift: f64, hours: f64) -> f64 {
        let settles = self.end + lift;
        let gap = self.start - self.end;
        let (slow, own) = ((-hours / self.tau_h).exp(), (-hours / tau_h).exp());
        if (self.tau_h - tau_h).abs() < 1e-9 * tau_h {
            // Both constants equal: the limit of the two exponentials.
            return settles + (from - settles + gap * hours / tau_h) * own;
        }
        let forced = gap * self.tau_h / (self.tau_h - tau_h);
        settles + forced * slow + (from - settles - forced) * own
    }

    /// Hours until that tank first meets `threshold`, infinite if not within `horizon_h`. The curve
    /// turns at most once, so a search on either side of the turn misses nothing.
    pub fn time_to(self, from: f64, tau_h: f64, lift: f64, threshold: f64, horizon_h: f64) -> f64 {
        let above = |hours: f64| self.tank_after(from, tau_h, lift, hours) - threshold;
        let turn = self.turn(from, tau_h, lift).filter(|turn| *turn < horizon_h).unwrap_or(horizon_h);
        [(0.0, turn), (turn, horizon_h)]
            .into_iter()
            .find_map(|(start, end)| crossing(above, start, end))
            .unwrap_or(f64::INFINITY)
    }

    /// When the tank's curve turns, if it does.
    fn turn(self, from: f64, tau_h: f64, lift: f64) -> Option<f64> {
        let gap = self.start - self.end;
        let forced = gap * self.tau_h / (self.tau_h - tau_h);
        let free = from - self.end - lift - forced;
        // forced/tr exp(-t/tr) + free/tau exp(-t/tau) = 0
        let ratio = -(free / tau_h) / (forced / self.tau_h);
        let at = ratio.ln() / (1.0 / tau_h - 1.0 / self.tau_h);
        (at.is_finite() && at > 0.0).then_some(at)
    }
}

/// Where `f`, monotone between `start` and `end`, is zero, by halving; `None` if it is not.
pub(super) fn crossing(f: impl Fn(f64) -> f64, start: f64, end: f64) -> Option<f64> {
    let (mut low, mut high) = (start, end);
    let sign = f(low) > 0.0;
    if f(low) == 0.0 {
        return Some(low);
    }
    if low >= high || (f(high) > 0.0) == sign && f(high) != 0.0 {
        return None;
    }
    for _ in 0..80 {
        let middle = (low + high) / 2.0;
        if (f(middle) > 0.0) == sign && f(middle) != 0.0 { low = middle } else { high = middle }
    }
    Some((low + high) / 2.0)
}
