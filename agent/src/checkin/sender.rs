//! When a check-in is made, and the ways it goes. The loop comes here after each finished turn;
//! what is due, or has news that can't wait, is made, signed and handed to every way. A way has
//! one task, sends the newest only and has at most one underway, so that a line that was down for
//! hours carries one message when it is back. What becomes of a way is shown by `status`.

use super::jws::{MEDIA_TYPE, seal};
use crate::channels::Post;
use crate::clock::Clock;
use crate::mqtt::{self, Handle, MqttEvent};
use crate::plain_text::tame;
use crate::settings::CheckInSettings;
use ring::digest::{SHA256, digest};
use slackwater_rules::checkin::{CheckIn, CheckinFacts, VERSION};
use slackwater_rules::plan::CHECK_INS;
use slackwater_rules::record::{Outcome, Seq};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::fmt::Write;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// News go at once, but not more often than this.
const CALM: Span = Span::seconds(5);

/// So much is kept of what a server says.
const LONGEST_WHY: usize = 300;

/// A failed request is made again after this, unless there is a newer check-in by then.
const AGAIN: Duration = Duration::from_secs(15);

/// At the end, the last check-in has so long to get out.
const LAST: Duration = Duration::from_secs(2);

/// Which life of which watch speaks.
#[derive(Clone, Debug)]
pub struct Identity {
    /// The journal's own random number; only a digest of it is shown.
    pub seed: u64,
    /// The first record of this life.
    pub start: Seq,
    /// This running of the board.
    pub boot: String,
}

/// How a way has been lately.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WayHealth {
    /// When a check-in was last taken over.
    pub last_ok: Option<Wall>,
    /// What is wrong with it now.
    pub trouble: Option<String>,
}

/// The newest check-in, by its count; nothing before the first.
type Newest = watch::Receiver<(u64, Arc<str>)>;

/// A way, ready to be used.
#[derive(Debug)]
pub enum CheckInWay {
    /// A broker elsewhere.
    Broker(Box<mqtt::MqttSettings>),
    /// A web address.
    Post(Box<Post>),
}

/// The ways of the settings.
///
/// # Errors
/// All that is wrong with them.
pub fn ways(settings: &CheckInSettings) -> Result<Vec<CheckInWay>, Vec<String>> {
    let (mut ways, mut wrong) = (Vec::new(), Vec::new());
    if let Some(broker) = &settings.broker {
        let connection = crate::site::connection(broker, Vec::new());
        match connection.validate() {
            Ok(()) => ways.push(CheckInWay::Broker(Box::new(connection))),
            Err(errors) => wrong.extend(errors.iter().map(|error| format!("[check-in.broker]: {error}"))),
        }
    }
    if let Some(post) = &settings.post {
        match Post::new(post, MEDIA_TYPE) {
            Ok(post) => ways.push(CheckInWay::Post(Box::new(post))),
            Err(errors) => wrong.extend(errors.iter().map(|error| format!("[check-in.post]: {error}"))),
        }
    }
    if wrong.is_empty() { Ok(ways) } else { Err(wrong) }
}

struct Running {
    name: &'static str,
    health: Arc<Mutex<WayHealth>>,
    /// The count that it has got out.
    sent: watch::Receiver<u64>,
    task: JoinHandle<()>,
}

/// Makes check-ins and sends them.
pub struct CheckInSender {
    settings: CheckInSettings,
    identity: Identity,
    journal: String,
    count: u64,
    due: Moment,
    /// What the last one said that can't wait.
    said: Vec<String>,
    newest: watch::Sender<(u64, Arc<str>)>,
    ways: Vec<Running>,
}

impl CheckInSender {
    /// Starts the ways. The first check-in comes with the first finished turn.
    ///
    /// # Errors
    /// A connection that can't be begun; `check` finds it first.
    pub fn start(
        settings: CheckInSettings,
        ways: Vec<CheckInWay>,
        identity: Identity,
        clock: &Clock,
    ) -> Result<Self, String> {
        let (newest, listener) = watch::channel((0, Arc::from("")));
        let topic = format!("{CHECK_INS}{}", settings.name);
        let mut running = Vec::new();
        for way in ways {
            let health = Arc::<Mutex<WayHealth>>::default();
            let (done, sent) = watch::channel(0);
            let report = WayReport { health: Arc::clone(&health), clock: clock.clone(), done };
            let listener = listener.clone();
            let (name, task) = match way {
                CheckInWay::Broker(connection) => {
                    let (handle, events) = mqtt::spawn(*connection).map_err(|wrong| {
                        wrong.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
                    })?;
                    let way = over_broker(handle, events, topic.clone(), listener, report);
                    ("check-in by broker", tokio::spawn(way))
                }
                CheckInWay::Post(post) => {
                    ("check-in by request", tokio::spawn(over_http(*post, listener, report)))
                }
            };
            running.push(Running { name, health, sent, task });
        }
        let seed = [b"slackwater journal".as_slice(), &identity.seed.to_be_bytes()].concat();
        let mut journal = String::new();
        for byte in digest(&SHA256, &seed).as_ref().iter().take(8) {
            // Writing to a text can't fail.
            let _ = write!(journal, "{byte:02x}");
        }
        Ok(Self {
            settings,
            identity,
            journal,
            count: 0,
            due: Moment(i64::MIN),
            said: Vec::new(),
            newest,
            ways: running,
        })
    }

    /// When the next one is due.
    pub fn due(&self) -> Moment {
        self.due
    }

    /// A turn has ended: makes a check-in if one is due, or if the turn has news that can't wait.
    pub(crate) fn turn_finished<'a>(
        &mut self,
        now: &Now,
        has_records: bool,
        facts: impl FnOnce() -> CheckinFacts<'a>,
    ) {
        if now.mono < self.due && !has_records {
            return;
        }
        let check_in = self.make(now, &facts());
        let news = check_in.news();
        if now.mono < self.due {
            if news != self.said {
                // The last one was made when the next was a whole period away.
                let last = self.due - self.settings.every;
                self.due = self.due.min((last + CALM).max(now.mono));
            }
            if now.mono < self.due {
                return;
            }
        }
        self.said = news;
        self.due = now.mono + self.settings.every;
        self.send(check_in);
    }

    /// The watch is being stopped in good order: says so, and waits a little for it to get out.
    pub(crate) async fn farewell(mut self, now: &Now, facts: &CheckinFacts<'_>) {
        let last = self.make(now, facts);
        self.send(last);
        let count = self.count;
        for way in &mut self.ways {
            if way.health().trouble.is_none() {
                // What is not out by then is lost with the line.
                let _ = tokio::time::timeout(LAST, way.sent.wait_for(|sent| *sent >= count)).await;
            }
        }
        drop(self.newest);
        for way in self.ways {
            if tokio::time::timeout(LAST, way.task).await.is_err() {
                tracing::debug!("{} did not end in time", way.name);
            }
        }
    }

    /// How each way is.
    pub fn health(&self) -> Vec<(&'static str, WayHealth)> {
        let ended = |way: &Running| way.task.is_finished().then(|| "it has ended by itself".to_owned());
        let look = |way: &Running| {
            let health = way.health().clone();
            (way.name, WayHealth { trouble: ended(way).or(health.trouble), ..health })
        };
        self.ways.iter().map(look).collect()
    }

    fn make(&self, now: &Now, facts: &CheckinFacts<'_>) -> CheckIn {
        let blank = CheckIn {
            version: VERSION,
            site: self.settings.name.clone(),
            journal: self.journal.clone(),
            start: self.identity.start,
            count: self.count + 1,
            at: now.wall,
            at_trusted: now.wall_trusted,
            boot: self.identity.boot.clone(),
            next: self.settings.every,
            software: env!("CARGO_PKG_VERSION").to_owned(),
            mains: None,
            open: Vec::new(),
            more: 0,
            asks: false,
            sensors: (0, 0),
            readings: Vec::new(),
            troubles: Vec::new(),
            silence: None,
            dark: None,
        };
        facts.tell(self.settings.mains.as_deref(), self.settings.goes_dark.as_ref(), now, blank)
    }

    fn send(&mut self, check_in: CheckIn) {
        match serde_json::to_vec(&check_in) {
            Ok(body) => {
                self.count = check_in.count;
                let sealed = seal(&self.settings.key, &body);
                self.newest.send_replace((self.count, sealed.into()));
            }
            Err(error) => tracing::error!("a check-in can't be written: {error}"),
        }
    }
}

impl Running {
    fn health(&self) -> MutexGuard<'_, WayHealth> {
        self.health.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Where a way says how it fares.
struct WayReport {
    health: Arc<Mutex<WayHealth>>,
    clock: Clock,
    done: watch::Sender<u64>,
}

impl WayReport {
    fn well(&self, count: u64) {
        let mut health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        *health = WayHealth { last_ok: Some(self.clock.now().wall), trouble: None };
        self.done.send_replace(count);
    }

    fn trouble(&self, why: String) {
        let why = tame(&why, LONGEST_WHY);
        let mut health = self.health.lock().unwrap_or_else(PoisonError::into_inner);
        if health.trouble.as_ref() != Some(&why) {
            tracing::warn!(why, "check-ins don't get through");
            health.trouble = Some(why);
        }
    }
}

/// Until the sender is dropped, or the connection's own task has ended.
async fn over_broker(
    handle: Handle,
    mut events: mpsc::Receiver<MqttEvent>,
    topic: String,
    mut newest: Newest,
    report: WayReport,
) {
    report.trouble("not yet connected".to_owned());
    let (mut up, mut underway, mut last) = (false, None, 0);
    loop {
        let (count, sealed) = newest.borrow_and_update().clone();
        if up && underway.is_none() && count > last {
            match handle.publish(count, topic.clone(), sealed.as_bytes().to_vec(), false) {
                Ok(()) => (underway, last) = (Some(count), count),
                Err(why) => report.trouble(why.to_string()),
            }
        }
        tokio::select! {
            changed = newest.changed() => if changed.is_err() { break },
            event = events.recv() => match event {
                Some(MqttEvent::Up { .. }) => up = true,
                Some(MqttEvent::Down { why } | MqttEvent::PushedOut { why }) => {
                    up = false;
                    report.trouble(why);
                }
                Some(MqttEvent::Published { id }) => {
                    underway = None;
                    report.well(id);
                }
                Some(MqttEvent::Lapsed { .. }) => underway = None,
                Some(MqttEvent::Unpublished { why, .. }) => {
                    underway = None;
                    report.trouble(format!("the broker does not take it: {why}"));
                }
                // Its acknowledgement proves more than our own message does.
                Some(MqttEvent::Heard { .. } | MqttEvent::Deaf { .. } | MqttEvent::Refused { .. } | MqttEvent::Message(_)) => {}
                None => return report.trouble("the connection has ended".to_owned()),
            },
        }
    }
    handle.close(LAST).await;
}

/// Until the sender is dropped.
async fn over_http(post: Post, mut newest: Newest, report: WayReport) {
    let mut again = false;
    loop {
        let changed = tokio::select! {
            changed = newest.changed() => changed,
            () = tokio::time::sleep(AGAIN), if again => Ok(()),
        };
        if changed.is_err() {
            return;
        }
        let (count, sealed) = newest.borrow_and_update().clone();
        match post.send(sealed.to_string()).await {
            Outcome::Accepted { .. } => {
                again = false;
                report.well(count);
            }
            other => {
                again = true;
                report.trouble(other.trouble().unwrap_or_default());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checkin::{SiteKey, open};
    use crate::settings::Trust;
    use jiff::tz::TimeZone;
    use slackwater_rules::checkin::GoesDark;
    use slackwater_rules::engine::{Arrival, Engine, Input, Link, OperatorCommand};
    use slackwater_rules::plan::{Directory, Plan, Surroundings};
    use slackwater_rules::record::By;

    const RULES: &str = r#"
        [sensor.mains]
        topic = "house/mains"
        measures = "presence"
        on = ["on"]
        off = ["off"]
        every = "1 h"
        [alarm.power-lost]
        when = "mains is off"
        priority = "critical"
    "#;

    struct Site {
        engine: Engine,
        now: Now,
        sender: CheckInSender,
        newest: Newest,
    }

    impl Site {
        fn new() -> Self {
            let around = Surroundings { directory: Directory::default(), zone: TimeZone::UTC, today: None };
            let plan = Plan::check("rules.toml", RULES, &around).plan.expect("right");
            let now = Now { mono: Moment(1_000_000), wall: Wall(1_798_078_440_000), wall_trusted: true };
            let settings = CheckInSettings {
                name: "halyard".to_owned(),
                key: SiteKey::make().expect("a key").0,
                every: Span::minutes(1),
                mains: Some("mains".to_owned()),
                goes_dark: Some(GoesDark { alarm: "power-lost".to_owned(), after: Span::minutes(10) }),
                broker: None,
                post: None,
            };
            let identity = Identity { seed: 7, start: 3, boot: "boot 1".to_owned() };
            let clock = Clock::system(Trust::Always);
            let sender =
                CheckInSender::start(settings, Vec::new(), identity, &clock).expect("no way can fail");
            let newest = sender.newest.subscribe();
            let mut site = Self { engine: Engine::new(plan, 7, 1, now), now, sender, newest };
            site.turn(Input::Started { version: "test".to_owned(), gap: Some(Span::ZERO) });
            site.turn(Input::Link(Link::Hears));
            site
        }

        /// A turn of the loop, and the count of the newest check-in after it.
        fn turn(&mut self, input: Input) -> u64 {
            let turn = self.engine.step(self.now, input);
            let facts = || CheckinFacts { engine: &self.engine, troubles: Vec::new(), stopping: None };
            self.sender.turn_finished(&self.now, !turn.records.is_empty(), facts);
            self.newest.borrow().0
        }

        fn mains(&mut self, says: &str) -> u64 {
            let (topic, payload) = ("house/mains".to_owned(), says.as_bytes().to_vec());
            self.turn(Input::Message { topic, payload, delivery: Arrival::Live })
        }

        fn pass(&mut self, span: Span) {
            self.now.mono = self.now.mono + span;
            self.now.wall = self.now.wall + span;
        }

        fn said(&self) -> CheckIn {
            let sealed = self.newest.borrow().1.clone();
            let body = open(&self.sender.settings.key.public(), sealed.as_bytes()).expect("signed");
            serde_json::from_slice(&body).expect("a check-in")
        }
    }

    #[test]
    fn check_ins_come_with_finished_turns_and_not_without_them() {
        let mut site = Site::new();
        assert_eq!(site.turn(Input::Tick), 1, "the first came with the first turn");
        site.pass(Span::seconds(59));
        assert_eq!(site.turn(Input::Tick), 1);
        site.pass(Span::seconds(1));
        assert_eq!(site.turn(Input::Tick), 2);
        site.pass(Span::hours(5));
        assert_eq!(site.newest.borrow().0, 2, "a loop that is stuck sends none");
        assert_eq!(site.turn(Input::Tick), 3, "and does not make up for them");
        let said = site.said();
        assert_eq!((said.start, said.count, said.journal.len(), said.boot.as_str()), (3, 3, 16, "boot 1"));
    }

    #[test]
    fn news_go_at_once_but_not_more_often_than_every_few_seconds() {
        let mut site = Site::new();
        site.mains("on");
        site.pass(Span::seconds(20));
        let before = site.turn(Input::Tick);
        assert_eq!(site.mains("off"), before + 1, "an alarm is news");
        let said = site.said();
        assert_eq!((said.mains.as_deref(), said.open.len()), (Some("off"), 1));
        let dark = said.dark.expect("its alarm stands");
        assert_eq!((dark.why.as_str(), dark.left), ("power-lost", Span::minutes(10)));

        site.pass(Span::seconds(1));
        assert_eq!(site.mains("on"), before + 1, "too soon after the last");
        assert!(site.sender.due() <= site.now.mono + CALM, "{:?}", site.sender.due());
        site.pass(CALM);
        assert_eq!(site.turn(Input::Tick), before + 2);
        assert_eq!((site.said().open.len(), site.said().dark), (0, None));
    }

    #[test]
    fn a_planned_silence_is_told_with_how_long_it_still_lasts() {
        let mut site = Site::new();
        site.pass(Span::seconds(20));
        let word =
            OperatorCommand::PlanSilence { length: Span::hours(2), why: "the rack is moved".to_owned() };
        let by = By { who: "ines".to_owned(), via: "socket".to_owned() };
        site.turn(Input::Said { command: word, by });
        let planned = site.said().silence.expect("announced");
        assert_eq!((planned.left, planned.who.as_str()), (Span::hours(2), "ines"));
        site.pass(Span::minutes(30));
        site.turn(Input::Tick);
        assert_eq!(site.said().silence.map(|it| it.left), Some(Span::minutes(90)));
        site.pass(Span::minutes(91));
        site.turn(Input::Tick);
        assert_eq!(site.said().silence, None);
    }
}
