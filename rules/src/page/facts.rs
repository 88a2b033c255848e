//! The facts that a page is made of. The engine fills them in from its call-outs, relays and
//! forecasts; only here do wording and engine meet, so that neither knows how the other is made.

use crate::alarm::Priority;
use crate::card::Situation;
use crate::forecast::interval::Interval;
use crate::ids::{By, Seq};
use crate::plan::ways::AtHand;
use crate::plan::{Alarm, Plan, Target};
use crate::record::{Outcome, Purpose};
use crate::time::{Moment, Now};

/// Everything that a page about a call-out may say.
pub(crate) struct Facts<'a> {
    pub(crate) plan: &'a Plan,
    pub(crate) now: Now,
    pub(crate) id: Seq,
    pub(crate) target: &'a Target,
    pub(crate) purpose: Purpose,
    /// The call-out's number, code and worst priority.
    pub(crate) call: Seq,
    pub(crate) code: &'a str,
    pub(crate) priority: Priority,
    /// When it began, or the drill did.
    pub(crate) begun: Moment,
    /// The policy's name, of a drill.
    pub(crate) policy: &'a str,
    /// What the page leads with; none for a drill.
    pub(crate) lead: Option<Matter<'a>>,
    /// What sends it.
    pub(crate) news: News,
    /// All else in the call-out, in its order.
    pub(crate) others: Vec<Matter<'a>>,
    /// What came and went in other call-outs while this way was shut, and how many those were.
    pub(crate) past: Vec<Matter<'a>>,
    pub(crate) also: usize,
    /// Everyone who answered, first to last.
    pub(crate) answers: Vec<(By, Moment)>,
    /// Whoever put aside all that stood.
    pub(crate) put_aside_by: Option<&'a By>,
    /// An answer given now would hold until then.
    pub(crate) would_hold: Option<Moment>,
    /// Who is asked next, if nobody answers.
    pub(crate) next: Option<(Vec<Target>, Moment)>,
    /// Who was asked before this page, the oldest first.
    pub(crate) told: Vec<Telling<'a>>,
    /// So many more were asked before those.
    pub(crate) told_before: usize,
    /// Earlier pages of this call-out to the same target.
    pub(crate) after: Vec<Seq>,
    /// So many more were before those.
    pub(crate) before: usize,
    /// What the watch could not do, or can't prove: what a person has to do, a line each.
    pub(crate) by_hand: Vec<String>,
    /// What it has done.
    pub(crate) done: Vec<String>,
    /// How long there is, tank by tank; empty unless somebody is asked to act.
    pub(crate) outlooks: Vec<Outlook>,
    /// The water of the tanks that a lead of lost sight hides: what was last measured, and when.
    pub(crate) last_seen: Vec<(String, Moment)>,
    /// The mains are out, as far as is known, and this bears on them.
    pub(crate) power_cut: bool,
    /// When the watch's own power ends, if it is known.
    pub(crate) goes_dark: Option<Moment>,
    /// What ways to answer have power.
    pub(crate) at_hand: AtHand,
    /// What is done and what threatens where the leading alarm's card is to be used.
    pub(crate) situation: Situation,
    /// What stands in other call-outs, a line each.
    pub(crate) stands: Vec<String>,
    /// Pages that were held back on this way, for want of room: how many, since when.
    pub(crate) held: Option<(usize, Moment)>,
    /// What watched sites in it said of themselves, the latest.
    pub(crate) notes: Vec<String>,
    pub(crate) maybe_repeat: bool,
}

/// What sends a page.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) enum News {
    /// It was raised, or nobody has answered, or an answer's time is over.
    #[default]
    Raised,
    /// Whoever answered is asked alone whether it is still in hand.
    StillOnIt,
    /// It got worse.
    Worse,
    /// What the watch did has come to nothing, in words.
    Undone(String),
    /// All is well but that heaters are cut, until a person switches them back: by when someone
    /// must look.
    HeatersCut(Option<Moment>),
    /// The watch's own power ends, then if that is known.
    GoesDark(Option<Moment>),
    /// Whoever it is for wanted the next person called: there is none, and nobody has answered.
    NobodyElse,
}

/// One thing that is or was wrong.
#[derive(Clone, Debug)]
pub(crate) struct Matter<'a> {
    /// The alarm, if the plan still has it.
    pub(crate) alarm: Option<&'a Alarm>,
    /// Where, as people say it.
    pub(crate) place: String,
    /// What, as people say it, without the place.
    pub(crate) what: String,
    pub(crate) priority: Priority,
    /// Since when.
    pub(crate) onset: Moment,
    /// Readings against their limits: now while it stands, as last recorded if it is over or its
    /// readings no longer say it.
    pub(crate) reading: String,
    /// The same without what it should be, while its readings say it.
    pub(crate) bare: String,
    /// What is read now, if that is not what the alarm judged.
    pub(crate) now: Option<String>,
    pub(crate) fate: MatterFate,
    /// Its readings say that it is over; only nobody can be sure yet that it stays so.
    pub(crate) back: bool,
    /// How far its reading went: `lowest 23.8 °C at 02:56`.
    pub(crate) farthest: Option<String>,
    /// It got worse.
    pub(crate) worse: bool,
    /// Its sensor can't be seen any more.
    pub(crate) blind: bool,
}

/// What has become of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum MatterFate {
    Stands,
    PutAside,
    Over(Moment),
}

/// One page that asked somebody.
#[derive(Clone, Debug)]
pub(crate) struct Telling<'a> {
    pub(crate) at: Moment,
    pub(crate) target: &'a Target,
    pub(crate) outcome: Option<&'a Outcome>,
}

/// How long there is in one place.
#[derive(Clone, Debug)]
pub(crate) struct Outlook {
    /// The tank, or what has the battery.
    pub(crate) place: String,
    /// Its water now: `24.4 °C`.
    pub(crate) water: Option<String>,
    /// No flow and no air is proved in it while something is wrong with either.
    pub(crate) breathless: Option<Breathless>,
    /// What may come, in no order.
    pub(crate) harms: Vec<Coming>,
}

/// Why oxygen counts first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Breathless {
    /// The pumps are seen to stand, and no air pump is seen to run.
    Seen,
    /// Nothing shows that water moves.
    NotProved,
}

/// Something that may come.
#[derive(Clone, Debug)]
pub(crate) struct Coming {
    /// `below 22 °C`, `empty`; of the oxygen what follows: `fish suffer`.
    pub(crate) what: String,
    /// Hours from now.
    pub(crate) range: Interval,
    /// It is the oxygen.
    pub(crate) oxygen: bool,
}

impl Matter<'_> {
    pub(crate) fn stands(&self) -> bool {
        self.fate == MatterFate::Stands
    }
}
