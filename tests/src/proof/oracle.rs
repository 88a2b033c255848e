//! What a round should have brought, by somebody with the manual's page on call-outs in one hand and
//! the chronicle in the other: who is owed a page or an all-clear, and by when; and what of all that
//! arrived nobody called for. It shares no code with the engine and looks into no journal. Every
//! time in it is a bound that a busy machine can't break: it counts from the last disturbance and
//! is moved by what the machine kept us waiting.

use super::arrivals::Arrival;
use super::chronicle::{Chronicle, Stretch};
use super::danger::{DANGERS, Danger, LADDER, SETTLE};
use super::fault::{Fault, Told};
use super::place::BOUND;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

/// "The watch starts: a step that is due waits until everything was heard once, 60 s at most."
const LISTENS: Duration = Duration::from_secs(60);

/// A page may have left this long before it is here: longer than any time-out of the house.
const ON_ITS_WAY: Duration = Duration::from_secs(15);

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

fn leads(page: &Arrival) -> Option<Danger> {
    DANGERS.into_iter().find(|danger| page.headline.contains(danger.words()))
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

    // ------------------------------------------------------------------ what is owed

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
            let cleared = pages().filter(about).any(|page| kind(page) == Kind::AllClear && page.at >= over);
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

    // ------------------------------------------------------------------ what nobody called for

    /// All that arrived, or was commanded, and should not have been.
    pub fn wrong(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        for page in &self.told.arrivals {
            wrong.extend(self.unfounded(page).map(|why| format!("to {}: {}: {why}", page.to, page.headline)));
        }
        wrong.extend(self.copies());
        wrong.extend(self.too_many());
        wrong.extend(self.air());
        wrong
    }

    fn unfounded(&self, page: &Arrival) -> Option<String> {
        let Some(danger) = leads(page) else {
            return (!self.is_of_health(page)).then(|| "nothing of that kind happened".to_owned());
        };
        let begun = || self.told.spells.iter().filter(|(_, spell)| spell.from <= page.at);
        let of = |group: usize| begun().filter(move |(of, _)| of.group() == group);
        match kind(page) {
            Kind::Call => {
                let mut spells = begun().filter(|(of, _)| *of == danger);
                let Some((_, spell)) = spells.next_back() else {
                    return Some("it had not begun".to_owned());
                };
                self.is_stale(page, spell).or_else(|| self.is_early(page, danger, spell))
            }
            Kind::AllClear => {
                let group = danger.group();
                let ends = of(group).filter(|(_, spell)| spell.until.is_some_and(|until| until <= page.at));
                let mut said: Vec<&str> = self
                    .told
                    .arrivals
                    .iter()
                    .filter(|other| {
                        other.to == page.to
                            && other.at <= page.at
                            && kind(other) == Kind::AllClear
                            && leads(other).is_some_and(|of| of.group() == group)
                    })
                    .map(|other| other.name.as_str())
                    .collect();
                said.sort_unstable();
                said.dedup();
                (said.len() > ends.count())
                    .then(|| "it was called over more often than it was over".to_owned())
            }
            Kind::Taken => {
                let mut answers = self.told.answers.iter();
                let answered = answers.any(|(group, at, _)| *group == danger.group() && *at <= page.at);
                (!answered).then(|| "nobody had answered".to_owned())
            }
        }
    }

    /// It calls for help against what was over long before.
    fn is_stale(&self, page: &Arrival, spell: &Stretch) -> Option<String> {
        let over = spell.until?;
        let bound = self.bound(&page.to, over, Duration::ZERO).unwrap_or(page.at);
        (page.at > bound).then(|| "it had been over for long".to_owned())
    }

    /// Somebody is called before their turn. What may bring a turn forward is left out: a way that
    /// fails, and being told already.
    fn is_early(&self, page: &Arrival, danger: Danger, spell: &Stretch) -> Option<String> {
        let after = self.ways.iter().find(|(_, way)| page.to == *way).map(|(after, _)| *after)?;
        let shut = self.told.strikes.iter().any(|(fault, strike)| {
            strike.from <= page.at && (fault.forgets() || self.ways.iter().any(|(_, way)| fault.shuts(way)))
        });
        let told = self.told.arrivals.iter().any(|other| {
            other.to == page.to
                && other.at < page.at
                && leads(other).is_some_and(|of| of.group() == danger.group())
        });
        let early = page.at < spell.from + after;
        (early && !shut && !told).then(|| format!("called before {after:?} had passed"))
    }

    /// What the watch says of its own parts: only what failed, or could not be seen because of that.
    fn is_of_health(&self, page: &Arrival) -> bool {
        let struck = |is: &dyn Fn(Fault) -> bool| self.told.strikes.iter().any(|(fault, _)| is(*fault));
        let words = |words: &[&str]| words.iter().any(|word| page.headline.contains(word));
        let by_fault = struck(&|fault| match fault.told() {
            told @ Told::As(..) => told.is_in(&page.headline),
            Told::Nothing => false,
        });
        let blind = struck(&|fault| fault.blinds() || disturbs(fault));
        by_fault
            || (words(&["the broker is away", "air pump"]) && (blind || self.told.kills() > 0))
            || (words(&["journal"]) && struck(&|fault| fault.forgets()))
            || (words(&["nobody is reached by"])
                && struck(&|fault| self.ways.iter().any(|(_, way)| fault.shuts(way))))
            || (words(&["modem", "rule file", "files"])
                && struck(&|fault| matches!(fault, Fault::ModemUnplugged | Fault::ReloadBad)))
            || self.told.lag.since(self.told.begun) > Duration::from_secs(60)
    }

    /// No page comes twice without a mark, nor oftener than the watch was killed while it was on its
    /// way; and once more where a server took it and did not say so.
    fn copies(&self) -> Vec<String> {
        let mut by_name: BTreeMap<(&str, &str), Vec<&Arrival>> = BTreeMap::new();
        for page in self.told.arrivals.iter().filter(|page| !page.to.ends_with(".text")) {
            by_name.entry((&page.to, &page.name)).or_default().push(page);
        }
        let mut wrong = Vec::new();
        for ((to, name), mut copies) in by_name {
            copies.sort_by_key(|page| page.at);
            let (first, last) = (copies[0].at, copies[copies.len() - 1].at);
            let since = first.checked_sub(ON_ITS_WAY).unwrap_or(first);
            // What is not remembered is numbered again, and is no copy.
            if self.forgot(since) {
                continue;
            }
            let unmarked = copies.iter().filter(|page| !page.repeat).count();
            if unmarked > 1 {
                wrong.push(format!(
                    "to {to}: {name} came {unmarked} times without a mark: {}",
                    copies[0].headline
                ));
            }
            let kills = self.told.lives.iter().filter_map(|life| life.until);
            let kills = kills.filter(|at| *at >= since && *at <= last).count();
            let silent = self.told.strikes.iter().any(|(fault, strike)| {
                (fault.leaves_doubt() || *fault == Fault::PushHangs)
                    && fault.shuts(to)
                    && strike.reaches(since)
            });
            if copies.len() > 1 + kills + usize::from(silent) {
                wrong.push(format!("to {to}: {name} came {} times over {kills} kills", copies.len()));
            }
        }
        wrong
    }

    /// One page a danger and way: what would bring more of them lasts longer than a round.
    fn too_many(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        for (danger, spell) in &self.told.spells {
            for (_, way) in &self.ways {
                let end =
                    self.told.spells.iter().filter(|(of, other)| of == danger && other.from > spell.from);
                let end = end.map(|(_, other)| other.from).min();
                let mut names: Vec<&str> = self
                    .told
                    .arrivals
                    .iter()
                    .filter(|page| {
                        page.to == *way && page.at >= spell.from && end.is_none_or(|end| page.at < end)
                    })
                    .filter(|page| kind(page) == Kind::Call && leads(page) == Some(*danger))
                    .map(|page| page.name.as_str())
                    .collect();
                names.sort_unstable();
                names.dedup();
                let allowed = 1 + self.more_allowed(*danger, spell, end);
                if names.len() > allowed {
                    let words = danger.words();
                    wrong.push(format!(
                        "to {way}: {} pages about one \"{words}\", {allowed} at most",
                        names.len()
                    ));
                }
            }
        }
        wrong
    }

    /// What was not remembered is told anew; a step all of whose ways fail brings the next; a
    /// stopgap without its proof is news, and so is what joins from above.
    fn more_allowed(&self, danger: Danger, spell: &Stretch, end: Option<Instant>) -> usize {
        let strikes = self.told.strikes.iter();
        let strikes = strikes.filter(|(_, at)| at.reaches(spell.from) && end.is_none_or(|end| at.from < end));
        let (mut more, mut forgets) = (0, 0);
        for (fault, _) in strikes {
            forgets += usize::from(fault.forgets());
            more += usize::from(self.ways.iter().any(|(_, way)| fault.shuts(way)));
            more += usize::from(danger == Danger::PowerLost && (fault.blinds() || disturbs(*fault)));
        }
        let kills =
            self.told.lives.iter().filter_map(|life| life.until).filter(|at| *at >= spell.from).count();
        more + if forgets > 0 { forgets + kills } else { 0 }
    }

    /// The air pump is told to run only while the power is lost.
    fn air(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        for (at, _) in self.told.commands.iter().filter(|(_, command)| command == "on") {
            let spells = self.told.spells.iter().filter(|(danger, _)| *danger == Danger::PowerLost);
            let spell = spells.rev().find(|(_, spell)| spell.from <= *at);
            let late = |spell: &Stretch| {
                let over = spell.until?;
                Some(*at > self.bound("", over, Duration::ZERO)?)
            };
            match spell {
                None => wrong.push("the air pump was told to run, and the power was there".to_owned()),
                Some((_, spell)) if late(spell) == Some(true) => {
                    wrong.push("the air pump was told to run long after the power was back".to_owned());
                }
                Some(_) => {}
            }
        }
        wrong
    }

    // ------------------------------------------------------------------ dangers

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
