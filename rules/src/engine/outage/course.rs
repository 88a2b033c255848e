//! What an outage drill of one alarm has to wait for, and how long each of it may take: worked out
//! from the plan.

use crate::plan::{Alarm, Plan};
use crate::time::Span;
use serde::{Deserialize, Serialize};

/// The hazard whose alarm is drilled if none is named.
const POWER_LOST: &str = "power-lost";

/// For a broker, a commit, a page's way to its server, beyond what the plan itself allows.
pub(super) const SLACK: Span = Span::seconds(5);

/// A first page takes no longer than this, in whatever trouble.
const FIRST_PAGE: Span = Span::seconds(90);

/// The plug is out for no longer than this.
pub(super) const LONGEST: Span = Span::minutes(10);

/// What an outage drill of one alarm has to wait for. Spans count from the plug out, or in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// The site.
    pub site: String,
    /// The tank, or the site.
    pub place: String,
    /// The alarm.
    pub alarm: String,
    /// Its sensors say it within this.
    pub seen: Span,
    /// It is raised within this.
    pub raised: Span,
    /// What it switches, in words: none if it has no stopgap.
    pub relay: Option<String>,
    /// The command goes out within this.
    pub commanded: Span,
    /// It is confirmed within this; none if the relay has no proof.
    pub confirmed: Option<Span>,
    /// A channel takes the first page within this.
    pub paged: Span,
    /// Someone answers within this.
    pub answered: Span,
    /// The condition has gone for so long before the alarm returns.
    pub off_delay: Span,
    /// It has returned to normal within this of the plug in.
    pub returned: Span,
    /// The all-clear goes out within this of the plug in.
    pub all_clear: Span,
}

impl Course {
    /// Of the alarm of this name, or else of the one that power loss raises.
    ///
    /// # Errors
    /// If there is no such alarm, or nobody is called by it; with words for a person.
    pub fn of(plan: &Plan, alarm: Option<&str>) -> Result<Self, String> {
        let by_power = |alarm: &&Alarm| alarm.hazard == Some(POWER_LOST) || alarm.name == POWER_LOST;
        let found = match alarm {
            Some(name) => {
                plan.alarm_named(name).map(|id| plan.alarm(id)).ok_or_else(|| plan.no_alarm(name))?
            }
            None => plan.alarms.iter().find(by_power).ok_or_else(|| {
                format!("no alarm is made from the hazard {POWER_LOST}: name one; {}", plan.alarm_names())
            })?,
        };
        let Some(callout) = found.callout.map(|id| plan.callout(id)) else {
            return Err(format!("{} calls nobody: an outage of it can't be drilled", found.name));
        };
        let sensors = found.condition.sensors();
        let every = sensors.iter().map(|id| plan.sensor(*id).every).max().unwrap_or(Span::ZERO);
        let seen = every + SLACK;
        let raised = seen + found.on_delay + SLACK;
        let relay = found.stopgap.map(|stopgap| (stopgap, plan.relay(stopgap.relay)));
        let commanded = raised + SLACK;
        let proof = relay.and_then(|(_, relay)| relay.proof.as_ref());
        let last = callout.steps.last().map_or(Span::ZERO, |step| step.after);
        let returned = every + found.off_delay + SLACK;
        Ok(Self {
            site: plan.site.clone(),
            place: plan.place(found.tank).to_owned(),
            alarm: found.name.clone(),
            seen,
            raised,
            relay: relay
                .map(|(stopgap, relay)| format!("{} {}", relay.name, if stopgap.on { "on" } else { "off" })),
            commanded,
            confirmed: proof.map(|proof| commanded + proof.within + SLACK),
            paged: raised + FIRST_PAGE,
            answered: (raised + last + callout.again).min(LONGEST),
            off_delay: found.off_delay,
            returned,
            all_clear: returned + slowest_consequence(plan, &found.name) + callout.settle + SLACK,
        })
    }

    /// The plug is put back after this at the latest.
    pub fn longest(&self) -> Span {
        LONGEST
    }
}

/// The call-out lasts until what followed has returned too.
fn slowest_consequence(plan: &Plan, alarm: &str) -> Span {
    let Some(id) = plan.alarm_named(alarm) else { return Span::ZERO };
    let explained = |other: &&Alarm| other.consequence_of.contains(&id);
    plan.alarms.iter().filter(explained).map(|other| other.off_delay).max().unwrap_or(Span::ZERO)
}
