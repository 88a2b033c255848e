//! The end in good order: what is on its way may still arrive, and what came of it is kept.

use super::{EventLoop, RunError};
use crate::channels::Channels;
use slackwater_rules::engine::Input;
use slackwater_rules::record::{Outcome, Seq};
use slackwater_rules::time::Span;
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::sync::mpsc;

/// The drain at the end: for the broker, and for pages on their way.
const DRAIN: Duration = Duration::from_secs(2);
const LAST_PAGES: Span = Span::seconds(10);

impl EventLoop {
    /// Ends in good order, within bounds: pages on their way may still arrive, and their fate is
    /// kept.
    pub(super) async fn close(
        mut self,
        ended: &Result<&'static str, RunError>,
        mut delivered: mpsc::UnboundedReceiver<(Seq, Outcome)>,
    ) {
        let why = match ended {
            Ok(why) => (*why).to_owned(),
            Err(trouble) => trouble.to_string(),
        };
        self.service.stopping(&why);
        self.take(Input::Stopping { why: why.clone() });
        self.finish();
        self.say_farewell(&why).await;
        self.roster.close(&mut self.keeper, &self.clock.now());
        let idle = Channels::start(BTreeMap::new(), &self.context, self.results.clone());
        std::mem::replace(&mut self.channels, idle).close(LAST_PAGES).await;
        while let Ok((page, outcome)) = delivered.try_recv() {
            self.take(Input::Delivered { page, outcome });
        }
        self.finish();
        self.handle.close(DRAIN).await;
        self.keeper.close(|| self.engine.horizon(), &self.clock.now());
    }
}
