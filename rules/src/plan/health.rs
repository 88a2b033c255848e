//! The agent's own health is alarms too: one for each part of it that can fail while the watch
//! goes on. The plan adds them, the agent says what is wrong with its parts, and what follows
//! is an alarm's usual life: raised once, told until a person answers, told again when it is
//! over, never once an attempt.

use super::alarm::{self, Explained, PRIORITIES, Read};
use super::context::CheckContext;
use super::{Alarm, Callout, CalloutId, Sight, Target};
use crate::alarm::Priority;
use crate::card::Card;
use crate::condition::{Condition, Test};
use crate::diagnostic::{Item, Table};
use crate::site::Part;
use crate::time::Span;
use crate::units::QuantityItem as _;
use std::collections::BTreeSet;

/// What the names of these alarms begin with.
pub(crate) const HEALTH: &str = "health-";

impl Alarm {
    /// Whether the plan added it for readings that no longer come.
    pub(crate) fn is_for_lost_sight(&self) -> bool {
        match &self.sight {
            Some(Sight::Broker | Sight::Gateway(_) | Sight::Sensor(_)) => true,
            Some(Sight::Part(_)) | None => false,
        }
    }

    /// The same, but for the silence of a watched site: that is what is watched for, and no loss of
    /// sight.
    pub(crate) fn is_loss_of_sight(&self) -> bool {
        self.is_for_lost_sight() && self.watched.is_none()
    }

    /// The channel whose health it watches, if that is what the plan added it for.
    pub(crate) fn channel(&self) -> Option<&Target> {
        match &self.sight {
            Some(Sight::Part(Part::Channel(target))) => Some(target),
            Some(Sight::Part(Part::Journal | Part::Clock | Part::Settings | Part::Rules | Part::Mailbox)) => {
                None
            }
            Some(Sight::Broker | Sight::Gateway(_) | Sight::Sensor(_)) | None => None,
        }
    }
}

/// What the file says about the agent's own health.
#[derive(Default)]
pub(super) struct HealthRules {
    after: Option<Span>,
    priority: Option<Priority>,
    /// As the file says; as the most urgent of the keeper's alarms if it doesn't.
    callout: Option<Option<CalloutId>>,
}

/// The `[health]` table, or what holds without one.
pub(super) fn rules(table: Option<Table<'_>>, context: &CheckContext<'_>) -> HealthRules {
    let Some(table) = table else { return HealthRules::default() };
    let rules = HealthRules {
        after: table.get("after").and_then(Item::duration),
        priority: table.get("priority").and_then(|item| item.one_of(&PRIORITIES)),
        callout: table.get("callout").is_some().then(|| alarm::callout(&table, context)),
    };
    table.finish();
    rules
}

/// An alarm for each part, and for each channel of a person that some call-out uses.
pub(super) fn alarms<'a>(
    rules: &HealthRules,
    read: impl DoubleEndedIterator<Item = &'a Alarm>,
    callouts: impl IntoIterator<Item = &'a Callout>,
    has_mailbox: bool,
) -> Vec<Read> {
    let own = read.filter(|alarm| alarm.callout.is_some());
    // The first of the most urgent.
    let worst = own.rev().max_by_key(|alarm| alarm.priority);
    let Some(worst) = worst.map(|alarm| alarm.callout) else { return Vec::new() };
    let steps = callouts.into_iter().flat_map(|callout| &callout.steps);
    let targets: BTreeSet<&Target> = steps.flat_map(|step| &step.to).collect();
    // A siren is as well as the broker that carries it, which has an alarm of its own.
    let channels = targets.into_iter().filter(|target| target.contact.is_some()).cloned().map(Part::Channel);
    let parts = [Part::Journal, Part::Clock, Part::Settings, Part::Rules].into_iter();
    let parts = parts.chain(has_mailbox.then_some(Part::Mailbox)).chain(channels);
    parts.map(|part| build(rules, part, rules.callout.unwrap_or(worst))).collect()
}

fn build(rules: &HealthRules, part: Part, callout: Option<CalloutId>) -> Read {
    let name = format!("{HEALTH}{part}");
    let written = format!("{part} fails");
    let PartWords { title, after, priority, cause, consequence, response } = says(&part);
    let alarm = Alarm {
        name,
        title,
        tank: None,
        condition: Condition::Says(Test::Blind(Sight::Part(part.clone())), written.as_str().into()),
        written,
        worse: None,
        deadband: None,
        on_delay: rules.after.unwrap_or(after),
        off_delay: Span::ZERO,
        priority: rules.priority.unwrap_or(priority),
        latching: false,
        longest_shelf: None,
        cause: Some(cause.into()),
        consequence: Some(consequence.into()),
        response: Card::plain(response.iter().copied()),
        time_to_respond: None,
        callout,
        consequence_of: Vec::new(),
        expected: Vec::new(),
        stopgap: None,
        hazard: None,
        sight: Some(Sight::Part(part)),
        watched: None,
    };
    Read { alarm, explained: Explained::default() }
}

/// What is to be said of a part that fails.
struct PartWords {
    title: String,
    after: Span,
    priority: Priority,
    cause: &'static str,
    consequence: String,
    response: &'static [&'static str],
}

fn says(part: &Part) -> PartWords {
    // Long enough for a restart of whatever it is.
    let after = Span::minutes(2);
    match part {
        Part::Journal => PartWords {
            title: "the journal can't be kept".to_owned(),
            after,
            priority: Priority::Medium,
            cause: "the disk is full, can't be written, or loses data",
            consequence: "pages still go out, but a restart would forget what has happened since".to_owned(),
            response: &[
                "Look at what `slackwater status` says of the journal.",
                "Make room, or replace the card: one that has begun to fail gets worse.",
            ],
        },
        Part::Clock => PartWords {
            title: "the watch's clock is not set".to_owned(),
            // After a power cut the network may need its time.
            after: Span::minutes(30),
            priority: Priority::Low,
            cause: "no time server can be reached, or the board has no battery clock",
            consequence:
                "times on pages may be wrong, hours and holidays of people are left out of account, \
                          certificates may seem invalid"
                    .to_owned(),
            response: &["See whether the board has a network, and whether its time service runs."],
        },
        Part::Settings => PartWords {
            title: "part of the set-up can't be used".to_owned(),
            after,
            priority: Priority::Low,
            cause: "a file has a mistake in it or can't be read, or a place can't be written",
            consequence: "the watch goes on with what is sound, and with the old rules if those are broken"
                .to_owned(),
            response: &["Run `slackwater check`, mend what it names, and reload."],
        },
        Part::Rules => PartWords {
            title: "rules chase each other".to_owned(),
            after,
            priority: Priority::Medium,
            cause: "an alarm whose condition follows from what its own relay does, or two that switch one relay",
            consequence: "the watch goes on bit by bit, so alarms and pages may come late".to_owned(),
            response: &[
                "Look at what `slackwater log` shows again and again.",
                "Give those alarms an on-delay and an off-delay, or the relay a longer `pause`, and reload.",
            ],
        },
        Part::Mailbox => PartWords {
            title: "answers by mail don't arrive".to_owned(),
            after: Span::minutes(10),
            priority: Priority::Medium,
            cause: "the mailbox's server, its password, its certificate or the network",
            consequence: "whoever replies to a page by mail is not heard, and others are called".to_owned(),
            response: &[
                "Look at what `slackwater status` says of the mailbox, and mend it.",
                "Until then answer by text, by the topic, or with `slackwater ack`.",
            ],
        },
        Part::Channel(target) => PartWords {
            title: format!("nobody is reached by {target}"),
            // After a power cut the router and its provider need theirs.
            after: Span::minutes(10),
            priority: Priority::Medium,
            cause: "its server, its password, its certificate or the network",
            consequence: format!("nobody is reached by {target}"),
            response: &[
                "Look at what `slackwater status` says of this channel, and mend it.",
                "Try it with `slackwater drill`.",
            ],
        },
    }
}
