//! One round: a house is built, the script is played in it, it is waited for what is owed, and what
//! arrived is held against the oracle and against the watch's own journal. A difference comes back
//! as everything that somebody needs who looks for its cause.

use super::audit;
use super::chronicle::Chronicle;
use super::danger::{Danger, rules};
use super::fault::Fault;
use super::lag::Lag;
use super::oracle::Oracle;
use super::place::{BOUND, Place};
use super::script::{Scene, Script, Step};
use std::fmt::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// Between two looks at what has come.
const LOOK: Duration = Duration::from_millis(100);

/// For nothing to arrive before a round is over.
const QUIET: Duration = Duration::from_secs(2);

/// What a round came to.
#[derive(Clone, Debug, Default)]
pub struct Came {
    /// How often the watch was killed.
    pub kills: usize,
    /// Pages that arrived, copies too.
    pub pages: usize,
    /// Those that said they may be repeats.
    pub repeats: usize,
    /// From each beginning of a danger to the first page about it.
    pub first_pages: Vec<Duration>,
    /// Everything that differs from what was called for; none if all is as it should be.
    pub difference: Option<String>,
}

struct Round<'a> {
    script: &'a Script,
    place: Place,
    told: Chronicle,
    /// What was found while it was played.
    found: Vec<String>,
}

/// Plays a round with the program at `program`.
pub fn play(program: &str, script: &Script, lag: &Lag) -> Came {
    let built = catch_unwind(AssertUnwindSafe(|| {
        let with_text = script.faults.iter().any(|fault| fault.needs_a_modem());
        let mut place = Place::build(program, &script.faults, &rules(with_text));
        place.start();
        place
    }));
    let place = match built {
        Ok(place) => place,
        Err(why) => {
            let difference = format!("{script:#?}\nthe house was not well at first: {}", said(&*why));
            return Came { difference: Some(difference), ..Came::default() };
        }
    };
    let mut round = Round { script, place, told: Chronicle::new(lag.clone()), found: Vec::new() };
    let played = catch_unwind(AssertUnwindSafe(|| round.play()));
    if let Err(why) = played {
        round.found.push(said(&*why));
    }
    round.end()
}

fn said(why: &(dyn std::any::Any + Send)) -> String {
    let text = why.downcast_ref::<String>().cloned();
    text.or_else(|| why.downcast_ref::<&str>().map(|text| (*text).to_owned())).unwrap_or_default()
}

impl Round<'_> {
    fn with_text(&self) -> bool {
        self.script.faults.iter().any(|fault| fault.needs_a_modem())
    }

    fn play(&mut self) {
        for act in &self.script.acts {
            self.scene(&act.begins);
            self.mend(|fault| !act.stays || fault.blinds());
            self.await_owed();
            self.mend(|_| true);
            self.await_owed();
            self.scene(&act.ends);
            self.await_owed();
        }
        self.fall_quiet();
    }

    fn scene(&mut self, scene: &Scene) {
        let begun = Instant::now();
        for (at, step) in scene {
            sleep((begun + *at).saturating_duration_since(Instant::now()));
            self.step(*step);
        }
    }

    fn step(&mut self, step: Step) {
        match step {
            Step::Begin(danger) => {
                let (topic, bad, _) = danger.shown();
                // Whatever follows is later than this.
                self.told.begins(danger);
                self.place.house.board.set(topic, bad);
            }
            Step::End(danger) => {
                let (topic, _, good) = danger.shown();
                self.place.house.board.set(topic, good);
                self.told.ends(danger);
            }
            Step::Strike(fault) => self.strike(fault),
            Step::Mend(fault) => self.mend(|it| it == fault),
            Step::Kill(down) => {
                self.still_runs();
                let at = Instant::now();
                self.place.kill();
                self.told.dies(at);
                // What comes next is not stopped.
                self.told.mended(Fault::Frozen);
                sleep(down);
                self.place.begin();
                self.told.lives_again();
            }
            Step::Answer => self.answer(),
        }
    }

    fn strike(&mut self, fault: Fault) {
        self.still_runs();
        let at = Instant::now();
        let restarts = matches!(fault, Fault::ReadOnly | Fault::DatabaseDamaged | Fault::Rebooted);
        if restarts {
            self.told.dies(at);
        }
        self.told.strikes(fault, at);
        self.place.strike(fault);
        if restarts {
            self.told.lives_again();
        }
        if matches!(fault, Fault::BrokerRestarted) {
            self.told.mended(fault);
        }
    }

    fn mend(&mut self, which: impl Fn(Fault) -> bool) {
        let strikes = self.told.strikes.iter().filter(|(_, strike)| strike.until.is_none());
        let mut faults: Vec<Fault> = strikes.map(|(fault, _)| *fault).filter(|fault| which(*fault)).collect();
        // What is stopped can't be told anything.
        faults.sort_by_key(|fault| *fault != Fault::Frozen);
        for fault in faults {
            self.place.mend(fault);
            self.told.mended(fault);
        }
    }

    /// By the code of the last page that wants an answer.
    fn answer(&mut self) {
        let now = Instant::now();
        if self.told.strikes.iter().any(|(fault, strike)| *fault == Fault::Frozen && strike.holds(now)) {
            return;
        }
        let mut pages = self.place.arrivals();
        pages.sort_by_key(|page| page.at);
        let dangers = [Danger::PowerLost, Danger::StillWater, Danger::ColdWater];
        let asked = pages.iter().rev().find_map(|page| {
            let danger = dangers.into_iter().find(|danger| page.headline.contains(danger.words()))?;
            Some((danger, page.headline.rsplit_once(", code ")?.1.to_owned()))
        });
        let Some((danger, code)) = asked else { return };
        // It may be taken although nobody says so.
        self.told.answers.push((danger.group(), now, false));
        if self.place.house.home.say(&["ack", &code, "--as", "ines"]).code == Some(0)
            && let Some(answer) = self.told.answers.last_mut()
        {
            answer.2 = true;
        }
    }

    fn still_runs(&mut self) {
        if let Some(how) = self.place.has_ended() {
            self.found.push(format!("the watch ended by itself: {how}"));
        }
    }

    fn look(&mut self) {
        self.told.arrivals = self.place.arrivals();
        self.told.commands = self.place.commands();
    }

    /// Until all has come that is owed, or something is overdue.
    fn await_owed(&mut self) {
        loop {
            self.look();
            let owed = Oracle::of(&self.told, self.with_text()).owed();
            let late = owed.iter().filter(|owed| owed.by.is_some_and(|by| by < Instant::now()));
            let late: Vec<String> =
                late.map(|owed| format!("to {}: {} has not come", owed.to, owed.what)).collect();
            let over = owed.iter().all(|owed| owed.by.is_none());
            if !late.is_empty() {
                self.found.extend(late);
            }
            if over || !self.found.is_empty() {
                return;
            }
            self.still_runs();
            sleep(LOOK);
        }
    }

    /// Until nothing more arrives, and the watch has written down what came of its pages; if it
    /// never does, the audit says which.
    fn fall_quiet(&mut self) {
        let begun = Instant::now();
        let mut last = (self.place.arrivals().len(), begun);
        while last.1.elapsed() < QUIET || !self.place.knows_all_fates() {
            if begun.elapsed() > BOUND + self.told.lag.since(begun) {
                return;
            }
            let count = self.place.arrivals().len();
            if count != last.0 {
                last = (count, Instant::now());
            }
            sleep(LOOK);
        }
    }

    fn end(mut self) -> Came {
        self.still_runs();
        self.look();
        let story = self.place.story();
        self.found.extend(Oracle::of(&self.told, self.with_text()).wrong());
        self.found.extend(secrets(&self.place.house.home.log(), &self.told));
        if self.found.is_empty() {
            let faults = &self.script.faults;
            let place = self.place;
            let audited = catch_unwind(AssertUnwindSafe(|| {
                let (records, arrivals) = place.cut_off();
                audit::fits(faults, &records, &arrivals);
            }));
            self.found.extend(audited.err().map(|why| said(&*why)));
        }
        let firsts = self.told.spells.iter().filter_map(|(danger, spell)| {
            let pages =
                self.told.arrivals.iter().filter(|page| page.at >= spell.from && !page.is_all_clear());
            let about = pages.filter(|page| page.headline.contains(danger.words()));
            about.map(|page| page.at - spell.from).min()
        });
        let difference = (!self.found.is_empty()).then(|| {
            let mut text = format!("{:#?}\nwhat differs:\n", self.script);
            for what in &self.found {
                let _ = writeln!(text, "  {what}");
            }
            let _ = write!(text, "what happened, in seconds:\n{}\n{story}", self.told);
            text
        });
        Came {
            kills: self.told.kills(),
            pages: self.told.arrivals.len(),
            repeats: self.told.arrivals.iter().filter(|page| page.repeat).count(),
            first_pages: firsts.collect(),
            difference,
        }
    }
}

/// A password that a server repeats gets nowhere.
fn secrets(log: &str, told: &Chronicle) -> Option<String> {
    const SECRETS: [&str; 3] = ["neap tide", "spring-tide", "tide table"];
    let pages: String = told.arrivals.iter().map(|page| page.headline.as_str()).collect();
    let shown = SECRETS.into_iter().find(|secret| log.contains(secret) || pages.contains(secret));
    shown.map(|secret| format!("\"{secret}\" is in the log or in a page"))
}
