//! The watch of a house: the real program, or the very same code in this process, on clocks that
//! can be set and a board that can be rebooted.

use crate::agent::{Agent, Home};
use slackwater::clock::{Clock, Steering};
use slackwater::event_loop::{self, Parts};
use slackwater::settings::Environment;
use slackwater::site::SiteFiles;
use slackwater_rules::time::Span;
use std::sync::Arc;
use std::thread::JoinHandle;
use tokio::sync::oneshot;

/// A watch that runs.
pub enum Watch {
    /// A process.
    Program(Agent),
    /// A thread.
    Here(Here),
}

/// A watch in this process.
pub struct Here {
    end: Option<oneshot::Sender<End>>,
    thread: Option<JoinHandle<()>>,
}

/// How it ends.
enum End {
    InGoodOrder,
    /// The plug is pulled.
    AtOnce,
}

impl Here {
    /// Starts it on a board of this name.
    ///
    /// # Panics
    /// On a thread of its own, when the watch can't be started.
    pub fn start(home: &Home, clock: Arc<Steering>) -> Self {
        let environment: Environment = home.variables().iter().cloned().collect();
        let config = home.path("agent.toml");
        let (end, ended) = oneshot::channel();
        let steered = Clock::steered(clock);
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
            let runtime = runtime.expect("a runtime");
            runtime.block_on(async move {
                // As the program starts: a file that is being written is no reason not to watch.
                let site = SiteFiles::load_sound(&config, &environment).expect("a site");
                let (stop, stopped) = oneshot::channel::<()>();
                let until = Box::pin(async move {
                    let _ = stopped.await;
                    "the test is over"
                });
                let parts = Parts { config, site, environment, clock: steered, onlooker: None, until };
                let mut running = Box::pin(event_loop::run(parts));
                tokio::select! {
                    result = &mut running => panic!("the watch ended by itself: {result:?}"),
                    end = ended => match end {
                        Ok(End::InGoodOrder) => {
                            stop.send(()).expect("it listens");
                            running.await.expect("a good end");
                        }
                        Ok(End::AtOnce) | Err(_) => {}
                    },
                }
            });
            runtime.shutdown_background();
        });
        Self { end: Some(end), thread: Some(thread) }
    }

    fn end(mut self, how: End) {
        // It has ended by itself if nobody listens, and its thread says why.
        let _ = self.end.take().map(|end| end.send(how));
        if let Some(thread) = self.thread.take() {
            thread.join().expect("the watch ran well");
        }
    }
}

impl Watch {
    /// Whether it has ended by itself, which it never should; and how.
    pub fn has_ended(&mut self) -> Option<String> {
        match self {
            Self::Program(agent) => agent.has_ended().map(|status| status.to_string()),
            Self::Here(here) => {
                let over = here.thread.as_ref().is_none_or(JoinHandle::is_finished);
                over.then(|| "its thread is over".to_owned())
            }
        }
    }

    /// Ends it in good order.
    pub fn terminate(self) {
        match self {
            Self::Program(agent) => agent.terminate(),
            Self::Here(here) => here.end(End::InGoodOrder),
        }
    }

    /// The plug is pulled.
    pub fn kill(self) {
        match self {
            Self::Program(agent) => agent.kill(),
            Self::Here(here) => here.end(End::AtOnce),
        }
    }
}

/// Ten years.
pub const YEARS: Span = Span::hours(87_660);
