//! A fleet's two ends beside the loop: this site's records on their way out, and the journal of
//! those whom it watches. What was kept and whom the plan watches flows in; how they are flows out.

use crate::checkin::WayHealth;
use crate::clock::Clock;
use crate::events::EventSender;
#[cfg(feature = "fleet")]
use crate::events::FleetReceiver;
use crate::settings::Settings;
use slackwater_rules::plan::Plan;
use slackwater_rules::record::Seq;

/// Both are there only if the settings say so.
#[derive(Debug, Default)]
pub(super) struct FleetEnds {
    out: Option<EventSender>,
    #[cfg(feature = "fleet")]
    kept: Option<FleetReceiver>,
}

impl FleetEnds {
    /// Begins both. What can't be begun is said, and goes without.
    pub(super) fn start(settings: &Settings, plan: &Plan, clock: &Clock) -> Self {
        let mut ends = Self::default();
        ends.start_out(settings, clock);
        ends.start_kept(settings, plan);
        ends
    }

    /// Begins to tell this site's records, if it should.
    pub(super) fn start_out(&mut self, settings: &Settings, clock: &Clock) {
        let Some(check_in) = settings.check_in.as_ref().filter(|_| settings.events.is_some()) else { return };
        match EventSender::start(check_in, &settings.places.journal.path, clock) {
            Ok(out) => self.out = out,
            Err(why) => tracing::error!("[events]: {why}"),
        }
    }

    /// Begins to keep what watched sites tell, if it should.
    #[cfg(feature = "fleet")]
    pub(super) fn start_kept(&mut self, settings: &Settings, plan: &Plan) {
        let Some(fleet) = &settings.fleet else { return };
        match FleetReceiver::start(fleet, &settings.broker, plan) {
            Ok(kept) => self.kept = Some(kept),
            Err(why) => tracing::error!("[fleet]: {why}"),
        }
    }

    /// Without the feature there are no such settings.
    #[cfg(not(feature = "fleet"))]
    #[expect(clippy::unused_self, reason = "with the feature it begins")]
    pub(super) fn start_kept(&mut self, _settings: &Settings, _plan: &Plan) {}

    /// Other sites are watched, or by other keys.
    pub(super) fn adopt(&self, plan: &Plan) {
        #[cfg(feature = "fleet")]
        self.kept.iter().for_each(|kept| kept.adopt(plan));
        #[cfg(not(feature = "fleet"))]
        let _ = plan;
    }

    /// Records up to this number may be in the journal.
    pub(super) fn note(&self, newest: Seq) {
        self.out.iter().for_each(|out| out.note(newest));
    }

    /// The watch is being stopped, and this was its last record.
    pub(super) async fn farewell(&mut self, last: Seq) {
        if let Some(out) = self.out.take() {
            out.farewell(last).await;
        }
    }

    /// How this site's records get out.
    pub(super) fn health_out(&self) -> Option<WayHealth> {
        self.out.as_ref().map(EventSender::health)
    }

    /// How the journal of a fleet is that is kept here.
    #[cfg(feature = "fleet")]
    pub(super) fn health_kept(&self) -> Option<Result<(), String>> {
        self.kept.as_ref().map(FleetReceiver::health)
    }

    /// None is.
    #[cfg(not(feature = "fleet"))]
    #[expect(clippy::unused_self, reason = "with the feature there may be one")]
    pub(super) fn health_kept(&self) -> Option<Result<(), String>> {
        None
    }
}
