//! What the call-outs ask of the rest of the watch: the plan's ladders, who can be reached at this
//! time of day, what explains what, and what the forecasts say.

use crate::callout::Call;
use crate::callout::facts::{Block, Facts, MayBeAkin};
use crate::callout::ladder::Ladder;
use crate::engine::context::Context;
use crate::ids::{AlarmId, CalloutId, SensorId, Seq};
use crate::plan::{ChannelKind, Hours, Sight, SirenLimits, Target};
use crate::time::{Moment, Span};
use std::collections::BTreeSet;

/// The facts of one call-out.
pub(super) struct Known<'a> {
    pub(super) cx: &'a Context<'a>,
    /// All that it tells of is channels that fail.
    pub(super) about_channels: bool,
}

impl<'a> Known<'a> {
    pub(super) fn of(cx: &'a Context<'a>, call: &Call) -> Self {
        Self { cx, about_channels: cx.is_about_channels(call) }
    }

    /// Of an alarm that begins a call-out of its own.
    pub(super) fn of_alarm(cx: &'a Context<'a>, alarm: &str) -> Self {
        Self { cx, about_channels: cx.channel_of(alarm).is_some() }
    }

    fn names<'i>(&self, ids: impl IntoIterator<Item = &'i AlarmId>) -> Vec<&str> {
        ids.into_iter().map(|id| self.cx.plan.alarm(*id).name.as_str()).collect()
    }

    fn quiet(&self, ladder: &str) -> Option<Hours> {
        let at = self.cx.plan.callouts.iter().position(|callout| callout.name == ladder)?;
        self.cx.plan.callouts.get(CalloutId(at as u32).index())?.quiet
    }

    /// The alarm of an open episode.
    fn alarm_of(&self, episode: Seq) -> Option<&'a str> {
        self.cx.callouts.alarm_of(episode)
    }
}

impl Facts for Known<'_> {
    fn ladder(&self, name: &str) -> Option<&Ladder> {
        self.cx.index.ladders.get(name)
    }

    fn people(&self, ladder: &str, rung: u32) -> Vec<Target> {
        let step = self.cx.policy(ladder).and_then(|policy| policy.steps.get(rung as usize));
        step.map(|step| self.cx.asked(step))
            .unwrap_or_default()
            .into_iter()
            .map(|(target, _)| target)
            .collect()
    }

    fn block(&self, target: &Target) -> Option<Block> {
        if self.about_channels && self.cx.is_failing(target) {
            return Some(Block::Shut);
        }
        if !self.cx.plan.directory.channels.contains_key(target) {
            return Some(Block::Gone);
        }
        // Somebody of whom nothing more is known is always there.
        let contact = self.cx.plan.directory.contacts.get(target.contact.as_ref()?)?;
        if !self.cx.now.wall_trusted {
            return None;
        }
        let civil = self.cx.civil();
        if contact.absence_at(civil).is_some() {
            return Some(Block::Away);
        }
        let outside = if contact.never_woken { Block::Never } else { Block::Hours };
        (!contact.in_hours(civil.time())).then_some(outside)
    }

    fn siren(&self, siren: &Target) -> SirenLimits {
        self.cx.plan.directory.siren(siren)
    }

    fn ways_to_ask(&self, who: &str) -> Vec<Target> {
        self.ways(who).into_iter().filter(|target| self.block(target).is_none()).collect()
    }

    fn ways(&self, who: &str) -> Vec<Target> {
        let ways = self.cx.plan.directory.channels_of(who).filter(|(_, kind)| *kind != ChannelKind::Siren);
        ways.map(|(target, _)| target.clone()).collect()
    }

    fn is_away(&self, who: &str) -> bool {
        let contact = self.cx.plan.directory.contacts.get(who);
        self.cx.now.wall_trusted
            && contact.is_some_and(|contact| contact.absence_at(self.cx.civil()).is_some())
    }

    fn causes(&self, effect: &str) -> Vec<&str> {
        let causes = self.cx.alarm(effect).map(|id| self.cx.index.causes.list(id.index()));
        self.names(causes.into_iter().flatten())
    }

    fn effects(&self, cause: &str) -> Vec<&str> {
        let effects = self.cx.alarm(cause).map(|id| self.cx.index.effects.list(id.index()));
        self.names(effects.into_iter().flatten())
    }

    fn expected(&self, effect: &str) -> Vec<&str> {
        let expected = self.cx.alarm(effect).map(|id| &self.cx.plan.alarm(id).expected);
        self.names(expected.into_iter().flatten())
    }

    fn hidden(&self, sight: &str) -> Vec<&str> {
        let Some(id) = self.cx.alarm(sight) else { return Vec::new() };
        match &self.cx.plan.alarm(id).sight {
            Some(sight @ (Sight::Sensor(_) | Sight::Gateway(_))) => {
                let needs =
                    |id: &AlarmId, sensor| self.cx.plan.alarm(*id).condition.sensors().contains(&sensor);
                let users = |sensor: SensorId| {
                    let users = self.cx.index.users.list(sensor.index()).iter();
                    users.filter(move |id| needs(id, sensor))
                };
                let hidden: BTreeSet<&AlarmId> =
                    self.cx.index.carried_by(sight).iter().flat_map(|id| users(*id)).collect();
                self.names(hidden)
            }
            // What comes from the broker is too much to be one alarm's sight.
            Some(Sight::Broker | Sight::Part(_)) | None => Vec::new(),
        }
    }

    fn akin(&self, one: &str, other: &str) -> bool {
        let (Some(one), Some(other)) = (self.cx.alarm(one), self.cx.alarm(other)) else { return false };
        let fails = |id| self.cx.plan.alarm(id).channel().is_some();
        (fails(one) && fails(other)) || self.cx.is_one_loss(one, other)
    }

    fn may_be_akin(&self, alarm: &str) -> MayBeAkin<'_> {
        let Some(id) = self.cx.alarm(alarm) else { return MayBeAkin::These(Vec::new()) };
        let of = self.cx.plan.alarm(id);
        if of.channel().is_some() {
            return MayBeAkin::All;
        }
        match of.is_loss_of_sight().then(|| self.cx.may_be_one_loss(id)) {
            None => MayBeAkin::These(Vec::new()),
            Some(Some(these)) => {
                MayBeAkin::These(these.into_iter().map(|id| self.cx.plan.alarm(id).name.as_str()).collect())
            }
            Some(None) => MayBeAkin::All,
        }
    }

    fn may_wait_until(&self, alarm: &str) -> Option<Moment> {
        self.cx.may_wait_until(self.cx.alarm(alarm)?)
    }

    fn about_to_raise(&self, alarm: &str) -> Option<Moment> {
        self.cx.about_to_raise(self.cx.alarm(alarm)?)
    }

    fn on_delay(&self, alarm: &str) -> Span {
        self.cx.alarm(alarm).map_or(Span::ZERO, |id| self.cx.plan.alarm(id).on_delay)
    }

    fn quiet_until(&self, ladder: &str) -> Option<Moment> {
        let quiet = self.quiet(ladder)?;
        let civil = self.cx.civil();
        if !self.cx.now.wall_trusted || !quiet.cover(civil.time()) {
            return None;
        }
        let day = if civil.time() < quiet.until { civil.date() } else { civil.date().tomorrow().ok()? };
        self.cx.moment_of(day.to_datetime(quiet.until))
    }

    fn time_to_respond(&self, alarm: &str) -> Option<Span> {
        self.cx.plan.alarm(self.cx.alarm(alarm)?).time_to_respond
    }

    fn harm_from(&self, episode: Seq) -> Option<Moment> {
        self.cx.harm_from(self.alarm_of(episode)?, false)
    }

    fn deadly_from(&self, episode: Seq) -> Option<Moment> {
        self.cx.harm_from(self.alarm_of(episode)?, true)
    }

    fn dark_from(&self) -> Option<Moment> {
        self.cx.dark_from()
    }

    fn has_listened(&self) -> bool {
        let started = self.cx.sensors.started();
        let ids = (0..).map(SensorId).take(self.cx.plan.sensors.len());
        let used = ids.filter(|id| !self.cx.index.users.list(id.index()).is_empty());
        used.into_iter().all(|id| self.cx.sensors.heard(id) > started)
    }
}
