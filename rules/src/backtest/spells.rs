//! From records to when each alarm rang. The records may be those of a journal or those of a
//! backtest: so the two can be laid side by side.

use crate::record::{Body, Record, Seq, Verdict};
use crate::time::{Span, Wall};
use std::collections::BTreeMap;

/// An alarm rang: from when it was raised until it returned or was put aside.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Spell {
    /// The alarm's name.
    pub alarm: String,
    /// Its episode, which may have several spells.
    pub episode: Seq,
    /// Raised.
    pub from: Wall,
    /// Over; the end of the history if it still stood.
    pub to: Wall,
    /// Whether it still stood.
    pub stands: bool,
}

impl Spell {
    /// How long it rang.
    pub fn length(&self) -> Span {
        self.to - self.from
    }

    /// Whether both rang at the same time at any moment.
    pub fn overlaps(&self, other: &Spell) -> bool {
        self.from <= other.to && other.from <= self.to
    }
}

/// What a person said of each episode that was marked; the latest counts.
pub type Marks = BTreeMap<Seq, Verdict>;

/// Gathers spells from records, the oldest first.
#[derive(Clone, Debug, Default)]
pub struct Spells {
    open: BTreeMap<String, Spell>,
    over: Vec<Spell>,
    marks: Marks,
}

impl Spells {
    /// The next record.
    pub fn take(&mut self, record: &Record) {
        let wall = record.at.wall;
        match &record.body {
            Body::Raised { alarm, episode, .. } => {
                self.end(alarm, wall);
                let (from, to) = (wall, wall);
                let spell = Spell { alarm: alarm.clone(), episode: *episode, from, to, stands: true };
                self.open.insert(alarm.clone(), spell);
            }
            Body::Returned { alarm, .. }
            | Body::Suppressed { alarm }
            | Body::Shelved { alarm, .. }
            | Body::TakenOut { alarm, .. } => self.end(alarm, wall),
            Body::Marked { episode, verdict, .. } => drop(self.marks.insert(*episode, *verdict)),
            Body::Learned { .. }
            | Body::Foretold { .. }
            | Body::Started { .. }
            | Body::Stopped { .. }
            | Body::Reloaded { .. }
            | Body::SightLost { .. }
            | Body::SightRegained { .. }
            | Body::Worsened { .. }
            | Body::LostSight { .. }
            | Body::FoundSight { .. }
            | Body::Chattering { .. }
            | Body::Settled { .. }
            | Body::Blipped { .. }
            | Body::Acknowledged { .. }
            | Body::Reset { .. }
            | Body::Unshelved { .. }
            | Body::Unsuppressed { .. }
            | Body::PutBack { .. }
            | Body::CallBegan { .. }
            | Body::Joined { .. }
            | Body::Stepped { .. }
            | Body::ClockSet { .. }
            | Body::Paged { .. }
            | Body::Skipped { .. }
            | Body::Delivered { .. }
            | Body::Answered { .. }
            | Body::HandedOn { .. }
            | Body::Ticked { .. }
            | Body::Hushed { .. }
            | Body::Resumed { .. }
            | Body::CallEnded { .. }
            | Body::CallChanged { .. }
            | Body::Refused { .. }
            | Body::WorkBegan { .. }
            | Body::WorkEnded { .. }
            | Body::SilencePlanned { .. }
            | Body::SilenceEnded { .. }
            | Body::SiteChanged { .. }
            | Body::Switched { .. }
            | Body::Released { .. }
            | Body::Proved { .. }
            | Body::Withheld { .. }
            | Body::Held { .. }
            | Body::ByHand { .. }
            | Body::CommandKept { .. }
            | Body::NotProved { .. }
            | Body::Drill(_) => {}
        }
    }

    /// What people said of episodes so far.
    pub fn marks(&self) -> &Marks {
        &self.marks
    }

    fn end(&mut self, alarm: &str, wall: Wall) {
        if let Some(spell) = self.open.remove(alarm) {
            self.over.push(Spell { to: wall.max(spell.from), stands: false, ..spell });
        }
    }

    /// All of them, in order of time; what still stands ends at `until`.
    pub fn finish(mut self, until: Wall) -> Vec<Spell> {
        self.over.extend(self.open.into_values().map(|spell| Spell { to: until.max(spell.from), ..spell }));
        self.over.sort_by(|one, other| (one.from, &one.alarm).cmp(&(other.from, &other.alarm)));
        self.over
    }
}
