//! The files read again while the watch goes on: a wrong one changes nothing, a right one keeps
//! the state of every alarm that it still names.

use super::{EventLoop, recollecting};
use crate::channels::Channels;
use crate::plain_text::beginning;
use crate::site::{SiteFiles, connection, last_good, register, subscriptions};
use crate::sources::RunningSources;
use slackwater_rules::record::Body;

/// Of what is wrong with files, so much goes to whoever asked and into the log …
const MOST_LINES: usize = 200;
const MOST_TEXT: usize = 16_000;
/// … and so much stands in `status` until the next reload, above all else that is to be seen there.
const SHOWN_LINES: usize = 12;
const SHOWN_TEXT: usize = 1_500;

impl EventLoop {
    /// Reads the files again, and says what came of it. What is wrong with them keeps the old
    /// plan in force; so does dropping an alarm that is open, unless it may be dropped.
    pub(super) fn reload(&mut self, may_drop: impl Fn(&str) -> bool) -> Result<String, String> {
        self.service.reloading();
        let read = SiteFiles::load(&self.config, &self.environment).map_err(|wrong| wrong.text);
        let read = read.and_then(|site| match self.engine.dropped_by(&site.plan) {
            gone if gone.iter().all(|alarm| may_drop(alarm)) => Ok(site),
            gone => Err(format!(
                "the new rule file drops what is open now: {}. `slackwater reload --yes` takes it all the same",
                gone.join(", ")
            )),
        });
        let read = read.and_then(|mut site| {
            // Check-ins go by the connection that they have until a restart, with its topics.
            match register(&site.plan, site.settings.outputs_within(&self.settings)) {
                (register, clashes) if clashes.is_empty() => {
                    site.outputs = register;
                    Ok(site)
                }
                (_, clashes) => Err(format!(
                    "beside the connections that this watch runs with: {}. A restart takes all of it",
                    clashes.join("; ")
                )),
            }
        });
        let result = match read {
            Ok(site) => Ok(self.adopt(site)),
            Err(text) => {
                // Thousands of mistakes are as wrong as the first ones.
                let rest = "`slackwater check` shows all of it";
                let text = beginning(&text, MOST_LINES, MOST_TEXT, rest);
                tracing::error!("the new files are not taken, the old plan stays in force:\n{text}");
                self.health.reload_refused = Some(beginning(&text, SHOWN_LINES, SHOWN_TEXT, rest));
                Err(text)
            }
        };
        self.service.ready("watching");
        result
    }

    pub(super) fn adopt(&mut self, mut site: SiteFiles) -> String {
        self.web.take_ways(&mut site.plan.directory.ways);
        self.health.reload_refused = None;
        last_good::keep_taken(
            &self.config,
            &self.settings.places.journal.path,
            std::mem::take(&mut site.taken),
        );
        let taken = self.settings.taken_at_once(&site.settings);
        self.settings.take_at_once(&site.settings);
        self.settings.places.rules.clone_from(&site.settings.places.rules);
        self.note_unusable(site.unusable);
        self.forget_changed_channels(&site.settings);
        self.texting.people = site.settings.numbers();
        self.answers.adopt(&site.settings);
        let filters = subscriptions(&site.settings, &site.plan);
        let now = self.clock.now();
        // What the old ones still had to say belongs to places in the old plan.
        self.sources = RunningSources::start(&site.plan, &site.settings.sources);
        self.health.sources.clear();
        self.outlet.adopt(site.outputs);
        let turn = self.engine.adopt(now, site.plan);
        self.fleet.adopt(self.engine.plan());
        if self.engine.wants_past().is_some() {
            // The newest readings are still in memory.
            self.keeper.flush(&now);
            recollecting::recollect(&mut self.engine, &self.settings.places.journal.path, &now);
        }
        // Of rules that are as they were nothing is said beside what did change.
        let says = |body: &Body| {
            taken.is_empty() || !matches!(body, Body::Reloaded { changes } if changes.is_empty())
        };
        let told = turn.records.iter().map(|record| &record.body).filter(|body| says(body));
        let mut said: Vec<_> = told.map(|body| body.in_words(self.engine.plan())).collect();
        if !taken.is_empty() {
            said.push(format!("changed in the agent's file, and taken: {}", taken.join(", ")));
        }
        // Pages in the old channels' hands are finished by them.
        self.channels = Channels::start(site.channels, &self.context, self.results.clone());
        self.gather(&now, turn);
        let heard = match self.settings.broker == site.settings.broker {
            true => self.handle.resubscribe(filters),
            false => self.handle.reconnect(connection(&site.settings.broker, filters)),
        };
        match heard {
            Ok(()) if self.settings.broker == site.settings.broker => {}
            Ok(()) => {
                self.settings.broker = site.settings.broker.clone();
                self.fleet.start_kept(&self.settings, self.engine.plan());
            }
            Err(wrong) => {
                let wrong: Vec<_> = wrong.iter().map(ToString::to_string).collect();
                tracing::error!("the broker stays as it was: {}", wrong.join("; "));
            }
        }
        let late = self.settings.restart_for(&site.settings);
        if !late.is_empty() {
            let text = format!("{} changed: that takes a restart of the agent", late.join(", "));
            tracing::warn!("{text}");
            said.push(text);
        }
        said.join("\n")
    }
}
