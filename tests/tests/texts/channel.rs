//! The channel on a modem: what leaves, what is said of it, and what is said when it does not.

use crate::{INES, soon};
use slackwater::channels::{
    Channel, ChannelSettings, Channels, NotPublished, Publish, Publishing, SharedParts,
};
use slackwater::modem::{Arrived, Modem, ModemSettings, Number};
use slackwater::secret::Secret;
use slackwater_rules::alarm::Priority;
use slackwater_rules::page::{Page, Said, Short};
use slackwater_rules::plan::Target;
use slackwater_rules::record::{Outcome, Purpose, Seq};
use slackwater_rules::time::Wall;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::modem::{self, Echo, Manner, ROOM};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

struct NoBroker;

impl Publish for NoBroker {
    fn publish<'a>(&'a self, _: &'a str, _: &'a [u8]) -> Publishing<'a> {
        let why = "there is no broker here".into();
        Box::pin(async { Err(NotPublished::Yet { why, perhaps: false }) })
    }
}

fn page(id: Seq, text: &str) -> Page {
    Page {
        id,
        call: 5,
        after: Vec::new(),
        purpose: Purpose::Call,
        priority: Priority::Critical,
        site: "Halyard House".into(),
        place: "lagoon".into(),
        alarm: "power-lost".into(),
        code: "K7Q3".into(),
        since: Wall(1_795_489_920_000),
        headline: text.into(),
        body: text.into(),
        said: Said { short: Short { what: vec![text.into()], ..Short::default() }, ..Said::default() },
        maybe_repeat: false,
    }
}

pub(crate) struct Rig {
    pub(crate) stick: modem::Modem,
    modem: Modem,
    channels: Channels,
    outcomes: mpsc::UnboundedReceiver<(Seq, Outcome)>,
    texts: mpsc::Receiver<Arrived>,
}

fn settings(stick: &modem::Modem) -> ModemSettings {
    ModemSettings {
        device: stick.device(),
        model: Some("stick".into()),
        pin: None,
        number: None,
        speed: 115_200,
    }
}

impl Rig {
    pub(crate) fn new(manner: Manner) -> Self {
        let stick = modem::Modem::start(manner).expect("a pseudo-terminal");
        let settings = settings(&stick);
        Self::with(stick, settings)
    }

    fn with(stick: modem::Modem, settings: ModemSettings) -> Self {
        let (modem, texts) = Modem::start(settings);
        let context = SharedParts {
            reply_to: None,
            clock: Arc::new(|| Wall(0)),
            names: Arc::default(),
            publish: Arc::new(NoBroker),
            modem: Some(modem.clone()),
            reports: None,
        };
        let (results, outcomes) = mpsc::unbounded_channel();
        let channel = |name: &str, number: &str| {
            let settings = ChannelSettings::Text(Number::parse(number).expect("a number"));
            (Target::parse(name), Channel::new(&settings, None).expect("right"))
        };
        let channels =
            [channel("ines.text", INES), channel("tom.text", "+351900000034")].into_iter().collect();
        Self { stick, modem, channels: Channels::start(channels, &context, results), outcomes, texts }
    }

    async fn outcome(&mut self) -> (Seq, Outcome) {
        soon("an outcome", self.outcomes.recv()).await.expect("channels run")
    }

    pub(crate) async fn text(&mut self, id: Seq, text: &str) -> Outcome {
        self.channels.send(&Target::parse("ines.text"), page(id, text));
        let (of, outcome) = self.outcome().await;
        assert_eq!(of, id);
        outcome
    }

    /// Waits until the modem is well, or not, in such words.
    fn until_view(&self, well: bool, words: &str) {
        let look = || {
            let view = self.modem.view();
            let said = view.as_ref().unwrap_or_else(|why| why);
            (view.is_ok() == well && said.contains(words)).then_some(())
        };
        until(words, SOON, look, || format!("{:?}\n{:?}", self.modem.view(), self.stick.commands()));
    }

    /// A text that comes out to the loop, which takes it.
    async fn arrived(&mut self) -> (String, Option<String>) {
        let Arrived { from, text, taken } =
            soon("a text", self.texts.recv()).await.expect("the modem's task runs");
        taken.send(()).expect("somebody waits for it");
        (from.to_string(), text)
    }

    fn until_stored(&self, count: usize) {
        let look = || (self.stick.stored() == count).then_some(());
        until("texts on the SIM", SOON, look, || format!("{:?}", self.stick.commands()));
    }
}

#[track_caller]
pub(crate) fn accepted(outcome: &Outcome, saying: &str) {
    assert!(matches!(outcome, Outcome::Accepted { note } if note.contains(saying)), "{outcome:?}");
}

#[track_caller]
fn deferred(outcome: &Outcome, saying: &str) {
    assert!(
        matches!(outcome, Outcome::Deferred { .. }) && outcome.to_string().contains(saying),
        "{outcome:?}"
    );
}

#[track_caller]
fn failed(outcome: &Outcome, saying: &str) {
    assert!(matches!(outcome, Outcome::Failed { why } if why.contains(saying)), "{outcome:?}");
}

const WORDS: &str = "lagoon: power-lost, critical, since 02:14, code K7Q3. Open the lid. Reply ACK K7Q3";

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_leaves_as_a_text_and_its_delivery_is_told_as_no_answer() {
    let mut rig = Rig::new(Manner::default());
    let outcome = rig.text(1, WORDS).await;
    accepted(&outcome, "taken by the network (its number 1); delivered to the phone, which is no answer");
    let sent = rig.stick.sent();
    assert_eq!((sent[0].to.as_str(), sent[0].text.as_str(), sent[0].report), (INES, WORDS, true));
    rig.until_view(true, "SLACK TIDE Stick 3000, in its own network, signal -79 dBm");
    assert!(!format!("{outcome:?} {:?}", rig.modem.view()).contains("900000012"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_modem_serves_all_targets_one_after_the_other() {
    let mut rig = Rig::new(Manner::default());
    for id in 0..6 {
        let target = if id % 2 == 0 { "ines.text" } else { "tom.text" };
        rig.channels.send(&Target::parse(target), page(id, &format!("page {id}")));
    }
    for _ in 0..6 {
        accepted(&rig.outcome().await.1, "delivered to the phone");
    }
    let mut sent: Vec<_> = rig.stick.sent().into_iter().map(|sent| (sent.text, sent.to)).collect();
    sent.sort();
    assert_eq!(sent.len(), 6);
    assert!(sent.iter().all(|(text, to)| to.ends_with("12") == text.ends_with(['0', '2', '4'])), "{sent:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_network_says_of_a_text_is_told_in_words() {
    let mut rig = Rig::new(Manner::default());
    rig.stick.behave(|manner| manner.report = Some(0x41));
    failed(&rig.text(1, WORDS).await, "but not delivered: not compatible with the phone");
    rig.stick.behave(|manner| manner.refusal = Some("+CMS ERROR: 1".into()));
    failed(&rig.text(2, WORDS).await, "the number is not assigned (+CMS ERROR 1)");
    rig.stick.behave(|manner| manner.refusal = Some("+CMS ERROR: 332".into()));
    deferred(&rig.text(3, WORDS).await, "the network did not answer in time (+CMS ERROR 332)");
    rig.stick.behave(|manner| manner.refusal = Some("ERROR".into()));
    deferred(&rig.text(4, WORDS).await, "ERROR, without a reason");
    rig.stick.behave(|manner| (manner.refusal, manner.report) = (None, Some(0)));
    accepted(&rig.text(5, WORDS).await, "delivered");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_report_that_does_not_come_is_waited_for_only_a_little() {
    let mut rig = Rig::new(Manner { report: Some(0x20), ..Manner::default() });
    accepted(&rig.text(1, WORDS).await, "no delivery report within 15 s");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_network_a_page_is_deferred_at_once() {
    let mut rig = Rig::new(Manner { network: 2, signal: 99, ..Manner::default() });
    deferred(&rig.text(1, WORDS).await, "no network: it searches, signal unknown");
    rig.until_view(false, "no network: it searches");
    rig.stick.behave(|manner| manner.network = 3);
    deferred(&rig.text(2, WORDS).await, "no network: it is refused");
    rig.stick.behave(|manner| manner.network = 1);
    accepted(&rig.text(3, WORDS).await, "delivered");
    rig.until_view(true, "in its own network");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_slow_garbled_and_talkative_modem_still_sends_each_text_once() {
    for echo in [Echo::Always, Echo::Garbled] {
        let mut rig = Rig::new(Manner {
            echo,
            delay: Duration::from_millis(60),
            prompt_after: Duration::from_millis(800),
            chatters: true,
            answers_cancel: true,
            ..Manner::default()
        });
        rig.stick.receive(INES, "ACK K7Q3");
        rig.channels.send(&Target::parse("ines.text"), page(1, WORDS));
        assert_eq!(rig.arrived().await.1.as_deref(), Some("ACK K7Q3"));
        accepted(&rig.outcome().await.1, "delivered to the phone");
        let sent = rig.stick.sent();
        assert_eq!((sent.len(), sent[0].text.as_str()), (1, WORDS));
        rig.until_stored(0);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_modem_that_is_pulled_out_is_said_and_found_again() {
    let mut rig = Rig::new(Manner::default());
    accepted(&rig.text(1, WORDS).await, "delivered");
    rig.stick.unplug();
    rig.until_view(false, "nothing is there as");
    deferred(&rig.text(2, WORDS).await, "no modem: ");
    rig.stick.plug().expect("a pseudo-terminal");
    rig.until_view(true, "in its own network");
    accepted(&rig.text(3, WORDS).await, "delivered");
    assert_eq!(rig.stick.sent().len(), 2);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_text_that_was_on_its_way_when_the_modem_went_may_have_been_delivered() {
    let mut rig = Rig::new(Manner { refusal: Some(String::new()), ..Manner::default() });
    rig.channels.send(&Target::parse("ines.text"), page(1, WORDS));
    rig.stick.until_sent(1);
    rig.stick.unplug();
    let (_, outcome) = rig.outcome().await;
    deferred(&outcome, "it may have been delivered");
    deferred(&outcome, "the modem was lost");
    deferred(&outcome, "while the modem was sending it");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_modem_that_says_nothing_any_more_is_given_up_within_its_limit() {
    let mut rig = Rig::new(Manner::default());
    accepted(&rig.text(1, WORDS).await, "delivered");
    rig.stick.behave(|manner| manner.silent = true);
    deferred(&rig.text(2, WORDS).await, "no modem: no answer to AT+");
    rig.until_view(false, "it does not answer as a modem");
    rig.stick.behave(|manner| manner.silent = false);
    rig.until_view(true, "in its own network");
    accepted(&rig.text(3, WORDS).await, "delivered");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn noise_is_no_modem_and_no_text_waits_for_it() {
    let mut rig = Rig::new(Manner { babbles: true, ..Manner::default() });
    deferred(&rig.text(1, WORDS).await, "no modem: ");
    rig.stick.behave(|manner| manner.babbles = false);
    rig.until_view(true, "in its own network");
    accepted(&rig.text(2, WORDS).await, "delivered");
    assert_eq!(rig.stick.sent().len(), 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_modem_that_never_comes_to_an_end_is_given_up_and_looked_for_again() {
    let mut rig = Rig::new(Manner { never_ends: true, ..Manner::default() });
    rig.until_view(false, "no answer to AT+CSQ: it did not come to an end in time");
    rig.stick.behave(|manner| manner.never_ends = false);
    rig.until_view(true, "in its own network");
    accepted(&rig.text(1, WORDS).await, "delivered");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_prompt_that_comes_too_late_is_no_text_and_the_next_try_begins_anew() {
    let mut rig = Rig::new(Manner { prompt_after: Duration::from_secs(7), ..Manner::default() });
    deferred(&rig.text(1, WORDS).await, "no prompt for a text");
    rig.stick.behave(|manner| manner.prompt_after = Duration::ZERO);
    rig.until_view(true, "in its own network");
    accepted(&rig.text(2, WORDS).await, "delivered");
    let sent: Vec<_> = rig.stick.sent().into_iter().map(|sent| sent.text).collect();
    assert_eq!(sent, [WORDS], "nothing else was taken for a text");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_pin_is_given_once_and_a_wrong_one_never_again() {
    let stick =
        modem::Modem::start(Manner { pin: Some("4711".into()), ..Manner::default() }).expect("a modem");
    let right = ModemSettings { pin: Some(Secret::new("4711")), ..settings(&stick) };
    let mut rig = Rig::with(stick, right);
    accepted(&rig.text(1, WORDS).await, "delivered");

    let stick =
        modem::Modem::start(Manner { pin: Some("4711".into()), ..Manner::default() }).expect("a modem");
    let wrong = ModemSettings { pin: Some(Secret::new("0815")), ..settings(&stick) };
    let rig = Rig::with(stick, wrong);
    rig.until_view(false, "the SIM did not take its PIN: it is not given again before a restart");
    assert_eq!(rig.stick.wrong_pins(), 1);
    assert!(!format!("{:?}", rig.modem.view()).contains("0815"));

    let stick =
        modem::Modem::start(Manner { pin: Some("4711".into()), ..Manner::default() }).expect("a modem");
    let none = settings(&stick);
    let mut rig = Rig::with(stick, none);
    rig.until_view(false, "the SIM wants its PIN");
    deferred(&rig.text(1, WORDS).await, "the SIM wants its PIN");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_device_is_not_taken_for_the_modem() {
    let stick = modem::Modem::start(Manner::default()).expect("a modem");
    let other = ModemSettings { model: Some("SIM7600".into()), ..settings(&stick) };
    let rig = Rig::with(stick, other);
    rig.until_view(false, "it says that it is `SLACK TIDE Stick 3000`, not `SIM7600`");
    let stick = modem::Modem::start(Manner::default()).expect("a modem");
    let starred = stick.device().with_file_name("usb-Slack_Tide_*-port0");
    let starred = ModemSettings { device: starred, ..settings(&stick) };
    let mut rig = Rig::with(stick, starred);
    accepted(&rig.text(1, WORDS).await, "delivered");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn texts_that_come_are_handed_on_once_and_leave_the_sim_empty() {
    let mut rig = Rig::new(Manner::default());
    for n in 0..ROOM {
        assert!(rig.stick.receive(INES, &format!("text {n}")));
    }
    assert!(!rig.stick.receive(INES, "no room"));
    for n in 0..ROOM {
        let (from, text) = rig.arrived().await;
        assert_eq!((from.as_str(), text), ("number ending in 12", Some(format!("text {n}"))));
    }
    rig.until_stored(0);
    assert!(rig.stick.receive("0900000012", "öäü ✓"), "in UCS-2, from a number without its country");
    assert_eq!(rig.arrived().await.1.as_deref(), Some("öäü ✓"));
    assert!(rig.stick.receive("BANK", "Your code is 1234"));
    assert_eq!(rig.arrived().await, ("\"BANK\"".to_owned(), Some("Your code is 1234".to_owned())));
    rig.until_stored(0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_text_that_the_loop_did_not_take_stays_and_one_that_is_not_deleted_is_not_repeated() {
    let mut rig = Rig::new(Manner { keeps_texts: true, ..Manner::default() });
    rig.stick.receive(INES, "ACK K7Q3");
    let first = soon("a text", rig.texts.recv()).await.expect("a text");
    drop(first.taken);
    rig.stick.say("+CMTI: \"SM\",1");
    assert_eq!(rig.arrived().await.1.as_deref(), Some("ACK K7Q3"), "again, since it was not taken");
    rig.stick.say("+CMTI: \"SM\",1");
    rig.stick.receive(INES, "second");
    assert_eq!(rig.arrived().await.1.as_deref(), Some("second"), "the first is not handed on again");
    assert_eq!(rig.stick.stored(), 2);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn garbage_is_not_a_text_and_leaves_the_sim_too() {
    let mut rig = Rig::new(Manner::default());
    rig.until_view(true, "in its own network");
    rig.stick.say("+CDS: 9999");
    rig.stick.say("DEADBEEFDEADBEEFDEADBEEF");
    rig.stick.say("+CMTI: x,,,");
    rig.stick.receive_unit("0004FF");
    rig.stick.say("+CMTI: \"SM\",1");
    rig.stick.say("+CMTI: \"SM\",1");
    rig.until_stored(0);
    accepted(&rig.text(1, WORDS).await, "delivered");
    rig.stick.receive(INES, "ACK K7Q3");
    assert_eq!(rig.arrived().await.1.as_deref(), Some("ACK K7Q3"));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_modem_that_tells_of_nothing_still_sends_and_is_looked_at() {
    let mut rig = Rig::new(Manner { no_notices: true, ..Manner::default() });
    rig.stick.receive(INES, "ACK K7Q3");
    rig.channels.send(&Target::parse("ines.text"), page(1, WORDS));
    assert_eq!(rig.arrived().await.1.as_deref(), Some("ACK K7Q3"));
    accepted(&rig.outcome().await.1, "the modem tells of no delivery reports");
    assert!(!rig.stick.sent()[0].report);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_without_a_modem_fails_and_says_what_to_do() {
    let (results, mut outcomes) = mpsc::unbounded_channel();
    let context = SharedParts {
        reply_to: None,
        clock: Arc::new(|| Wall(0)),
        names: Arc::default(),
        publish: Arc::new(NoBroker),
        modem: None,
        reports: None,
    };
    let settings = ChannelSettings::Text(Number::parse(INES).expect("a number"));
    let channel = Channel::new(&settings, None).expect("right");
    let channels = Channels::start([(Target::parse("ines.text"), channel)].into(), &context, results);
    channels.send(&Target::parse("ines.text"), page(1, WORDS));
    failed(&soon("an outcome", outcomes.recv()).await.expect("one").1, "no modem is set up");
}
