//! One set of channels, a page to send, and a bounded wait for outcomes.

use slackwater::channels::{
    Channel, ChannelSettings, Channels, MailSettings, NotPublished, Publish, Publishing, Security, SentNames,
    SharedParts,
};
use slackwater::mqtt::ClientIdentity;
use slackwater_rules::alarm::Priority;
use slackwater_rules::page::{Look, Page, Said, Short};
use slackwater_rules::plan::Target;
use slackwater_rules::record::{Outcome, Purpose, Seq};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use slackwater_tests::certs::{Authority, Validity};
use slackwater_tests::smtp::Script;
use slackwater_tests::wire;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tempfile::TempDir;
use tokio::sync::mpsc;

/// 2026-11-24T03:12:45Z.
pub(crate) const NOW: Wall = Wall(1_795_489_965_000);

pub(crate) fn page(id: Seq) -> Page {
    saying(
        id,
        "lagoon: mains are off, CRITICAL, since 03:12, code K7",
        &[
            "Oxygen: 1 h 10 min to 2 h left.",
            "Done: air pump on, proved.",
            "Do: open the lid & stir; < 5 min each.",
            "Answer with code K7.",
        ],
    )
}

/// A page with these words in it, in every form that it has.
pub(crate) fn saying(id: Seq, headline: &str, lines: &[&str]) -> Page {
    let said = Said {
        kind: Look::Trouble,
        heading: headline.to_owned(),
        under: lines.iter().map(|line| (*line).to_owned()).collect(),
        short: Short { what: vec!["lagoon mains off CRITICAL 03:12 K7".into()], ..Short::default() },
        ..Said::default()
    };
    Page {
        id,
        call: 5,
        after: Vec::new(),
        purpose: Purpose::Call,
        priority: Priority::Critical,
        site: "Halyard House".into(),
        place: "lagoon".into(),
        alarm: "power-lost".into(),
        code: "K7".into(),
        since: Wall(1_795_489_920_000),
        headline: headline.to_owned(),
        body: said.plain(),
        said,
        maybe_repeat: false,
    }
}

/// Keeps what is published; panics on the topic `defect`, refuses on `deaf`.
#[derive(Default)]
pub(crate) struct Board(pub(crate) Mutex<Vec<(String, Vec<u8>)>>);

impl Publish for Board {
    fn publish<'a>(&'a self, topic: &'a str, payload: &'a [u8]) -> Publishing<'a> {
        Box::pin(async move {
            match topic {
                "defect" => panic!("the siren's wiring is wrong"),
                "deaf" => Err(NotPublished::Yet { why: "the broker is away".into(), perhaps: false }),
                "mute" => std::future::pending().await,
                _ => {
                    self.0.lock().unwrap().push((topic.to_owned(), payload.to_vec()));
                    Ok(())
                }
            }
        })
    }
}

pub(crate) struct Rig {
    pub(crate) channels: Channels,
    pub(crate) board: Arc<Board>,
    outcomes: mpsc::UnboundedReceiver<(Seq, Outcome)>,
}

impl Rig {
    pub(crate) fn new(channels: Vec<(&str, ChannelSettings)>, mail: Option<MailSettings>) -> Self {
        let (results, outcomes) = mpsc::unbounded_channel();
        let board = Arc::new(Board::default());
        let publish: Arc<dyn Publish> = Arc::clone(&board) as Arc<dyn Publish>;
        let context = SharedParts {
            reply_to: None,
            clock: Arc::new(|| NOW),
            names: Arc::new(SentNames::of(0x7e2a, &Now { mono: Moment(0), wall: NOW, wall_trusted: true })),
            publish,
            modem: None,
            reports: None,
        };
        let channels = channels
            .into_iter()
            .map(|(target, settings)| {
                (Target::parse(target), Channel::new(&settings, mail.as_ref()).expect("settings are right"))
            })
            .collect();
        Self { channels: Channels::start(channels, &context, results), board, outcomes }
    }

    pub(crate) fn send(&self, target: &str, page: Page) {
        self.channels.send(&Target::parse(target), page);
    }

    pub(crate) async fn outcome(&mut self) -> (Seq, Outcome) {
        let next = tokio::time::timeout(Duration::from_secs(15), self.outcomes.recv());
        next.await.expect("an outcome within 15 s").expect("channels still run")
    }

    /// Sends to the only target there is in the simple rigs.
    pub(crate) async fn try_mail(&mut self, page: Page) -> Outcome {
        let id = page.id;
        self.send("ines.mail", page);
        let (of, outcome) = self.outcome().await;
        assert_eq!(of, id);
        outcome
    }

    pub(crate) fn no_more(&mut self) -> bool {
        self.outcomes.try_recv().is_err()
    }
}

pub(crate) fn mail_settings(port: u16, security: Security) -> MailSettings {
    MailSettings {
        host: "localhost".into(),
        port,
        security,
        user: None,
        password: None,
        from: "watch@example.org".parse().unwrap(),
        ca_file: None,
        identity: None,
        hello: None,
        timeout: Span::seconds(10),
    }
}

pub(crate) fn to_ines() -> Vec<(&'static str, ChannelSettings)> {
    vec![("ines.mail", ChannelSettings::Mail("Ines <ines@example.org>".parse().unwrap()))]
}

/// A script whose server has a certificate of `authority`.
pub(crate) fn with_tls(authority: &Authority, validity: Validity) -> Script {
    let identity = authority.identity("localhost", validity).unwrap();
    Script { tls: Some(wire::tls(&identity).unwrap()), ..Script::default() }
}

pub(crate) fn authority() -> (TempDir, Authority) {
    let folder = tempfile::tempdir().unwrap();
    let authority = Authority::new(folder.path(), "own").unwrap();
    (folder, authority)
}

/// What we show to a server that wants to know who we are.
pub(crate) fn ours(authority: &Authority) -> ClientIdentity {
    let identity = authority.identity("watch", Validity::Now).unwrap();
    ClientIdentity { certificate: identity.certificate, key: identity.key }
}

pub(crate) fn why(outcome: &Outcome) -> String {
    match outcome {
        Outcome::Accepted { note } => note.clone(),
        other => other.trouble().unwrap_or_default(),
    }
}

#[track_caller]
pub(crate) fn assert_accepted(outcome: &Outcome) {
    assert!(matches!(outcome, Outcome::Accepted { .. }), "{outcome:?}");
}

#[track_caller]
pub(crate) fn assert_deferred(outcome: &Outcome, saying: &str) {
    assert!(matches!(outcome, Outcome::Deferred { .. }) && why(outcome).contains(saying), "{outcome:?}");
}

#[track_caller]
pub(crate) fn assert_failed(outcome: &Outcome, saying: &str) {
    assert!(matches!(outcome, Outcome::Failed { why } if why.contains(saying)), "{outcome:?}");
}
