//! The last day of every tank's water, for the strips: read from the journal at most once a minute,
//! and only while somebody looks.

use super::house::House;
use crate::journal::{JournalLog, StepSaid};
use crate::seen::water_of;
use slackwater_rules::plan::{Plan, SensorId, TankId};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// A point of a strip.
pub(super) const STEP: Span = Span::minutes(10);
/// How far back strips go.
pub(super) const BACK: Span = Span::hours(24);

/// So old it may be while somebody looks …
const FRESH: Span = Span::minutes(1);
/// … and what is older than this is waited for.
const OLD: Span = Span::minutes(20);

/// What thermometers have said.
pub(super) type Waters = BTreeMap<SensorId, Vec<StepSaid>>;

#[derive(Default)]
pub(super) struct History {
    known: Mutex<Option<LastDay>>,
    refreshing: tokio::sync::Mutex<()>,
}

#[derive(Clone)]
struct LastDay {
    at: Wall,
    sensors: usize,
    waters: Arc<Waters>,
}

impl House {
    /// The day until now. What is a little old is shown, and read anew behind it.
    pub(super) async fn waters(self: &Arc<Self>, plan: &Arc<Plan>, now: Wall) -> Arc<Waters> {
        let known = self.history.known.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let known = known.filter(|known| known.sensors == plan.sensors.len());
        match known {
            Some(known) if now - known.at < FRESH && known.at <= now => known.waters,
            Some(known) if now - known.at < OLD && known.at <= now => {
                let (house, plan) = (Arc::clone(self), Arc::clone(plan));
                tokio::spawn(async move { house.refresh(plan, now).await });
                known.waters
            }
            Some(_) | None => self.refresh(Arc::clone(plan), now).await,
        }
    }

    async fn refresh(self: &Arc<Self>, plan: Arc<Plan>, now: Wall) -> Arc<Waters> {
        // Whoever waits finds what the one before has read.
        let _alone = self.history.refreshing.lock().await;
        let known = self.history.known.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some(known) = known.filter(|known| known.at >= now && known.sensors == plan.sensors.len()) {
            return known.waters;
        }
        let sensors = plan.sensors.len();
        let read = self.journal(move |log| {
            let since = Wall((now - BACK).0.div_euclid(STEP.0) * STEP.0);
            let tanks = (0..).map(TankId).take(plan.tanks.len());
            let waters = tanks.filter_map(|tank| water_of(&plan, tank));
            waters
                .map(|id| Ok((id, log.bars(&plan.sensor(id).name, since, now, STEP)?)))
                .collect::<Result<Waters, crate::journal::JournalError>>()
        });
        let waters = Arc::new(read.await.unwrap_or_default());
        let fresh = LastDay { at: now, sensors, waters: Arc::clone(&waters) };
        *self.history.known.lock().unwrap_or_else(PoisonError::into_inner) = Some(fresh);
        waters
    }

    /// Reads the journal on a thread of its own, one reader at a time; says in the log why it
    /// can't.
    pub(super) async fn journal<T: Send + 'static>(
        &self,
        read: impl FnOnce(&JournalLog) -> Result<T, crate::journal::JournalError> + Send + 'static,
    ) -> Result<T, String> {
        let place = Arc::clone(&self.reading).acquire_owned().await.map_err(|error| error.to_string())?;
        let path = self.journal.clone();
        let task = tokio::task::spawn_blocking(move || {
            let _place = place;
            JournalLog::open(&path).and_then(|log| read(&log)).map_err(|error| error.to_string())
        });
        let read = task.await.unwrap_or_else(|error| Err(error.to_string()));
        if let Err(why) = &read {
            tracing::warn!("the page in the house can't read the journal: {why}");
        }
        read
    }
}
