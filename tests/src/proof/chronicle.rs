//! What happened in a round, as whoever made it happen knows: dangers, faults, lives of the watch,
//! answers, and what arrived. The oracle reads it and nothing else.

use super::arrivals::Arrival;
use super::danger::Danger;
use super::fault::Fault;
use super::lag::Lag;
use std::fmt::{self, Write as _};
use std::time::{Duration, Instant};

/// From when until when; no end yet while it lasts.
#[derive(Clone, Copy, Debug)]
pub struct Stretch {
    /// Its beginning.
    pub from: Instant,
    /// Its end.
    pub until: Option<Instant>,
}

impl Stretch {
    /// One that begins.
    pub fn begins(from: Instant) -> Self {
        Self { from, until: None }
    }

    /// Whether it goes on at `at`.
    pub fn holds(&self, at: Instant) -> bool {
        self.from <= at && self.until.is_none_or(|until| at < until)
    }

    /// Whether any of it lies at or after `since`.
    pub fn reaches(&self, since: Instant) -> bool {
        self.until.is_none_or(|until| until >= since)
    }
}

/// A round.
#[derive(Clone, Debug)]
pub struct Chronicle {
    /// When the house was well.
    pub begun: Instant,
    /// Each danger, while the boards show it.
    pub spells: Vec<(Danger, Stretch)>,
    /// Each fault, from its strike until it was mended.
    pub strikes: Vec<(Fault, Stretch)>,
    /// Each life of the watch: from its start until it was killed.
    pub lives: Vec<Stretch>,
    /// An answer was tried for this group of dangers; taken, or perhaps.
    pub answers: Vec<(usize, Instant, bool)>,
    /// What the air pump was told.
    pub commands: Vec<(Instant, String)>,
    /// Pages.
    pub arrivals: Vec<Arrival>,
    /// When the machine kept this program waiting.
    pub lag: Lag,
}

impl Chronicle {
    /// Begins with a house that is well.
    pub fn new(lag: Lag) -> Self {
        let now = Instant::now();
        Self {
            begun: now,
            spells: Vec::new(),
            strikes: Vec::new(),
            lives: vec![Stretch::begins(now)],
            answers: Vec::new(),
            commands: Vec::new(),
            arrivals: Vec::new(),
            lag,
        }
    }

    /// A danger begins.
    pub fn begins(&mut self, danger: Danger) {
        self.spells.push((danger, Stretch::begins(Instant::now())));
    }

    /// It is over.
    pub fn ends(&mut self, danger: Danger) {
        let now = Instant::now();
        let open = self.spells.iter_mut().filter(|(of, spell)| *of == danger && spell.until.is_none());
        open.for_each(|(_, spell)| spell.until = Some(now));
    }

    /// A fault strikes.
    pub fn strikes(&mut self, fault: Fault, at: Instant) {
        self.strikes.push((fault, Stretch::begins(at)));
    }

    /// It is mended.
    pub fn mended(&mut self, fault: Fault) {
        let now = Instant::now();
        let open = self.strikes.iter_mut().filter(|(of, strike)| *of == fault && strike.until.is_none());
        open.for_each(|(_, strike)| strike.until = Some(now));
    }

    /// The watch dies.
    pub fn dies(&mut self, at: Instant) {
        if let Some(life) = self.lives.last_mut() {
            life.until = life.until.or(Some(at));
        }
    }

    /// It is started again.
    pub fn lives_again(&mut self) {
        self.lives.push(Stretch::begins(Instant::now()));
    }

    /// How often the watch was killed.
    pub fn kills(&self) -> usize {
        self.lives.len().saturating_sub(1)
    }

    fn since(&self, at: Instant) -> f64 {
        at.saturating_duration_since(self.begun).as_secs_f64()
    }

    /// Moments of the round in seconds.
    pub fn shown(&self, stretch: &Stretch) -> String {
        match stretch.until {
            Some(until) => format!("{:.3} to {:.3}", self.since(stretch.from), self.since(until)),
            None => format!("from {:.3}", self.since(stretch.from)),
        }
    }

    /// How long the round has been.
    pub fn length(&self) -> Duration {
        self.begun.elapsed()
    }
}

impl fmt::Display for Chronicle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut lines = Vec::new();
        for (danger, spell) in &self.spells {
            lines.push((spell.from, format!("{danger:?}, {}", self.shown(spell))));
        }
        for (fault, strike) in &self.strikes {
            lines.push((strike.from, format!("fault: {}, {}", fault.name(), self.shown(strike))));
        }
        for life in &self.lives {
            lines.push((life.from, format!("the watch lives, {}", self.shown(life))));
        }
        for (group, at, taken) in &self.answers {
            let taken = if *taken { "taken" } else { "perhaps" };
            lines.push((*at, format!("{:.3} answered, group {group}: {taken}", self.since(*at))));
        }
        for (at, command) in &self.commands {
            lines.push((*at, format!("{:.3} air pump told: {command}", self.since(*at))));
        }
        for page in &self.arrivals {
            let mark = if page.repeat { " (marked repeat)" } else { "" };
            let text =
                format!("{:.3} to {}: {} [{}]{mark}", self.since(page.at), page.to, page.headline, page.name);
            lines.push((page.at, text));
        }
        lines.sort_by_key(|(at, _)| *at);
        let mut text = String::new();
        for (_, line) in lines {
            writeln!(text, "  {line}")?;
        }
        f.write_str(&text)
    }
}
