//! Keys as people read them: alarms, tanks, people and times of a review.

use crate::review::{Episode, Stamp};
use jiff::tz::TimeZone;
use slackwater_rules::plan::{Alarm, Plan, TankId};
use slackwater_rules::record::{Body, Seq};
use slackwater_rules::time::Span;
use slackwater_rules::words::{capital, without_place};

pub(super) struct ReportNames<'n> {
    pub(super) plan: &'n Plan,
    pub(super) zone: &'n TimeZone,
    pub(super) site: &'n str,
}

impl ReportNames<'_> {
    pub(super) fn alarm(&self, name: &str) -> Option<&Alarm> {
        Some(self.plan.alarm(self.plan.alarm_named(name)?))
    }

    pub(super) fn tank(&self, alarm: &str) -> Option<TankId> {
        self.alarm(alarm)?.tank
    }

    /// `Lagoon: the return pump moves no water`
    pub(super) fn what(&self, episode: &Episode) -> String {
        let alarm = self.alarm(&episode.alarm);
        let title = alarm.map_or_else(|| episode.alarm.replace('-', " "), |alarm| alarm.title.clone());
        let place =
            alarm.map_or_else(|| episode.place.clone(), |alarm| self.plan.title(alarm.tank).to_owned());
        let title = without_place(&title, &place);
        if place == self.site { capital(title) } else { format!("{}: {title}", capital(&place)) }
    }

    pub(super) fn person(&self, who: &str) -> String {
        let known = self.plan.directory.contacts.get(who);
        known.map_or_else(|| who.to_owned(), |contact| contact.name.clone())
    }

    /// `Ines`, `mail`
    pub(super) fn target(&self, to: &str) -> (String, String) {
        match to.split_once('.') {
            Some((who, way)) => (self.person(who), way.replace('-', " ")),
            None => ("the house".to_owned(), to.replace('-', " ")),
        }
    }

    /// Why people were asked again, with people's and alarms' names.
    pub(super) fn why_again(&self, call: Seq, why: &str) -> String {
        match (Body::Resumed { call, why: why.to_owned() }).titled(self.plan) {
            Body::Resumed { why, .. } => why,
            _ => why.to_owned(),
        }
    }

    pub(super) fn relay(&self, name: &str) -> String {
        let relay = self.plan.relays.iter().find(|relay| relay.name == name);
        relay.map_or_else(|| name.replace('-', " "), |relay| relay.title.clone())
    }

    pub(super) fn day(&self, stamp: &Stamp) -> String {
        self.form(stamp, "%-d %B %Y")
    }

    /// `Tue 13 Oct 01:10`
    pub(super) fn time(&self, stamp: &Stamp) -> String {
        self.form(stamp, "%a %-d %b %H:%M")
    }

    /// The time of day alone where the day is the same.
    pub(super) fn time_on(&self, stamp: &Stamp, day: &Stamp) -> String {
        let date = |stamp: &Stamp| stamp.unix_ms.civil(self.zone).date();
        self.form(stamp, if date(stamp) == date(day) { "%H:%M" } else { "%a %-d %b %H:%M" })
    }

    fn form(&self, stamp: &Stamp, form: &str) -> String {
        let doubt = if stamp.clock_trusted { "" } else { " (clock not set)" };
        format!("{}{doubt}", stamp.unix_ms.civil(self.zone).strftime(form))
    }
}

/// In whole minutes, from one on.
pub(super) fn minutes(span: Span) -> Span {
    if span < Span::minutes(1) { span } else { Span(span.0 / 60_000 * 60_000) }
}
