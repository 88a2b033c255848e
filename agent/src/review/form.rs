//! What a review looks like: plain data with the names and the versions that `--json` prints.

mod call_out;
mod titles;

pub use call_out::{CallOutReview, PageResult, Paged, Skipped};
pub use titles::Titles;

use jiff::tz::{AmbiguousOffset, TimeZone};
use serde::Serialize;
use slackwater_rules::alarm::Priority;
use slackwater_rules::record::{Estimated, Seq, Verdict};
use slackwater_rules::time::{Span, Wall};

/// The version of [`Review`]'s form. Additions keep it; anything else raises it.
pub const VERSION: u32 = 1;

/// What happened in a stretch of time. Lengths of time are in milliseconds, and say so in JSON.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Review {
    /// [`VERSION`].
    pub version: u32,
    /// The site's name.
    pub site: String,
    /// The zone of the times.
    pub zone: String,
    /// Begins.
    pub since: Stamp,
    /// Ends.
    pub until: Stamp,
    /// What the keys in it are called.
    pub titles: Titles,
    /// What to know first, in lines of at most 60 letters.
    pub digest: Vec<String>,
    /// How much of it was watched.
    pub coverage: Coverage,
    /// Every episode that touches the stretch, in order.
    pub episodes: Vec<Episode>,
    /// Every call-out and drill that touches it, in order.
    pub call_outs: Vec<CallOutReview>,
    /// Alarms put aside by a person, and work: in order.
    pub asides: Vec<Aside>,
    /// What each sensor said.
    pub sensors: Vec<SensorReview>,
    /// What came and went before its delay was over, by alarm.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub blips: Vec<Blips>,
    /// What else a keeper should know: in order.
    pub notes: Vec<Note>,
    /// What test pages have shown of each channel, by the end of the stretch.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub proofs: Vec<ChannelProof>,
    /// Numbers of records that this version of the program can't read.
    pub unreadable: Vec<Seq>,
}

/// A point in time.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Stamp {
    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub unix_ms: Wall,
    /// The same in the review's zone: RFC 3339.
    pub at: String,
    /// Whether the clock was trusted then, or could be corrected later.
    pub clock_trusted: bool,
}

impl Stamp {
    /// `wall` in `zone`.
    pub fn new(wall: Wall, clock_trusted: bool, zone: &TimeZone) -> Self {
        let at = wall.civil(zone).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
        Self { unix_ms: wall, at, clock_trusted }
    }

    /// For people: `2026-08-03 02:10`; with its offset where the clocks of `zone` show it twice,
    /// and with doubt if the clock was not trusted.
    pub fn for_people(&self, zone: &TimeZone, format: &str) -> String {
        let zoned = self.unix_ms.civil(zone);
        let twice = match zone.to_ambiguous_timestamp(zoned.datetime()).offset() {
            AmbiguousOffset::Fold { .. } => " %:z",
            AmbiguousOffset::Unambiguous { .. } | AmbiguousOffset::Gap { .. } => "",
        };
        let doubt = if self.clock_trusted { "" } else { " (clock not trusted)" };
        format!("{}{doubt}", zoned.strftime(&format!("{format}{twice}")))
    }

    /// From `earlier` until this: none if the clock was not the same one, or ran backwards.
    pub fn after(&self, earlier: &Stamp) -> Option<Span> {
        let span = self.unix_ms - earlier.unix_ms;
        (self.clock_trusted == earlier.clock_trusted && span >= Span::ZERO).then_some(span)
    }
}

/// How much of the stretch was watched.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Coverage {
    /// Of the stretch.
    #[serde(rename = "length-ms")]
    pub length: Span,
    /// The agent ran and the broker was heard.
    #[serde(rename = "watched-ms")]
    pub watched: Span,
    /// When something was not seen, and why: in order. Those of a gateway or a sensor don't
    /// lessen `watched`.
    pub gaps: Vec<Gap>,
}

/// Something was not seen.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Gap {
    /// `agent`, `journal`, `broker`, `gateway NAME`, or the sensor's name.
    pub of: String,
    /// The reason.
    pub why: String,
    /// Began.
    pub from: Stamp,
    /// Ended; none if it had not.
    pub to: Option<Stamp>,
}

/// One run of an alarm.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Episode {
    /// Its number.
    pub episode: Seq,
    /// The alarm's name.
    pub alarm: String,
    /// The tank or the site.
    pub place: String,
    /// When it was raised.
    pub priority: Priority,
    /// The code that answered it.
    pub code: String,
    /// What it rested on.
    pub because: String,
    /// When the condition became true.
    pub onset: Stamp,
    /// When the alarm was raised.
    pub detected: Stamp,
    /// Raised once more before it was over.
    pub raised_again: Vec<Stamp>,
    /// Got worse.
    pub worsened: Vec<Reason>,
    /// What was foretold as it was raised, or got worse.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub foretold: Vec<Foretold>,
    /// Its readings were missing at this time, while it stood.
    pub lost_sight: Vec<Stamp>,
    /// When the condition had gone; none if it still stood.
    pub returned: Option<Stamp>,
    /// Put aside while it stood: shelved, suppressed by work, or taken out of service.
    pub put_aside: Option<Reason>,
    /// How long it stood, over all its raises.
    #[serde(rename = "stood-ms")]
    pub stood: Span,
    /// Who acknowledged it, first to last.
    pub acknowledged: Vec<Answer>,
    /// Its call-out.
    pub call_out: Option<Seq>,
    /// What the agent switched for it.
    pub stopgaps: Vec<Switching>,
    /// What a person found of it afterwards, if anyone said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mark: Option<Mark>,
}

/// What was foretold at a time: to be held against what came.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Foretold {
    /// When.
    pub at: Stamp,
    /// The soonest first.
    pub estimates: Vec<Estimated>,
}

/// A person judged an episode.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Mark {
    /// When.
    pub at: Stamp,
    /// Whether it was right to ring.
    pub verdict: Verdict,
    /// Why; may be empty.
    pub note: String,
    /// Who.
    pub who: String,
}

/// Something at a time, for a reason.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Reason {
    /// When.
    pub at: Stamp,
    /// Why.
    pub why: String,
}

/// A person answered.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Answer {
    /// When.
    pub at: Stamp,
    /// Who.
    pub who: String,
    /// By which way.
    pub via: String,
    /// Since it was raised, or since the call-out began.
    #[serde(rename = "after-ms")]
    pub after: Option<Span>,
}

/// One relay command.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Switching {
    /// When.
    pub at: Stamp,
    /// The relay.
    pub relay: String,
    /// On or off.
    pub on: bool,
    /// Why.
    pub why: String,
    /// First is 1.
    pub attempt: u32,
    /// Whether it was seen to have obeyed.
    pub proof: ProofSeen,
}

/// Whether a relay was seen to obey.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "result", rename_all = "kebab-case")]
pub enum ProofSeen {
    /// Yes.
    Proved {
        /// After this long.
        #[serde(rename = "after-ms")]
        after: Span,
    },
    /// No.
    NotProved {
        /// What was seen instead.
        why: String,
    },
    /// There is no record of it.
    Unknown,
}

/// Something put aside for a time.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Aside {
    /// `shelved`, `out of service` or `work`.
    pub kind: &'static str,
    /// The alarm, or the tank.
    pub of: String,
    /// The reason, or the kind of work.
    pub why: String,
    /// Began.
    pub from: Stamp,
    /// Who.
    pub who: String,
    /// Ended; none if it had not.
    pub to: Option<Stamp>,
    /// Who ended it, if not by itself.
    pub ended_by: Option<String>,
}

/// What one sensor said.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct SensorReview {
    /// The sensor's name.
    pub sensor: String,
    /// The tank, or the site.
    pub place: Option<String>,
    /// The unit of the numbers; the base unit of its quantity if there is no plan to say.
    pub unit: Option<String>,
    /// Believed readings.
    pub readings: u64,
    /// Readings that were not believed.
    pub rejected: u64,
    /// For how much of the stretch its value was known.
    #[serde(rename = "known-ms")]
    pub known: Span,
    /// The lowest believed reading.
    pub lowest: Option<Extreme>,
    /// The highest believed reading.
    pub highest: Option<Extreme>,
    /// Against the limits of the plan, if it has any.
    pub outside: Option<Outside>,
    /// For words: the last, and how often it changed within a minute or between two.
    pub words: Option<Words>,
}

/// A lowest or highest reading.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Extreme {
    /// In the sensor's unit.
    pub value: f64,
    /// In words, with the unit.
    pub shown: String,
    /// The minute in which it was.
    pub at: Stamp,
}

/// Time outside limits: by the mean of each minute.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Outside {
    /// The lower limit, in words.
    pub lower: String,
    /// The upper limit, in words.
    pub upper: String,
    /// Known to have been below.
    #[serde(rename = "below-ms")]
    pub below: Span,
    /// Known to have been above.
    #[serde(rename = "above-ms")]
    pub above: Span,
    /// Nobody knows: may have been either, or within.
    #[serde(rename = "unknown-ms")]
    pub unknown: Span,
}

/// What a sensor of words said.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Words {
    /// The last word.
    pub last: String,
    /// How often it changed.
    pub changes: u64,
}

/// What test pages have shown of a channel.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct ChannelProof {
    /// The channel: `ines.mail`.
    pub to: String,
    /// When a test page was last answered; none if never.
    pub proved: Option<Stamp>,
    /// Test pages since then that were not.
    pub missed: u32,
}

/// Spells of an alarm's condition that were over before its on-delay was, so that nothing was
/// raised.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Blips {
    /// The alarm's name.
    pub alarm: String,
    /// How many.
    pub count: u64,
    /// The longest of them.
    #[serde(rename = "longest-ms")]
    pub longest: Span,
}

/// Something else that a keeper should know.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Note {
    /// When.
    pub at: Stamp,
    /// What.
    pub text: String,
}
