//! The page in the house: its door, what it asks of the loop, and what is pressed there. An answer
//! goes the way of any other answer, wrong codes counted; everything else is said as at the control
//! socket, by whoever is signed in.

use super::EventLoop;
use super::answer_inputs::{AnswerWay, CodeSaid};
use super::health::PartsHealth;
use crate::answers::Mailbox;
use crate::control::ControlReply;
use crate::plain_text::tame;
use crate::settings::{Places, Settings, WebSettings};
use crate::web::ask::{Done, HouseLook, PartSeen, PressedAct, WebCommand, WebRequest};
use slackwater_rules::answer::Which;
use slackwater_rules::engine::{HouseView, Input, OperatorCommand};
use slackwater_rules::page::Page;
use slackwater_rules::plan::Plan;
use slackwater_rules::plan::ways::Way;
use slackwater_rules::record::By;
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::mpsc;

/// Its name among parts that can't be used: the key of its section.
pub(super) const WEB: &str = "web";

/// So much of why a part is not well is shown.
const LONGEST: usize = 200;

/// The page's door, open or not.
pub(super) struct WebDoor {
    #[cfg(feature = "web")]
    server: Option<crate::web::WebServer>,
    /// Never brings anything while it is not open.
    pub(super) requests: mpsc::Receiver<WebRequest>,
    /// Ways to answer that lead here, each with its place among all: pages name them while the door
    /// is open.
    closed_ways: Vec<(usize, Way)>,
}

impl WebDoor {
    fn closed() -> Self {
        Self {
            #[cfg(feature = "web")]
            server: None,
            requests: mpsc::channel(1).1,
            closed_ways: Vec::new(),
        }
    }

    /// Opens it, if it is to be. Where that can't be done the watch goes on without, and says why.
    /// At the start, if the file says so: why it is not open stands among what can't be used, and
    /// pages name no link that leads nowhere.
    pub(super) async fn at_start(
        settings: &Settings,
        plan: &mut Plan,
        unusable: &mut BTreeMap<String, String>,
    ) -> Self {
        let (mut door, closed) = Self::open(settings.web.as_ref(), &settings.places).await;
        unusable.extend(closed.map(|why| (WEB.to_owned(), why)));
        door.take_ways(&mut plan.directory.ways);
        door
    }

    #[cfg(feature = "web")]
    async fn open(settings: Option<&WebSettings>, places: &Places) -> (Self, Option<String>) {
        let Some(settings) = settings else { return (Self::closed(), None) };
        match crate::web::WebServer::open(settings, places).await {
            Ok((server, requests)) => {
                tracing::info!("the page in the house is served on {}", server.address());
                (Self { server: Some(server), requests, closed_ways: Vec::new() }, None)
            }
            Err(error) => {
                tracing::error!("the page in the house: {error}; the watch goes on without it");
                (Self::closed(), Some(error.to_string()))
            }
        }
    }

    #[cfg(not(feature = "web"))]
    #[expect(clippy::unused_async, reason = "with the feature it listens")]
    async fn open(_settings: Option<&WebSettings>, _places: &Places) -> (Self, Option<String>) {
        (Self::closed(), None)
    }

    #[cfg(feature = "web")]
    pub(super) fn is_open(&self) -> bool {
        self.server.as_ref().is_some_and(crate::web::WebServer::lives)
    }

    #[cfg(not(feature = "web"))]
    pub(super) fn is_open(&self) -> bool {
        false
    }

    /// A page names only ways that work: those that lead to a closed door are kept here until it
    /// opens.
    pub(super) fn take_ways(&mut self, ways: &mut Vec<Way>) {
        self.closed_ways.clear();
        if self.is_open() {
            return;
        }
        for (place, way) in std::mem::take(ways).into_iter().enumerate() {
            match way.link {
                Some(_) => self.closed_ways.push((place, way)),
                None => ways.push(way),
            }
        }
    }

    /// The door is open: the ways again as the file has them.
    fn give_back_ways(&mut self, ways: &[Way]) -> Vec<Way> {
        let mut ways = ways.to_vec();
        for (place, way) in self.closed_ways.drain(..) {
            ways.insert(place.min(ways.len()), way);
        }
        ways
    }
}

impl EventLoop {
    /// What the page asks, or what somebody has pressed there.
    pub(super) fn asked_by_web(&mut self, request: WebRequest) {
        // Whoever has gone needs no reply.
        match request {
            WebRequest::Look(back) => {
                // What only time has changed is seen too.
                self.take(Input::Tick);
                drop(back.send(self.look()));
            }
            WebRequest::Read { call, who, back } => drop(back.send(Page::read_by(&self.engine, call, &who))),
            WebRequest::Code(ask) => self.asked_for_code(ask),
            WebRequest::Press { who, act, back } => {
                let done = self.press(&who, act);
                // The records of what was said are safe before it is said to be taken.
                self.finish();
                drop(back.send(done));
            }
        }
    }

    fn press(&mut self, who: &str, act: PressedAct) -> Done {
        let say = match act {
            PressedAct::Has { code, length } => {
                return self.answer_pressed(who, code, CodeSaid::Holds(length));
            }
            PressedAct::HandsOn { code } => return self.answer_pressed(who, code, CodeSaid::HandsOn),
            PressedAct::Say(say) => say,
        };
        if let Err(words) = crate::control::check_words(&say) {
            return Done { taken: false, words };
        }
        let by = By { who: who.to_owned(), via: AnswerWay::Web.name().to_owned() };
        let is_tick = matches!(say, OperatorCommand::Tick { .. });
        if let OperatorCommand::Tick { code, step, .. } = &say
            && !self.has_step(code, who, step)
        {
            return Done {
                taken: false,
                words: "There is no such step any more: see what is to be done now.".to_owned(),
            };
        }
        let now = self.clock.now();
        let turn = self.engine.step(now, Input::Said { command: say, by });
        let said = turn.reply(self.engine.plan());
        self.gather(&now, turn);
        match said {
            Some(said) if !said.lines.is_empty() => Done { taken: said.taken, words: said.lines.join("\n") },
            Some(_) | None => {
                let words = if is_tick { "Noted." } else { "Nothing to do." };
                Done { taken: true, words: words.to_owned() }
            }
        }
    }

    /// Only what the page of a call-out shows to this reader can be ticked.
    fn has_step(&self, code: &str, who: &str, step: &str) -> bool {
        let calls = HouseView::of(&self.engine).calls;
        let call = calls.iter().find(|call| call.code == code);
        call.and_then(|call| Page::read_by(&self.engine, call.id, who))
            .is_some_and(|page| page.has_step(step))
    }

    fn answer_pressed(&mut self, who: &str, code: String, said: CodeSaid) -> Done {
        let by = By { who: who.to_owned(), via: AnswerWay::Web.name().to_owned() };
        let heeded = self.press_answer(by, Which::Code(code), said);
        Done { taken: heeded.taken, words: heeded.words }
    }

    fn look(&mut self) -> HouseLook {
        let view = HouseView::of(&self.engine);
        let plan = Arc::clone(self.engine.plan());
        self.health.mailbox = self.answers.mailbox.as_ref().and_then(Mailbox::view);
        self.health.look(&self.channels, &self.keeper, self.context.modem.as_ref());
        self.health.check_ins = self.ways_out();
        let parts = parts(&self.health, view.at.wall_trusted, &plan);
        HouseLook { view, plan, parts }
    }

    /// What the command line asks of the page.
    pub(super) fn command_web(&mut self, command: &WebCommand) -> ControlReply {
        #[cfg(feature = "web")]
        if let Some(server) = &self.web.server {
            return ControlReply::of(server.command(command, self.engine.plan()));
        }
        let _ = command;
        let text = match (self.settings.web.is_some(), self.health.unusable.get(WEB)) {
            (_, Some(why)) => format!("the page in the house is not served: {why}"),
            (false, None) => "the page in the house is not set up: see `[web]` in agent.toml".to_owned(),
            (true, None) => "the page in the house is not served: restart the agent".to_owned(),
        };
        ControlReply::refused(text)
    }

    /// Tries to open the door again.
    pub(super) async fn mend_web(&mut self) {
        if self.web.is_open() || !self.health.unusable.contains_key(WEB) {
            return;
        }
        let (door, why) = WebDoor::open(self.settings.web.as_ref(), &self.settings.places).await;
        match why {
            Some(why) => drop(self.health.unusable.insert(WEB.to_owned(), why)),
            None => {
                let mut closed = std::mem::replace(&mut self.web, door);
                let ways = closed.give_back_ways(&self.engine.plan().directory.ways);
                self.take(Input::Ways(ways));
                self.health.unusable.remove(WEB);
            }
        }
    }

    /// A door that has fallen shut is said, and opened again like one that never was.
    pub(super) fn note_web_lost(&mut self) {
        if self.settings.web.is_none() || self.web.is_open() || self.health.unusable.contains_key(WEB) {
            return;
        }
        let why = "it has stopped; it is tried again".to_owned();
        tracing::error!("the page in the house: {why}");
        self.health.unusable.insert(WEB.to_owned(), why);
        let mut ways = self.engine.plan().directory.ways.clone();
        self.web.take_ways(&mut ways);
        self.take(Input::Ways(ways));
        self.mend_soon();
    }
}

/// The watch's own parts, each with a word on how it is.
fn parts(health: &PartsHealth, clock_trusted: bool, plan: &Plan) -> Vec<PartSeen> {
    let mut parts = Vec::new();
    let mut part = |name: &str, why: Option<&str>, well: &str| {
        let words = why.map_or_else(|| well.to_owned(), |why| tame(why, LONGEST));
        parts.push(PartSeen { name: name.to_owned(), words, well: why.is_none() });
    };
    part("Broker", health.deaf.as_deref(), "heard");
    part("Log", health.journal.as_deref(), "kept");
    part("Clock", (!clock_trusted).then_some("nothing says that it is right"), "trusted");
    if let Some(mailbox) = &health.mailbox {
        part("Answers by mail", mailbox.as_ref().err().map(String::as_str), "heard");
    }
    if let Some(modem) = &health.modem {
        let well = modem.as_ref().map_or("", String::as_str);
        part("Modem", modem.as_ref().err().map(String::as_str), well);
    }
    if let Some(fleet) = &health.fleet {
        part("Fleet's journal", fleet.as_ref().err().map(String::as_str), "kept");
    }
    for (source, why) in &health.sources {
        part(source, why.as_deref(), "answers");
    }
    for (way, own) in &health.check_ins {
        part(way, own.trouble.as_deref(), "well");
    }
    for (target, channel) in &health.channels {
        let who = target.contact.as_ref().and_then(|who| plan.directory.contacts.get(who));
        let way = target.channel.replace('-', " ");
        let name = who.map_or_else(|| way.clone(), |contact| format!("{} by {way}", contact.name));
        match &channel.known {
            Some(Err(why)) => part(&name, Some(why), ""),
            Some(Ok(())) => part(&name, None, "works"),
            None => part(&name, None, "not used yet"),
        }
    }
    for (name, why) in &health.unusable {
        part(name, Some(why), "");
    }
    if let Some(why) = &health.reload_refused {
        part("The last reload", Some(why), "");
    }
    parts
}
