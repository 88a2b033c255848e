//! The one task that keeps the connection to the mailbox. New messages of contacts flow out to the
//! loop, one by one, and each is marked as handled once the loop has it in the journal; what the
//! loop has to say to whoever wrote it goes to `reply`. A connection that breaks is made again,
//! ever less often, up to once a minute; what has come meanwhile is found then, and the loop judges
//! whether it is still fresh.

use super::MailboxSettings;
use super::imap::{Imap, limit};
use super::letter::Letter;
use super::reply::Replier;
use super::said::{Fetched, ImapFault};
use crate::channels::MailSettings;
use crate::clock::Clock;
use crate::plain_text::tame;
use slackwater_rules::time::{Span, Wall};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::time::{Instant, sleep, sleep_until, timeout};

/// Waits between two attempts to connect.
const FIRST_WAIT: Duration = Duration::from_secs(2);
const LONGEST_WAIT: Duration = Duration::from_secs(60);

/// A server that refuses our login is asked seldom: it locks out whoever knocks on and on.
const REFUSED_WAIT: Duration = Duration::from_secs(600);

/// So long the server is left to tell of mail by itself: routers forget connections that say
/// nothing for five minutes, and RFC 2177 asks for less than half an hour.
const IDLE: Duration = Duration::from_secs(240);

/// Between two looks at a mailbox whose server does not tell.
const LOOK: Duration = Duration::from_secs(20);

/// From one look to the next at least, however often the server tells of mail.
const PAUSE: Duration = Duration::from_millis(250);

/// Messages that are handled in one round; the others wait for the next one.
const MOST_AT_ONCE: usize = 50;

/// Messages that are remembered as handled, in case they can't be marked.
const REMEMBERED: usize = 1_000;

/// Only mail of the last days is looked for: nothing older is an answer to anything.
const LOOKS_BACK: Span = Span::hours(48);

/// A turn of the loop takes far less, unless it ends.
const TAKEN_WITHIN: Duration = Duration::from_secs(10);

/// Messages handed to the loop that it has not looked at.
const ARRIVED: usize = 4;

/// So much is shown of what is wrong.
const SHOWN: usize = 300;

/// What the loop made of a message.
#[derive(Debug)]
pub enum LetterFate {
    /// It is dealt with: it may be marked.
    Done,
    /// So it is, and whoever wrote it should hear this.
    Answer(String),
    /// It has nothing to do with us: it stays as it is.
    NotOurs,
}

/// A message of somebody whose address is a contact's, or a report of delivery.
#[derive(Debug)]
pub struct ArrivedMail {
    /// The message.
    pub letter: Letter,
    /// When it reached the mailbox, as its server says.
    pub at: Option<Wall>,
    /// It came while we listened.
    pub live: bool,
    /// To be told what came of it, once it is safe to mark it.
    pub taken: oneshot::Sender<LetterFate>,
}

/// The mailbox, as far as others have to do with it. The task ends with the last of these.
#[derive(Clone)]
pub struct Mailbox {
    view: Arc<Mutex<Option<Result<(), String>>>>,
    people: watch::Sender<Vec<String>>,
}

impl Mailbox {
    /// Starts to look at the mailbox; must be called on a tokio runtime. Only mail from these
    /// addresses is looked at. `mail` is the server that replies leave by.
    pub fn start(
        settings: MailboxSettings,
        mail: MailSettings,
        people: Vec<String>,
        clock: Clock,
    ) -> (Self, mpsc::Receiver<ArrivedMail>) {
        let (letters, arrived) = mpsc::channel(ARRIVED);
        let (people, known) = watch::channel(people);
        let view = Arc::new(Mutex::new(None));
        let replier = Replier::start(mail, clock.clone());
        let owner = MailboxOwner {
            settings,
            letters,
            people: known,
            clock,
            replier,
            view: Arc::clone(&view),
            seen: BTreeMap::new(),
            validity: None,
        };
        tokio::spawn(owner.work());
        (Self { view, people }, arrived)
    }

    /// How it is: not known yet, well, or why not.
    pub fn view(&self) -> Option<Result<(), String>> {
        self.view.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// From now on these are the contacts' addresses.
    pub fn listen_to(&self, people: Vec<String>) {
        self.people.send_replace(people);
    }
}

struct MailboxOwner {
    settings: MailboxSettings,
    letters: mpsc::Sender<ArrivedMail>,
    people: watch::Receiver<Vec<String>>,
    clock: Clock,
    replier: Replier,
    view: Arc<Mutex<Option<Result<(), String>>>>,
    /// Handed on in this life, by their numbers: whether they may be marked. And what the numbers
    /// are good with.
    seen: BTreeMap<u32, bool>,
    validity: Option<u32>,
}

impl MailboxOwner {
    /// Until nobody listens any more.
    async fn work(mut self) {
        let mut wait = FIRST_WAIT;
        while !self.letters.is_closed() {
            let fault = match Imap::open(&self.settings).await {
                Ok(imap) => {
                    wait = FIRST_WAIT;
                    self.show(Ok(()));
                    self.serve(imap).await
                }
                Err(fault) => fault,
            };
            let why = fault.to_string();
            let is_login = why.contains("refused our login");
            self.show(Err(why));
            sleep(if is_login { REFUSED_WAIT } else { wait }).await;
            wait = (wait * 2).min(LONGEST_WAIT);
        }
    }

    fn show(&self, view: Result<(), String>) {
        let place = format!("{}:{}", self.settings.host, self.settings.port);
        let view = view.map_err(|why| tame(&format!("{place}: {why}"), SHOWN));
        let mut held = self.view.lock().unwrap_or_else(PoisonError::into_inner);
        if held.as_ref() != Some(&view) {
            match &view {
                Ok(()) => tracing::info!(place, "the mailbox for answers is open"),
                Err(why) => tracing::warn!(why, "the mailbox for answers can't be used"),
            }
        }
        *held = Some(view);
    }

    /// Serves until the connection is of no more use: why.
    async fn serve(&mut self, mut imap: Imap) -> ImapFault {
        let limit = limit(&self.settings);
        if self.validity != imap.validity {
            self.validity = imap.validity;
            self.seen.clear();
        }
        let mut live = false;
        loop {
            let is_left = match timeout(limit * 4, self.round(&mut imap, live)).await {
                Ok(Ok(is_left)) => is_left,
                Ok(Err(fault)) => return fault,
                Err(_) => return ImapFault::Broken("it was silent for too long".to_owned()),
            };
            live = true;
            if self.letters.is_closed() {
                return ImapFault::Broken("the watch ends".to_owned());
            }
            if is_left || !imap.can_idle() {
                sleep(LOOK).await;
            } else {
                let since = Instant::now();
                if let Err(fault) = imap.wait(IDLE, limit).await {
                    return fault;
                }
                sleep_until(since + PAUSE).await;
            }
        }
    }

    /// Handles what has not been; whether something is left for another round. One message that the
    /// server won't give or mark keeps no other from being heard.
    async fn round(&mut self, imap: &mut Imap, live: bool) -> Result<bool, ImapFault> {
        let people = self.people.borrow_and_update().clone();
        let now = self.clock.now();
        let since = now.wall_trusted.then(|| now.wall - LOOKS_BACK);
        let mut found = imap.unhandled(&people, since).await?;
        // The newest count most if there are too many.
        let mut is_left = found.drain(..found.len().saturating_sub(MOST_AT_ONCE)).count() > 0;
        for uid in found {
            let may_mark = match self.seen.get(&uid) {
                Some(may_mark) => *may_mark,
                None => {
                    let Fetched { arrived, octets } = match imap.fetch(uid).await {
                        Ok(Some(fetched)) => fetched,
                        Ok(None) => continue,
                        Err(fault) => {
                            self.go_on_after("a message can't be read", fault)?;
                            is_left = true;
                            continue;
                        }
                    };
                    let Some(heeded) = self.hand_on(Letter::read(&octets), arrived, live).await else {
                        is_left = true;
                        continue;
                    };
                    while self.seen.len() >= REMEMBERED {
                        self.seen.pop_first();
                    }
                    let may_mark = !matches!(heeded, LetterFate::NotOurs);
                    self.seen.insert(uid, may_mark);
                    may_mark
                }
            };
            if may_mark && let Err(fault) = imap.settle(uid).await {
                self.go_on_after("a handled message can't be marked or moved", fault)?;
            }
        }
        Ok(is_left)
    }

    /// What the server refuses is told, and the connection is still good.
    fn go_on_after(&self, what: &str, fault: ImapFault) -> Result<(), ImapFault> {
        match fault {
            ImapFault::Refused(why) => {
                self.show(Err(format!("{what}: {why}")));
                Ok(())
            }
            broken @ ImapFault::Broken(_) => Err(broken),
        }
    }

    /// What the loop made of it, if it has it.
    async fn hand_on(&mut self, letter: Letter, at: Option<Wall>, live: bool) -> Option<LetterFate> {
        let (taken, is_taken) = oneshot::channel();
        let about = letter.clone();
        self.letters.try_send(ArrivedMail { letter, at, live, taken }).ok()?;
        let heeded = timeout(TAKEN_WITHIN, is_taken).await.ok()?.ok()?;
        if let LetterFate::Answer(words) = &heeded {
            self.replier.send(&about, words.clone());
        }
        Some(heeded)
    }
}
