//! A record in one line of words: for the log, for the answer to a command, for a timeline.

use super::{Body, By, Estimated, Purpose, Verdict};
use crate::forecast::{Interval, wording};
use crate::time::Span;
use std::cmp::Ordering;
use std::fmt;

/// How a reason goes on that tells of work which had just ended.
pub(crate) const NOT_BACK: &str = "not back after ";

impl fmt::Display for Purpose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Call => "call",
            Self::Taken => "answered by someone",
            Self::AllClear => "all-clear",
            Self::Digest => "morning news",
            Self::Drill => "drill",
            Self::Notice => "notice",
        })
    }
}

impl Purpose {
    /// Whether it switches a siren off: that is no reader, and hears of no answer.
    pub fn hushes(self, to: &str) -> bool {
        !to.contains('.') && matches!(self, Self::Taken | Self::AllClear)
    }

    /// Why this way is used: `call`.
    pub(crate) fn towards(self, to: &str) -> String {
        if self.hushes(to) { "to be quiet".to_owned() } else { self.to_string() }
    }
}

impl Estimated {
    /// With its place, its likeliest value and what it rests on: for `status` and the review.
    pub fn in_full(&self) -> String {
        let Self { place, words, likely_h, rests_on, .. } = self;
        let likely = likely_h
            .map_or(String::new(), |hours| format!(", likeliest {}", wording::time(Interval::exact(hours))));
        let rests_on = if rests_on.is_empty() { String::new() } else { format!(" ({rests_on})") };
        format!("{place}: {words}{likely}{rests_on}")
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Real => "real",
            Self::False => "false",
        })
    }
}

/// `: why`, or nothing.
fn reason(why: &str) -> String {
    if why.is_empty() { String::new() } else { format!(": {why}") }
}

fn by_whom(by: Option<&By>) -> String {
    by.map_or_else(|| "by itself".to_owned(), |by| format!("by {}", by.who))
}

impl fmt::Display for Body {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Started { version, gap: Some(Span::ZERO) } => write!(f, "watch started ({version})"),
            Self::Started { version, gap: Some(gap) } => {
                write!(f, "watch started ({version}) after {gap} away")
            }
            Self::Started { version, gap: None } => {
                write!(f, "watch started ({version}), away for an unknown time")
            }
            Self::Stopped { why } => write!(f, "watch stopped: {why}"),
            Self::Reloaded { changes } if changes.is_empty() => f.write_str("plan reloaded, nothing differs"),
            Self::Reloaded { changes } => write!(f, "plan reloaded: {}", changes.join("; ")),
            Self::SightLost { of, why } => write!(f, "sight lost of {of}: {why}"),
            Self::ClockSet { by, was_trusted, trusted } => {
                match by.0.cmp(&0) {
                    Ordering::Less => write!(f, "the clock was set back by {}", Span(by.0.saturating_neg()))?,
                    Ordering::Equal => f.write_str("the clock was right")?,
                    Ordering::Greater => write!(f, "the clock was set forward by {by}")?,
                }
                f.write_str(match (was_trusted, trusted) {
                    (false, true) => "; it is trusted now, and what this run recorded before is dated again",
                    (true, true) => "; it is trusted, as it was before",
                    (true, false) => "; it is NOT trusted any more",
                    (false, false) => "; it is NOT trusted",
                })
            }
            Self::SightRegained { of, after } => write!(f, "sight of {of} regained after {after}"),
            Self::Raised { alarm, code, place, priority, since, because, .. } => {
                write!(f, "RAISED {place}: {alarm}, {priority}, true for {since}, code {code}")?;
                write!(f, "{}", reason(because))
            }
            Self::Worsened { alarm, because, .. } => write!(f, "WORSE {alarm}{}", reason(because)),
            Self::LostSight { alarm, .. } => write!(f, "{alarm} stands, but is no longer measured"),
            Self::FoundSight { alarm, .. } => write!(f, "{alarm} can be seen again"),
            Self::Returned { alarm, stood, because, .. } => {
                write!(f, "returned to normal: {alarm}, stood for {stood}{}", reason(because))
            }
            Self::Chattering { alarm, raises, within } => {
                write!(f, "{alarm} is chattering: raised {raises} times within {within}")
            }
            Self::Blipped { alarm, count, longest, since } => {
                let many = if *count == 1 { "1 blip".to_owned() } else { format!("{count} blips") };
                write!(f, "{alarm}: {many}, longest {longest}, within {since}")
            }
            Self::Settled { alarm } => write!(f, "{alarm} has stopped chattering"),
            Self::Acknowledged { alarm, by, .. } => write!(f, "{alarm} acknowledged by {by}"),
            Self::Reset { alarm, by } => write!(f, "{alarm} reset by {by}"),
            Self::Foretold { estimates, .. } => {
                let words: Vec<_> =
                    estimates.iter().map(|it| format!("{}: {}", it.place, it.words)).collect();
                write!(f, "foretold: {}", words.join("; "))
            }
            Self::Learned { tank, .. } => write!(f, "the model of {tank} was put down"),
            Self::Marked { episode, verdict, note, by } => {
                write!(f, "episode {episode} marked as {verdict} by {by}{}", reason(note))
            }
            Self::Shelved { alarm, length, by, why } => {
                write!(f, "{alarm} shelved for {length} by {by}{}", reason(why))
            }
            Self::Unshelved { alarm, by } => write!(f, "shelf of {alarm} ended {}", by_whom(by.as_ref())),
            Self::Suppressed { alarm } => write!(f, "{alarm} suppressed by work"),
            Self::Unsuppressed { alarm, work } if work.is_empty() => {
                write!(f, "{alarm} no longer suppressed")
            }
            Self::Unsuppressed { alarm, work } => {
                write!(f, "{alarm} no longer suppressed, its delay begins anew after {work}")
            }
            Self::TakenOut { alarm, by, why } => {
                write!(f, "{alarm} taken out of service by {by}{}", reason(why))
            }
            Self::PutBack { alarm, by } => write!(f, "{alarm} put back into service by {by}"),
            Self::CallBegan { policy, purpose, code, hold } => {
                write!(f, "call-out {policy} began ({purpose}), code {code}")?;
                if hold.0 > 0 { write!(f, ", held for {hold}") } else { Ok(()) }
            }
            Self::Joined { call, alarm, .. } => write!(f, "{alarm} is part of call-out {call}"),
            Self::Stepped { call, step } => write!(f, "call-out {call}: step {}", step + 1),
            Self::Paged { target, purpose, headline, also, .. } => {
                write!(f, "page to {target} ({}): {headline}", purpose.towards(target))?;
                match also.as_slice() {
                    [] => Ok(()),
                    also => write!(f, "; tells of {} more call-outs", also.len()),
                }
            }
            Self::Skipped { target, why, .. } => write!(f, "{target} not asked: {why}"),
            Self::Delivered { page, result } => write!(f, "page {page} {result}"),
            Self::Answered { call, by, lease } => {
                write!(f, "call-out {call} answered by {by}, holds for {lease}")
            }
            Self::Ticked { call, step, done, by } => {
                let done = if *done { "done" } else { "not done after all" };
                write!(f, "call-out {call}, {done} by {by}: {step}")
            }
            Self::HandedOn { call, by } => {
                write!(f, "call-out {call} handed on by {by}: the next one is called")
            }
            Self::Hushed { siren, length, by } => write!(f, "{siren} is silent for {length}, by {by}"),
            Self::Resumed { call, why } => write!(f, "call-out {call} goes on: {why}"),
            Self::CallEnded { call } => write!(f, "call-out {call} ended"),
            Self::CallChanged { call, change } => write!(f, "call-out {call}: {change}"),
            Self::Refused { what, why, by } => write!(f, "refused: {what}, asked by {by}: {why}"),
            Self::WorkBegan { tank, work, length, by } => {
                write!(f, "{work} on {tank} began, for {length}, by {by}")
            }
            Self::WorkEnded { tank, work, by } => {
                write!(f, "{work} on {tank} ended {}", by_whom(by.as_ref()))
            }
            Self::SilencePlanned { length, why, by } => {
                write!(f, "a silence of {length} planned by {by}{}", reason(why))
            }
            Self::SilenceEnded { by } => write!(f, "the planned silence taken back by {by}"),
            Self::SiteChanged { site, change, by } => write!(f, "site {site} {change}, by {by}"),
            Self::Switched { relay, on, attempt, why, .. } => {
                write!(f, "{relay} switched {}, attempt {attempt}{}", on_off(*on), reason(why))
            }
            Self::Withheld { relay, on, why, .. } => {
                write!(f, "{relay} wanted {}, NOT switched{}", on_off(*on), reason(why))
            }
            Self::Held { relay, why, .. } => write!(f, "{relay} stays as it is{}", reason(why)),
            Self::ByHand { relay, shows, why, .. } => {
                let (shown, told) = (on_off(*shows), on_off(!*shows));
                write!(f, "{relay} shows {shown} after it was proved {told}, left alone{}", reason(why))
            }
            Self::Released { relay, why, .. } => write!(f, "{relay} left as it stands{}", reason(why)),
            Self::Proved { relay, after, .. } => write!(f, "{relay} proved after {after}"),
            Self::NotProved { relay, why, unknown: false, .. } => write!(f, "{relay} NOT proved: {why}"),
            Self::NotProved { relay, why, unknown: true, .. } => {
                write!(f, "{relay} NOT proved, not known whether it obeyed: {why}")
            }
            Self::CommandKept { relay, topic, payload } => {
                write!(
                    f,
                    "the broker keeps the command {payload:?} for {relay}, which a device that connects "
                )?;
                write!(f, "would obey; to clear it, publish an empty retained message on {topic}")
            }
            Self::Drill(drilled) => drilled.fmt(f),
        }
    }
}

/// As commands and records say it.
pub(crate) fn on_off(on: bool) -> &'static str {
    if on { "on" } else { "off" }
}
