//! A mailbox's server that means harm, or has lost its mind: nothing that it says costs more than a
//! bound, the watch goes on beside it, and whoever looks is told what is wrong with it.

use crate::letters::above;
use crate::{SLACKWATER, answers, code_of};
use slackwater_rules::record::Body;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::house::{House, RULES};
use slackwater_tests::mosquitto;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};

/// What goes wrong in a conversation, and in answer to which command.
#[derive(Clone, Copy, Debug)]
enum Harm {
    /// A line that never ends.
    Endless(&'static str),
    /// A message is announced with this length.
    Literal(&'static str),
    /// The connection ends within an answer: after these octets of it.
    Dropped(&'static str, &'static [u8]),
    /// Thousands of answers to one command.
    Flood(&'static str),
    /// Nothing more, with the connection open.
    Silence(&'static str),
    /// Thousands of words while nothing was asked.
    Chatter,
    /// None.
    Sound,
}

/// A scripted server: each connection suffers the next harm, and the last one goes on.
struct HostileMailbox {
    port: u16,
    searches: Arc<AtomicUsize>,
    mail: Arc<Mutex<Option<(u32, String)>>>,
}

impl HostileMailbox {
    async fn start(harms: Vec<Harm>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let port = listener.local_addr().expect("bound").port();
        let (searches, mail) =
            (Arc::<AtomicUsize>::default(), Arc::<Mutex<Option<(u32, String)>>>::default());
        let (counted, kept) = (Arc::clone(&searches), Arc::clone(&mail));
        tokio::spawn(async move {
            let mut harms = harms.into_iter();
            let mut harm = Harm::Sound;
            while let Ok((stream, _)) = listener.accept().await {
                harm = harms.next().unwrap_or(harm);
                let (counted, kept) = (Arc::clone(&counted), Arc::clone(&kept));
                tokio::spawn(async move {
                    // It ends when the other side does, or by its own harm.
                    let _ = converse(stream, harm, &counted, &kept).await;
                });
            }
        });
        Self { port, searches, mail }
    }
}

/// Says one harm in place of what would be right; `None` when the conversation is over.
async fn harmed(to: &mut OwnedWriteHalf, harm: Harm, command: &str) -> std::io::Result<Option<()>> {
    match harm {
        Harm::Endless(at) if at == command => loop {
            to.write_all(&[b'x'; 4096]).await?;
        },
        Harm::Dropped(at, octets) if at == command => {
            to.write_all(octets).await?;
            to.shutdown().await?;
            return Ok(None);
        }
        Harm::Flood(at) if at == command => loop {
            to.write_all(b"* OK and another thing\r\n").await?;
        },
        Harm::Silence(at) if at == command => {
            tokio::time::sleep(Duration::from_secs(3600)).await;
        }
        Harm::Literal(length) if command == "FETCH" => {
            to.write_all(format!("* 1 FETCH (UID 1 BODY[] {{{length}}}\r\n").as_bytes()).await?;
            loop {
                to.write_all(&[b'x'; 4096]).await?;
            }
        }
        Harm::Chatter if command == "IDLE" => {
            to.write_all(b"+ go on\r\n").await?;
            loop {
                to.write_all(b"* OK still here\r\n").await?;
            }
        }
        _ => {}
    }
    Ok(Some(()))
}

async fn converse(
    stream: TcpStream,
    harm: Harm,
    searches: &AtomicUsize,
    mail: &Mutex<Option<(u32, String)>>,
) -> std::io::Result<()> {
    let (from, mut to): (OwnedReadHalf, OwnedWriteHalf) = stream.into_split();
    let mut lines = BufReader::new(from);
    if harmed(&mut to, harm, "GREETING").await?.is_none() {
        return Ok(());
    }
    to.write_all(b"* OK here\r\n").await?;
    let mut line = String::new();
    while lines.read_line(&mut line).await? > 0 {
        let said = std::mem::take(&mut line);
        let (tag, command) = said.trim_end().split_once(' ').unwrap_or_default();
        let verb = command.trim_start_matches("UID ").split(' ').next().unwrap_or_default().to_owned();
        if harmed(&mut to, harm, &verb).await?.is_none() {
            return Ok(());
        }
        match verb.as_str() {
            "CAPABILITY" => to.write_all(b"* CAPABILITY IMAP4rev1 IDLE\r\n").await?,
            "SELECT" => to.write_all(b"* FLAGS (\\Answered)\r\n* OK [UIDVALIDITY 1] good\r\n").await?,
            "SEARCH" => {
                searches.fetch_add(1, Ordering::Relaxed);
                let there = mail.lock().expect("no panic").as_ref().map(|(number, _)| format!(" {number}"));
                to.write_all(format!("* SEARCH{}\r\n", there.unwrap_or_default()).as_bytes()).await?;
            }
            "FETCH" => {
                let (number, text) = mail.lock().expect("no panic").clone().unwrap_or_default();
                let text = text.replace('\n', "\r\n");
                let now = jiff::Timestamp::now().strftime("%d-%b-%Y %H:%M:%S +0000");
                let head = format!(
                    "* 1 FETCH (UID {number} INTERNALDATE \"{now}\" BODY[]<0> {{{}}}\r\n",
                    text.len()
                );
                to.write_all(format!("{head}{text})\r\n").as_bytes()).await?;
            }
            "STORE" => drop(mail.lock().expect("no panic").take()),
            "IDLE" => {
                // New mail, at once, each time: whoever believes it looks again without a pause.
                to.write_all(b"+ go on\r\n* 1 EXISTS\r\n").await?;
                lines.read_line(&mut line).await?;
                line.clear();
            }
            _ => {}
        }
        to.write_all(format!("{tag} OK done\r\n").as_bytes()).await?;
    }
    Ok(())
}

/// The house with a mailbox at this port, asked in the clear or after this word.
async fn house(port: u16, security: &str) -> Option<House> {
    if !mosquitto::available() {
        return None;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    house.home.write("imap-password", "spring tide\n").expect("written");
    let section = format!(
        "\n[answers.mail]\nhost = \"127.0.0.1\"\nport = {port}\nsecurity = \"{security}\"\nuser = \"watch\"\n\
         password-file = \"imap-password\"\ntimeout = \"5 s\"\n"
    );
    house.configure(&section).expect("written");
    let patient = RULES.replace("lease  = \"5 s\"", "lease  = \"10 min\"");
    house.home.write("rules.toml", &patient).expect("written");
    Some(house)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_harm_by_a_mailboxs_server_costs_more_than_a_bound_and_each_is_named() {
    // Those before the login is over make the pause longer; one behind it makes it short again.
    let harms = [
        (Harm::Endless("GREETING"), "a line has more than"),
        (Harm::Literal("4294967296"), "it sends more than 262144 bytes at once"),
        (Harm::Dropped("LOGIN", b"s2 O"), "it ended within a line"),
        (Harm::Endless("SEARCH"), "a line has more than"),
        (Harm::Literal("99999999999999999999999999"), "it sends more than 262144 bytes at once"),
        (Harm::Flood("CAPABILITY"), "it says more than 2000 things at once"),
        (Harm::Dropped("FETCH", b"* 1 FETCH (UID 1 BODY[] {400}\r\nFrom: ines"), "it ended within a line"),
        (Harm::Chatter, "it says more than 2000 things at once"),
        (Harm::Dropped("SELECT", b""), "the other side closed it"),
        (Harm::Silence("SELECT"), "no login within 15 s"),
    ];
    let server =
        HostileMailbox::start(harms.iter().map(|(harm, _)| *harm).chain([Harm::Sound]).collect()).await;
    // Fetched where a message is wanted.
    *server.mail.lock().expect("no panic") = Some((1, "From: nobody@example.org\n\nnothing\n".to_owned()));
    let Some(house) = house(server.port, "none").await else { return };
    let mut agent = house.watch();
    let before = agent.kibibytes("RssAnon");
    let mut from = 0;
    for (harm, why) in harms {
        let seen = until(
            &format!("{harm:?} to be named"),
            SOON * 2,
            || agent.log()[from..].find(why).map(|at| from + at + why.len()),
            || agent.log(),
        );
        from = seen;
    }
    assert!(
        agent.kibibytes("RssAnon") < before + 8 * 1024,
        "{} KiB from {before}",
        agent.kibibytes("RssAnon")
    );
    agent.logs("the mailbox for answers is open");
    // All that while it watched, and an answer by this very server counts.
    house.board.set("house/mains", "off");
    let code = code_of(&house, "power-lost");
    let is_mailed = |body: &Body| matches!(body, Body::Paged { target, .. } if target == "ines.mail");
    house.home.record("a page by mail", 0, is_mailed);
    *server.mail.lock().expect("no panic") = Some((2, above(&format!("Have it, {code}"), &code)));
    until("the answer", SOON * 2, || (!answers(&house).is_empty()).then_some(()), || house.home.log());
    // It says all the time that there is new mail; that is believed a few times a second at most.
    let searches = server.searches.load(Ordering::Relaxed);
    tokio::time::sleep(Duration::from_secs(2)).await;
    let looked = server.searches.load(Ordering::Relaxed) - searches;
    assert!((1..=10).contains(&looked), "{looked} looks in 2 s");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_mailboxs_server_says_before_encryption_is_no_answer() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("bound");
    let port = listener.local_addr().expect("bound").port();
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let mut asked = [0; 64];
            // Whoever stands between says the server's next words along with its last ones in the clear.
            let _ = stream.write_all(b"* OK here\r\n").await;
            let _ = stream.read(&mut asked).await;
            let _ = stream.write_all(b"s1 OK begin\r\n* CAPABILITY IMAP4rev1 IDLE\r\ns2 OK done\r\n").await;
            let _ = stream.read(&mut asked).await;
        }
    });
    let Some(house) = house(port, "starttls").await else { return };
    let mut agent = house.watch();
    agent.logs("more than an answer came before encryption began");
    agent.terminate();
}
