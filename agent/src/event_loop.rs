//! The event loop. Everything that happens comes here as one of a closed set of events and
//! becomes an input of the engine; the turns of a batch are committed together; then their
//! effects are run, messages are acknowledged and the watchdog is fed. One loop owns the
//! engine and the journal; nothing here decides anything.

mod answer_inputs;
mod answering;
mod checkin_inputs;
mod closing;
mod enrolling;
mod fetching;
mod fleet;
mod health;
mod health_inputs;
mod joining_inputs;
mod mail_inputs;
mod mending;
mod mqtt_inputs;
mod outlet;
mod pace;
mod parts;
mod recollecting;
mod reloading;
mod reports;
mod sign_in_codes;
mod sms_inputs;
mod status_words;
mod telling;
mod topic_answers;
mod web_inputs;

pub use parts::{Parts, RunError, TurnObserver, Until};

use crate::answers;
use crate::channels::{self, Channels, SentNames};
use crate::checkin;
use crate::clock::{Clock, Timer};
use crate::control::PendingRequest;
use crate::joining::invitations::Invitations;
use crate::journal::writer::Keeper;
use crate::journal::{BootId, JournalLimits};
use crate::modem::{Arrived, Modem};
use crate::mqtt::{self, MqttEvent};
use crate::service::{Service, ServiceSignal, Signals};
use crate::settings::{Environment, Settings};
use crate::site::{SiteFiles, broker, last_good};
use crate::sources::{RunningSources, SourceRound};
use crate::web::ask::WebRequest;
use crate::witness::Roster;
use answer_inputs::AnswerMemory;
use fleet::FleetEnds;
use health::PartsHealth;
use health_inputs::ToldHealth;
use joining_inputs::Joins;
use mending::{Door, Mending};
use outlet::Outlet;
use reports::JournalReports;
use slackwater_rules::engine::{Effect, Engine, Input, Turn};
use slackwater_rules::record::{Outcome, Record, Seq};
use slackwater_rules::time::{Moment, Now, Span};
use sms_inputs::Texting;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use telling::LastTold;
use tokio::sync::mpsc;
use web_inputs::WebDoor;

/// Messages of one batch: enough to commit seldom, few enough to answer at once.
const BATCH: usize = 256;

/// READY is not kept back for longer than this by a broker that is away.
const READY_WITHIN: Duration = Duration::from_millis(500);

/// Two clients with one id throw each other out again and again, and each can be heard for a
/// second in between. That is no hearing: it counts again once this long has passed in peace.
const CONTESTED: Span = Span::minutes(2);

/// Numbers of siren messages begin here, far from those of switchings.
const SIRENS: u64 = 1 << 63;

/// What happens.
enum Happening {
    Broker,
    BrokerLost,
    Fetched(SourceRound),
    Delivered(Seq, Outcome),
    Asked(PendingRequest),
    Web(WebRequest),
    Texted(Arrived),
    Mailed(answers::ArrivedMail),
    Signal(ServiceSignal),
    /// A deadline, or the watchdog's wish for a turn; or READY has been kept back for long enough.
    Woken,
    Impatient,
}

/// Watches until the system or a person says to stop.
///
/// # Errors
/// Only what makes watching impossible: everything else degrades and is said.
pub async fn run(parts: Parts) -> Result<(), RunError> {
    let Parts { config, site, environment, clock, onlooker, mut until } = parts;
    let SiteFiles { settings, mut plan, channels, ways, outputs, taken, mut unusable, .. } = site;
    let mut signals = Signals::listen().map_err(RunError::Signals)?;
    let (door, closed) =
        Door::open(settings.places.control.socket.clone()).await.map_err(RunError::Control)?;
    unusable.extend(closed.map(|why| (mending::SOCKET.to_owned(), why)));

    let web = WebDoor::at_start(&settings, &mut plan, &mut unusable).await;
    let now = clock.now();
    let own = &settings.places.journal;
    let limits = JournalLimits { bytes: own.max_size, every: own.flush_every, ..JournalLimits::default() };
    let path = own.path.clone();
    let (keeper, left) =
        Keeper::open(path, BootId(clock.boot()), limits, &plan.site, &now).map_err(RunError::Journal)?;
    let connection = broker(&settings, &plan);
    let sources = RunningSources::start(&plan, &settings.sources);
    let mut engine = Engine::new(plan, left.seed, left.next_seq, now);
    engine.restore(&left.records);
    recollecting::recollect(&mut engine, &settings.places.journal.path, &now);

    let (handle, events) = mqtt::spawn(connection).map_err(|wrong| {
        RunError::Broker(wrong.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
    })?;
    let identity = checkin::Identity { seed: left.seed, start: engine.next_seq(), boot: clock.boot() };
    let sender = settings
        .check_in
        .clone()
        .map(|own| checkin::CheckInSender::start(own, ways, identity.clone(), &clock));
    let sender = sender.transpose().map_err(RunError::CheckIn)?;
    let roster = Roster::open(&keeper, &settings.places.journal.path, &now);
    let joins = Joins::new(Invitations::open(&settings.places.journal.path));

    let fleet = FleetEnds::start(&settings, engine.plan(), &clock);
    let outlet = Outlet::new(handle.clone(), outputs);
    let (results, mut delivered) = mpsc::unbounded_channel();
    let (modem, texts) = settings.modem.clone().map(Modem::start).unzip();
    let (mailbox, letters) = mail_inputs::open(&settings, &clock);
    last_good::keep_taken(&config, &settings.places.journal.path, taken);
    let reports = JournalReports::of(settings.places.journal.path.clone());
    let context = channels::SharedParts {
        reply_to: settings.mailbox().and_then(|mailbox| mailbox.address.clone()),
        clock: Arc::new({
            let clock = clock.clone();
            move || clock.now().wall
        }),
        names: Arc::new(SentNames::of(left.seed, &now)),
        publish: Arc::new(outlet.clone()),
        modem,
        reports: Some(reports.clone()),
    };
    let channels = Channels::start(channels, &context, results.clone());

    let health = PartsHealth { unusable, ..PartsHealth::default() };
    let mut watch = EventLoop {
        mending: Mending::of(&config, &settings.places.rules, &health.unusable, now.mono),
        door,
        web,
        telling: LastTold::default(),
        // Without a modem nothing ever comes.
        texts: texts.unwrap_or_else(|| mpsc::channel(1).1),
        letters,
        identity,
        told: ToldHealth::nothing(&settings),
        texting: Texting::new(settings.numbers()),
        answers: AnswerMemory::new(&settings, mailbox),
        config,
        environment,
        settings,
        engine,
        keeper,
        handle,
        outlet,
        sources,
        channels,
        context,
        reports,
        results,
        clock,
        service: Service::from_environment(),
        health,
        backlog: false,
        contested: None,
        ready: false,
        sender,
        fleet,
        roster,
        joins,
        retelling: recollecting::Retelling::default(),
        records: Vec::new(),
        effects: VecDeque::new(),
        acks: Vec::new(),
        onlooker,
    };
    watch.take(Input::Started { version: env!("CARGO_PKG_VERSION").to_owned(), gap: left.gap });
    watch.tell_health();
    watch.recall_sites();
    watch.finish();
    let ended = watch.go_on(&mut signals, &mut until, events, &mut delivered).await;
    watch.close(&ended, delivered).await;
    ended.map(drop)
}

/// The loop's own state.
struct EventLoop {
    config: PathBuf,
    environment: Environment,
    /// As it was at the start.
    settings: Settings,
    engine: Engine,
    keeper: Keeper,
    handle: mqtt::Handle,
    outlet: Outlet,
    sources: RunningSources,
    channels: Channels,
    context: channels::SharedParts,
    reports: Arc<JournalReports>,
    results: mpsc::UnboundedSender<(Seq, Outcome)>,
    clock: Clock,
    service: Service,
    health: PartsHealth,
    mending: Mending,
    door: Door,
    web: WebDoor,
    telling: LastTold,
    /// From the modem.
    texts: mpsc::Receiver<Arrived>,
    /// From the mailbox.
    letters: mpsc::Receiver<answers::ArrivedMail>,
    identity: checkin::Identity,
    /// What the engine knows of the agent's own parts.
    told: ToldHealth,
    texting: Texting,
    answers: AnswerMemory,
    /// What comes now was queued for us while we were away: until our own message comes back.
    backlog: bool,
    /// Another client has used our id: until then, being heard does not count.
    contested: Option<Moment>,
    ready: bool,
    /// This site's own check-ins, if it sends any.
    sender: Option<checkin::CheckInSender>,
    /// Tells records to a fleet's journal, or keeps one.
    fleet: FleetEnds,
    /// What is known of other sites.
    roster: Roster,
    /// Sites that join.
    joins: Joins,
    /// Of readings that came late.
    retelling: recollecting::Retelling,
    /// Of the batch, not yet committed.
    records: Vec<Record>,
    effects: VecDeque<Effect>,
    acks: Vec<mqtt::Ack>,
    onlooker: Option<TurnObserver>,
}

impl EventLoop {
    async fn go_on(
        &mut self,
        signals: &mut Signals,
        until: &mut Until,
        mut events: mpsc::Receiver<MqttEvent>,
        delivered: &mut mpsc::UnboundedReceiver<(Seq, Outcome)>,
    ) -> Result<&'static str, RunError> {
        let (mut batch, mut timer) = (Vec::with_capacity(BATCH), Timer::default());
        let patience = tokio::time::sleep(READY_WITHIN);
        tokio::pin!(patience);
        loop {
            let wanted_by = self.wanted_by();
            let happening = tokio::select! {
                signal = signals.next() => Happening::Signal(signal),
                Some((page, outcome)) = delivered.recv() => Happening::Delivered(page, outcome),
                count = events.recv_many(&mut batch, BATCH) => match count {
                    0 => Happening::BrokerLost,
                    _ => Happening::Broker,
                },
                round = self.sources.next() => Happening::Fetched(round),
                Some(asked) = self.door.requests.recv() => Happening::Asked(asked),
                Some(asked) = self.web.requests.recv() => Happening::Web(asked),
                Some(text) = self.texts.recv() => Happening::Texted(text),
                Some(letter) = self.letters.recv() => Happening::Mailed(letter),
                () = wait(&self.clock, &mut timer, wanted_by) => Happening::Woken,
                why = &mut *until => return Ok(why),
                () = &mut patience, if !self.ready => Happening::Impatient,
            };
            self.mend().await;
            self.tell_health();
            match happening {
                Happening::Broker => {
                    // What waits in one batch has come together: one look at the clocks is enough.
                    let now = self.clock.now();
                    batch.drain(..).for_each(|event| self.hear(now, event));
                    self.take_joins();
                }
                Happening::BrokerLost => return Err(RunError::Lost("the connection to the broker")),
                Happening::Fetched(round) => self.fetched(round),
                Happening::Delivered(page, outcome) => self.delivered(page, outcome),
                Happening::Asked((request, back)) => self.asked(request, back),
                Happening::Web(request) => self.asked_by_web(request),
                Happening::Texted(text) => self.texted(text),
                Happening::Mailed(letter) => self.mailed(letter),
                Happening::Signal(ServiceSignal::Terminate) => return Ok("asked to by the system"),
                Happening::Signal(ServiceSignal::Interrupt) => return Ok("asked to by hand"),
                // What came of it is in the log and in the status.
                Happening::Signal(ServiceSignal::Hangup) => drop(self.reload(|_| false)),
                Happening::Woken => self.take(Input::Tick),
                Happening::Impatient => self.announce(),
            }
            self.finish();
        }
    }

    /// When the loop has to turn at the latest.
    fn wanted_by(&self) -> Option<Moment> {
        let engine = self.engine.next_deadline().map(|(at, _)| at);
        let check_in = self.sender.as_ref().map(checkin::CheckInSender::due);
        engine
            .into_iter()
            .chain(self.retelling.due())
            .chain(self.keeper.due())
            .chain(self.roster.due())
            .chain(self.service.turn_wanted_by())
            .chain(check_in)
            .chain(self.mending.due())
            .chain(self.telling_due())
            .min()
    }

    /// One input of the engine, now; what comes of it waits for [`EventLoop::finish`].
    fn take(&mut self, input: Input) {
        self.turn(self.clock.now(), input);
    }

    fn turn(&mut self, now: Now, input: Input) {
        let turn = self.engine.step(now, input);
        self.gather(&now, turn);
    }

    fn gather(&mut self, now: &Now, turn: Turn) {
        self.expect_pages(&turn.effects);
        if let Some(onlooker) = &mut self.onlooker {
            onlooker(now, &turn);
        }
        self.keeper.sample(&turn.samples);
        self.retelling.note(&self.engine, &turn, now.mono);
        self.records.extend(turn.records);
        self.effects.extend(turn.effects);
    }

    /// Commits, then runs effects, then acknowledges, then feeds the watchdog.
    fn finish(&mut self) {
        let mut has_records = false;
        let now = loop {
            let now = self.clock.now();
            let records = std::mem::take(&mut self.records);
            has_records |= !records.is_empty();
            for record in &records {
                tracing::info!(seq = record.seq, "{}", record.body.in_words(self.engine.plan()));
            }
            self.keeper.keep(records, || self.engine.horizon(), &now);
            self.keeper.owed_since().into_iter().for_each(|seq| self.context.names.not_kept(seq));
            let Some(effect) = self.effects.pop_front() else { break now };
            self.run(effect);
        };
        for ack in self.acks.drain(..) {
            self.handle.ack(ack);
        }
        self.keeper.tend(&now);
        self.retelling.tend(&mut self.engine, &mut self.keeper, &self.settings.places.journal.path, &now);
        self.roster.tend(&mut self.keeper, &now);
        self.check_in(&now, has_records);
        if has_records {
            self.fleet.note(self.engine.next_seq().saturating_sub(1));
        }
        self.tell_machines(&now, has_records);
        self.service.turn_finished(now.mono);
    }
}

/// Until `moment` on the watch's clock; for ever if there is none.
async fn wait(clock: &Clock, timer: &mut Timer<Moment>, moment: Option<Moment>) {
    match moment {
        Some(moment) => timer.wait(moment, || clock.until(moment)).await,
        None => std::future::pending().await,
    }
}
