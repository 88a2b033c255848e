//! The last day of every sensor, for the strips and small lines of Now: read from the journal at
//! most once a minute while somebody looks, and every ten minutes while nobody does, so that
//! whoever comes waits for nothing.

use super::house::House;
use crate::journal::{JournalLog, StepSaid};
use crate::seen::water_of;
use slackwater_rules::plan::{Plan, SensorId, TankId};
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// A point of a strip.
pub(super) const STEP: Span = Span::minutes(10);
/// How far back strips go.
pub(super) const BACK: Span = Span::hours(24);

/// So old it may be while somebody looks …
const FRESH: Span = Span::minutes(1);
/// … and what is older than this is waited for.
const OLD: Span = Span::minutes(20);

/// Reading takes no more than this part of the time …
const SHARE: u32 = 20;
/// … and beside the tanks' water no more sensors than this are read.
const MOST: usize = 64;

/// While nobody looks it is read anew after this.
const WARM: Duration = Duration::from_secs(600);
/// At the start the watch has other things to do.
const FIRST_WARM: Duration = Duration::from_secs(3);

/// What sensors have said.
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
    /// How long reading it took.
    took: Duration,
    waters: Arc<Waters>,
}

impl LastDay {
    /// So long it is as good as new.
    fn fresh_for(&self) -> Span {
        FRESH.max(Span(i64::try_from((self.took * SHARE).as_millis()).unwrap_or(FRESH.0)))
    }
}

/// Keeps the day at hand for whoever comes.
pub(super) async fn keep_warm(house: Arc<House>) {
    tokio::time::sleep(FIRST_WARM).await;
    loop {
        if let Some(seen) = house.seen().await {
            house.waters(&seen.look.plan, seen.look.view.at.wall).await;
        }
        tokio::time::sleep(WARM).await;
    }
}

impl House {
    /// The day until now. What is a little old is shown, and read anew behind it.
    pub(super) async fn waters(self: &Arc<Self>, plan: &Arc<Plan>, now: Wall) -> Arc<Waters> {
        let known = self.history.known.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let known = known.filter(|known| known.sensors == plan.sensors.len());
        match known {
            Some(known) if now - known.at < known.fresh_for() && known.at <= now => known.waters,
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
        let begun = Instant::now();
        let read = self.journal(move |log| {
            let since = Wall((now - BACK).0.div_euclid(STEP.0) * STEP.0);
            let tanks = (0..).map(TankId).take(plan.tanks.len());
            let waters: Vec<SensorId> = tanks.filter_map(|tank| water_of(&plan, tank)).collect();
            let others = (0..).map(SensorId).take(plan.sensors.len()).filter(|id| !waters.contains(id));
            waters
                .iter()
                .copied()
                .chain(others.take(MOST))
                .map(|id| Ok((id, log.bars(&plan.sensor(id).name, since, now, STEP)?)))
                .collect::<Result<Waters, crate::journal::JournalError>>()
        });
        let waters = Arc::new(read.await.unwrap_or_default());
        let fresh = LastDay { at: now, sensors, took: begun.elapsed(), waters: Arc::clone(&waters) };
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
