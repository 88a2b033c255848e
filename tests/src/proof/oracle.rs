//! What a round should have brought, by somebody with the manual's page on call-outs in one hand
//! and the chronicle in the other: who is owed a page or an all-clear, and by when; and what of all
//! that arrived nobody called for. It shares no code with the engine and looks into no journal.
//! Every time in it is a bound that a busy machine can't break: it counts from the last disturbance
//! and is moved by what the machine kept us waiting.

mod uncalled;

use super::arrivals::Arrival;
use super::chronicle::{Chronicle, Stretch};
use super::danger::{DANGERS, Danger, LADDER, SETTLE};
use super::fault::Fault;
use super::place::BOUND;
use std::time::{Duration, Instant};

/// "The watch starts: a step that is due waits until everything was heard once, 60 s at most."
const LISTENS: Duration = Duration::from_secs(60);

/// What somebody, or a relay, is owed.
#[derive(Clone, Debug)]
pub struct Owed {
    /// What should come.
    pub what: String,
    /// To whom.
    pub to: &'static str,
    /// By when; none while what it needs is not there.
    pub by: Option<Instant>,
}

/// What a page's first line makes of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Call,
    AllClear,
    Taken,
}

fn kind(page: &Arrival) -> Kind {
    match () {
        () if page.is_all_clear() => Kind::AllClear,
        () if page.headline.contains(" has answered at ") => Kind::Taken,
        () => Kind::Call,
    }
}

/// What it is about comes first; a text goes on with what else is wrong.
fn leads(page: &Arrival) -> Option<Danger> {
    let place = |danger: Danger| page.headline.find(danger.words()).map(|at| (at, danger));
    DANGERS.into_iter().filter_map(place).min().map(|(_, danger)| danger)
}

/// The oracle of one round.
pub struct Oracle<'a> {
    told: &'a Chronicle,
    /// The ways that this house has.
    ways: Vec<(Duration, &'static str)>,
}

impl<'a> Oracle<'a> {
    /// For what has been told so far; `with_text`: the neighbour has a way by text.
    pub fn of(told: &'a Chronicle, with_text: bool) -> Self {
        let ways = LADDER.iter().filter(|(_, way)| with_text || !way.ends_with(".text"));
        Self { told, ways: ways.map(|(after, way)| (Duration::from_secs(*after), *way)).collect() }
    }

    /// All that is owed and has not come.
    pub fn owed(&self) -> Vec<Owed> {
        let mut owed = Vec::new();
        for (danger, spell) in self.told.spells.iter().filter(|(_, spell)| spell.until.is_none()) {
            owed.extend(self.owed_calls(*danger, spell));
        }
        for group in 0..2 {
            owed.extend(self.owed_ends(group));
        }
        owed.extend(self.owed_air());
        owed
    }

    fn owed_calls(&self, danger: Danger, spell: &Stretch) -> Vec<Owed> {
        let began = self.group_began(danger.group());
        if self.told.answers.iter().any(|(group, at, _)| *group == danger.group() && Some(*at) >= began) {
            return Vec::new();
        }
        // A consequence that comes, or stays, beside its cause is listed with it.
        if danger == Danger::StillWater && self.overlaps(Danger::PowerLost, spell) {
            return Vec::new();
        }
        let ways = self.ways.iter().filter(|(_, way)| !self.is_spent(way, spell.from));
        let missing = ways.filter(|(_, way)| {
            let mut came = self.told.arrivals.iter().filter(|page| page.to == *way && page.at >= spell.from);
            !came.any(|page| kind(page) == Kind::Call && leads(page) == Some(danger))
        });
        missing
            .map(|(after, way)| Owed {
                what: format!("a page about \"{}\"", danger.words()),
                to: way,
                by: self.bound(way, spell.from, *after),
            })
            .collect()
    }

    /// Everybody who was told hears of the end.
    fn owed_ends(&self, group: usize) -> Vec<Owed> {
        let Some(over) = self.group_over(group) else { return Vec::new() };
        let Some(began) = self.group_began(group) else { return Vec::new() };
        let about = |page: &&Arrival| leads(page).is_some_and(|danger| danger.group() == group);
        let mut owed = Vec::new();
        for (_, way) in self.ways.iter().filter(|(_, way)| !self.is_spent(way, began)) {
            let pages = || self.told.arrivals.iter().filter(|page| page.to == *way && page.at >= began);
            if !pages().filter(about).any(|page| kind(page) == Kind::Call) {
                continue;
            }
            // Who was told is forgotten, or what was raised before is raised again, which settles
            // for an hour.
            let forgot = self.forgot(began);
            let cleared = pages().any(|page| {
                let clears = about(&page) && kind(page) == Kind::AllClear;
                (clears || page.came_and_went().is_some()) && page.at >= over
            });
            if !cleared && !forgot {
                let what = format!("word that it is over, after \"{}\"", self.names(group));
                owed.push(Owed { what, to: way, by: self.bound(way, over, SETTLE) });
            }
        }
        owed
    }

    /// The air pump runs while the power is lost, and not when all is well.
    fn owed_air(&self) -> Vec<Owed> {
        let on = self.told.commands.last().is_some_and(|(_, command)| command == "on");
        let mut spells = self.told.spells.iter().filter(|(danger, _)| *danger == Danger::PowerLost);
        match spells.next_back() {
            Some((_, spell)) if spell.until.is_none() && !on => vec![Owed {
                what: "the command to run".to_owned(),
                to: "the air pump",
                by: self.bound("", spell.from, Duration::ZERO),
            }],
            // A watch that has forgotten that it switched something leaves it as it is.
            Some((_, spell)) if on && spell.until.is_some() && !self.forgot(spell.from) => vec![Owed {
                what: "the command to stop".to_owned(),
                to: "the air pump",
                by: self.bound("", spell.until.unwrap_or(spell.from), SETTLE),
            }],
            _ => Vec::new(),
        }
    }

    /// By when something that is due so long after a moment must have come by this way, if all that
    /// it needs is there: the promise of 90 s, counted from the last disturbance.
    fn bound(&self, way: &str, since: Instant, after: Duration) -> Option<Instant> {
        let life = self.told.lives.last().filter(|life| life.until.is_none())?;
        let mut clear = since + after;
        let mut more = BOUND;
        if life.from > since {
            clear = clear.max(life.from + after);
            more += LISTENS;
        }
        for (fault, strike) in self.told.strikes.iter().filter(|(_, strike)| strike.reaches(since)) {
            if !fault.blinds() && !fault.shuts(way) && !fault.forgets() && !disturbs(*fault) {
                continue;
            }
            match strike.until {
                Some(until) => {
                    clear = clear.max(until + after);
                    // A page that could not leave is tried again at growing distances.
                    more += if fault.shuts(way) { (until - strike.from) * 2 } else { Duration::ZERO };
                }
                None if fault.blinds() || fault.shuts(way) => return None,
                None => clear = clear.max(strike.from + after),
            }
        }
        Some(clear + more + self.told.lag.since(since))
    }

    /// Whether what was recorded since then may be lost.
    fn forgot(&self, since: Instant) -> bool {
        self.told.strikes.iter().any(|(fault, strike)| fault.forgets() && strike.reaches(since))
    }

    /// What need not come by a way again: a password that was refused is not used until there is
    /// something new to say, and a page that a server broke off is sent once more, and not again.
    fn is_spent(&self, way: &str, since: Instant) -> bool {
        self.told.strikes.iter().any(|(fault, strike)| {
            (fault.wants_new_settings() || fault.leaves_doubt()) && fault.shuts(way) && strike.reaches(since)
        })
    }

    fn overlaps(&self, danger: Danger, spell: &Stretch) -> bool {
        let mut others = self.told.spells.iter().filter(|(of, _)| *of == danger);
        others.any(|(_, other)| {
            other.reaches(spell.from) && spell.until.is_none_or(|until| other.from <= until)
        })
    }

    /// When all of a group was over at last; none while any of it stands.
    fn group_over(&self, group: usize) -> Option<Instant> {
        let spells = self.told.spells.iter().filter(|(danger, _)| danger.group() == group);
        spells.map(|(_, spell)| spell.until).try_fold(None, |latest, until| Some(latest.max(Some(until?))))?
    }

    /// When the present or the last trouble of a group began, with all that it overlaps.
    fn group_began(&self, group: usize) -> Option<Instant> {
        let mut spells: Vec<&Stretch> = self
            .told
            .spells
            .iter()
            .filter(|(danger, _)| danger.group() == group)
            .map(|(_, spell)| spell)
            .collect();
        spells.sort_by_key(|spell| spell.from);
        let mut began = spells.pop()?.from;
        while let Some(before) = spells.pop().filter(|before| before.reaches(began)) {
            began = before.from;
        }
        Some(began)
    }

    fn names(&self, group: usize) -> String {
        let of = DANGERS.into_iter().filter(|danger| danger.group() == group);
        let happened = of.filter(|danger| self.told.spells.iter().any(|(of, _)| of == danger));
        happened.map(Danger::words).collect::<Vec<_>>().join("\" or \"")
    }
}

/// It makes the watch deaf, or dead, for a moment.
fn disturbs(fault: Fault) -> bool {
    matches!(
        fault,
        Fault::BrokerRestarted | Fault::BrokerSlow | Fault::Rebooted | Fault::Flood | Fault::DiskSlow
    )
}
