//! The door of the page: its port is in use at the start, links to it while it is shut and when it
//! has opened; how it is encrypted; who gets in by a code; and the report that leaves by mail.

use super::small_house::{HERE, SmallHouse, cookie_of, get, post, status};
use mail_parser::{MessageParser, MimeHeaders as _};
use slackwater_rules::record::Body;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::certs::{Authority, Validity};
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Tried again every ten seconds, on a busy machine.
const MENDED: Duration = Duration::from_secs(40);

#[test]
fn a_port_in_use_is_an_alarm_and_pages_get_their_link_when_the_door_opens_late() {
    let house = SmallHouse::new("listen = \"127.0.0.1:{port}\"\nurl = \"http://127.0.0.1:{port}\"", "");
    let taken = TcpListener::bind(house.address()).expect("free");
    let agent = house.start();
    // The watch goes on without the page, and says so by an alarm like any other.
    let raised = house.home.record(
        "the alarm",
        0,
        |body| matches!(body, Body::Raised { because, .. } if because.contains("can't listen on 127.0.0.1")),
    );
    let status_words = house.home.say(&["status"]).well();
    assert!(status_words.contains("can't listen on"), "{status_words}");
    let refused = house.home.say(&["web", "invite", "ines"]);
    assert!(refused.code != Some(0), "{refused:?}");
    let link = format!("http://127.0.0.1:{}/call/", house.port);
    let shut = house.letter("a page while the door is shut", |letter| letter.contains("Subject:"));
    assert!(!shut.contains(&link), "{shut}");
    drop(taken);
    house.is_served(MENDED);
    house.home.record("the alarm's end", raised.seq, |body| match (body, &raised.body) {
        (Body::Returned { alarm, .. }, Body::Raised { alarm: known, .. }) => alarm == known,
        _ => false,
    });
    // A test waits while a real call-out runs.
    house.home.record("the call-out's end", raised.seq, |body| matches!(body, Body::CallEnded { .. }));
    house.home.say(&["drill", "callout", "household"]).well();
    house.letter("a page with the link", |letter| letter.replace("=\r\n", "").contains(&link));
    agent.terminate();
}

#[test]
fn a_code_by_ones_own_channel_signs_in_the_browser_that_asked() {
    let house = SmallHouse::new("listen = \"127.0.0.1:{port}\"", "");
    let agent = house.start();
    house.is_served(SOON);
    let address = house.address();
    let asked_of = |reply: &str| {
        let (_, rest) = reply.split_once("name=\"asked\" value=\"").expect("a form for the code");
        rest.split('"').next().expect("a value").to_owned()
    };
    let code_of = |letter: &str| {
        let (_, rest) = letter.split_once("Halyard House: ").expect("a headline");
        rest.split_whitespace().next().expect("a code").to_owned()
    };
    // A form of another site asks for nothing.
    let from_elsewhere = post(&address, "/sign-in", "Sec-Fetch-Site: cross-site\r\n", "who=ines");
    assert_eq!(status(&from_elsewhere), "403");
    // Nobody learns who lives here: the reply to a stranger's name is the same, and nothing is
    // sent.
    let stranger = post(&address, "/sign-in", HERE, "who=Nobody");
    let known = post(&address, "/sign-in", HERE, "who=ines+halyard&to=%2Flog");
    let without_handle = |reply: &str| {
        reply.replace(&asked_of(reply), "").replace("<input type=\"hidden\" name=\"to\" value=\"/log\">", "")
    };
    let body = |reply: &str| reply.split_once("\r\n\r\n").expect("a body").1.to_owned();
    assert_eq!(status(&known), "200");
    assert_eq!(without_handle(&body(&stranger)), without_handle(&body(&known)));
    let letter = house.letter("the code", |letter| letter.contains("signs you in"));
    let code = code_of(&letter);
    assert!(letter.contains("To: Ines") && code.len() == 9, "{letter}");
    assert_eq!(house.letters().iter().filter(|letter| letter.contains("signs you in")).count(), 1);
    // It is of no use in another browser, and a wrong one of no use in this.
    let handle = asked_of(&known);
    let stolen = post(&address, "/in", HERE, &format!("asked={}&code={code}", asked_of(&stranger)));
    assert_eq!((status(&stolen), cookie_of(&stolen)), ("403", None));
    let wrong = post(&address, "/in", HERE, &format!("asked={handle}&code=AAAA-AAAA"));
    assert_eq!((status(&wrong), cookie_of(&wrong)), ("403", None));
    // Right, once, and on to where the person wanted to go.
    let form = format!("asked={handle}&code={}&to=%2Flog", code.to_lowercase().replace('-', "+"));
    let right = post(&address, "/in", HERE, &form);
    assert_eq!(status(&right), "303", "{right}");
    assert!(right.to_lowercase().contains("location: /log\r\n"), "{right}");
    let cookie = cookie_of(&right).expect("a session");
    assert_eq!(status(&get(&address, "/", &cookie)), "200");
    assert_eq!(status(&post(&address, "/in", HERE, &form)), "403", "once");
    // Nowhere else but on this site is anybody led.
    for to in ["https%3A%2F%2Fevil.example", "%2F%2Fevil.example", "%2F%5Cevil.example", "javascript%3Ax"] {
        let reply = post(&address, "/sign-in", HERE, &format!("who=ines&to={to}"));
        assert!(!reply.contains("evil.example") && !reply.contains("javascript"), "{reply}");
    }
    // Neither the journal nor the log holds what lets somebody in.
    let journal = std::fs::read(house.home.path("journal.sqlite")).expect("a journal");
    assert!(!String::from_utf8_lossy(&journal).contains(&code) && !house.home.log().contains(&code));
    // Many wrong ones use the code up, and the others hear of it.
    let again = post(&address, "/sign-in", HERE, "who=tom");
    let handle = asked_of(&again);
    for _ in 0..5 {
        post(&address, "/in", HERE, &format!("asked={handle}&code=CCCC-CCCC"));
    }
    house.letter("a warning to the others", |letter| {
        letter.contains("To: Ines") && letter.contains("somebody guesses codes")
    });
    let late = house
        .letter("the other code", |letter| letter.contains("To: Tom") && letter.contains("signs you in"));
    let reply = post(&address, "/in", HERE, &format!("asked={handle}&code={}", code_of(&late)));
    assert_eq!(status(&reply), "403", "it is used up");
    agent.terminate();
}

#[test]
fn a_session_that_was_withdrawn_is_of_no_use_to_whoever_stole_it() {
    let house = SmallHouse::new("listen = \"127.0.0.1:{port}\"", "");
    let agent = house.start();
    house.is_served(SOON);
    let address = house.address();
    let sign_in = || {
        let reply = post(&address, "/in", HERE, &format!("invitation={}", house.invitation()));
        cookie_of(&reply).expect("a session")
    };
    let (phone, tablet) = (sign_in(), sign_in());
    let listed = house.home.say(&["web", "sessions"]).well();
    assert_eq!(listed.lines().filter(|line| line.contains("ines")).count(), 2, "{listed}");
    assert_eq!(status(&get(&address, "/", &phone)), "200");
    let mark = listed.split_whitespace().next().expect("a mark").to_owned();
    house.home.say(&["web", "withdraw", &mark]).well();
    let works = [&phone, &tablet].map(|cookie| status(&get(&address, "/", cookie)) == "200");
    assert_eq!(works.iter().filter(|works| **works).count(), 1, "one device is signed out");
    house.home.say(&["web", "withdraw", "ines"]).well();
    for cookie in [&phone, &tablet] {
        assert_eq!(status(&get(&address, "/", cookie)), "401");
        assert_eq!(status(&get(&address, "/live", cookie)), "401");
        let pressed =
            post(&address, "/work", &format!("{cookie}{HERE}"), "act=begin&tank=lagoon&work=feeding");
        assert_eq!(status(&pressed), "401");
    }
    agent.terminate();
}

#[test]
fn open_to_read_shows_everything_and_takes_nothing_without_a_sign_in() {
    let house = SmallHouse::new("listen = \"127.0.0.1:{port}\"\nopen = \"read\"", "");
    let agent = house.start();
    house.is_served(SOON);
    let address = house.address();
    for path in ["/", "/log", "/log/review.csv", "/tank/lagoon", "/work", "/drill"] {
        assert_eq!(status(&get(&address, path, "")), "200", "{path}");
    }
    assert_eq!(status(&get(&address, "/devices", "")), "404", "that is a person's own");
    let now = get(&address, "/", "");
    assert!(now.contains("Lagoon") && now.contains("/sign-in"), "{now}");
    for (path, form) in [
        ("/work", "act=begin&tank=lagoon&work=feeding"),
        ("/drill", "act=pages"),
        ("/call/AAAA", "act=have"),
        ("/devices", "session=x"),
    ] {
        assert_eq!(status(&post(&address, path, HERE, form)), "401", "{path}");
    }
    for method in ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"] {
        let request = format!("{method} /work HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
        assert_eq!(status(&super::small_house::say(&address, &request)), "405", "{method}");
    }
    agent.terminate();
}

/// What the page says over TLS to somebody who trusts this certificate alone.
fn over_tls(house: &SmallHouse, name: &str, trusted: &std::path::Path) -> Result<String, String> {
    use rustls::pki_types::pem::PemObject as _;
    use rustls::pki_types::{CertificateDer, ServerName};
    let mut roots = rustls::RootCertStore::empty();
    let certificate = CertificateDer::from_pem_file(trusted).map_err(|error| error.to_string())?;
    roots.add(certificate).map_err(|error| error.to_string())?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name_of = ServerName::try_from(name.to_owned()).map_err(|error| error.to_string())?;
    let mut client =
        rustls::ClientConnection::new(Arc::new(config), name_of).map_err(|error| error.to_string())?;
    let mut socket = TcpStream::connect(house.address()).map_err(|error| error.to_string())?;
    socket.set_read_timeout(Some(SOON)).map_err(|error| error.to_string())?;
    let mut stream = rustls::Stream::new(&mut client, &mut socket);
    let request =
        format!("GET /sign-in HTTP/1.1\r\nHost: {name}:{}\r\nConnection: close\r\n\r\n", house.port);
    stream.write_all(request.as_bytes()).map_err(|error| error.to_string())?;
    let mut heard = Vec::new();
    // How the other side ends is its own affair.
    let _ = stream.read_to_end(&mut heard);
    Ok(String::from_utf8_lossy(&heard).into_owned())
}

#[test]
fn beyond_this_machine_the_page_is_encrypted_with_a_certificate_that_stays_the_same() {
    let house =
        SmallHouse::new("listen = \"0.0.0.0:{port}\"\nurl = \"https://halyard.home.arpa:{port}\"", "");
    let agent = house.start();
    let file = house.home.path("web-certificate.pem");
    until("a certificate", SOON, || file.exists().then_some(()), || house.home.log());
    let page = || over_tls(&house, "localhost", &file).ok().filter(|page| status(page) == "200");
    let page = until("the page over TLS", SOON, page, || house.home.log());
    assert!(page.contains("Who is it?"), "{page}");
    let named = over_tls(&house, "halyard.home.arpa", &file).expect("it is for that name too");
    assert_eq!(status(&named), "200");
    over_tls(&house, "other.home.arpa", &file).expect_err("it is for no other name");
    // In the clear nothing is said.
    assert!(!get(&house.address(), "/sign-in", "").contains("Who is it?"));
    // The key is for the watch's own eyes.
    let key = std::fs::metadata(house.home.path("web-key.pem")).expect("a key");
    assert_eq!(std::os::unix::fs::PermissionsExt::mode(&key.permissions()) & 0o777, 0o600);
    agent.terminate();
    let before = std::fs::read(&file).expect("read");
    let agent = house.start();
    let page = || over_tls(&house, "localhost", &file).ok().filter(|page| status(page) == "200");
    until("the page after a restart", SOON, page, || house.home.log());
    assert_eq!(std::fs::read(&file).expect("read"), before, "a browser that trusts it goes on doing so");
    // Over TLS the cookie is held to this host and never sent in the clear.
    agent.terminate();
}

#[test]
fn with_the_keeper_s_own_certificate_whoever_trusts_its_authority_gets_in_and_a_new_one_is_taken_at_the_start()
 {
    let house = SmallHouse::new(
        "listen = \"0.0.0.0:{port}\"\nurl = \"https://halyard.home.arpa:{port}\"\n\
         certificate-file = \"keepers.pem\"\nkey-file = \"keepers.key\"",
        "",
    );
    let authority = Authority::new(house.home.folder(), "authority").expect("made");
    let other = Authority::new(house.home.folder(), "other").expect("made");
    let give = |from: &Authority| {
        let made = from.identity("halyard.home.arpa", Validity::Now).expect("made");
        std::fs::copy(&made.certificate, house.home.path("keepers.pem")).expect("copied");
        std::fs::copy(&made.key, house.home.path("keepers.key")).expect("copied");
    };
    let page_for = |trusted: &Authority| {
        let page = || {
            let page = over_tls(&house, "halyard.home.arpa", &trusted.file()).ok();
            page.filter(|page| status(page) == "200")
        };
        until("the page over TLS", SOON, page, || house.home.log())
    };
    give(&authority);
    let agent = house.start();
    assert!(page_for(&authority).contains("Who is it?"));
    over_tls(&house, "halyard.home.arpa", &other.file())
        .expect_err("somebody else's authority says nothing of it");
    over_tls(&house, "localhost", &authority.file())
        .expect_err("it is for the name that the keeper had it made for");
    // Nothing is made beside it, and nothing is said in the clear.
    assert!(!house.home.path("web-certificate.pem").exists() && !house.home.path("web-key.pem").exists());
    assert!(!get(&house.address(), "/sign-in", "").contains("Who is it?"));
    agent.terminate();

    // A new one, by another authority.
    give(&other);
    let agent = house.start();
    assert!(page_for(&other).contains("Who is it?"));
    over_tls(&house, "halyard.home.arpa", &authority.file()).expect_err("the old one is gone");
    agent.terminate();

    // A key that belongs to another certificate: the watch goes on without the page, and says why.
    let stray = authority.identity("stray.example", Validity::Now).expect("made");
    std::fs::copy(&stray.key, house.home.path("keepers.key")).expect("copied");
    let after = house.home.records().last().map_or(0, |record| record.seq);
    let agent = house.start();
    house.home.record(
        "the alarm",
        after,
        |body| matches!(body, Body::Raised { because, .. } if because.contains("keepers.key")),
    );
    let said = house.home.say(&["status"]).well();
    assert!(said.contains("keepers.key"), "{said}");
    // Mended, it is taken without a restart.
    give(&other);
    until(
        "the page",
        MENDED,
        || over_tls(&house, "halyard.home.arpa", &other.file()).ok().filter(|page| status(page) == "200"),
        || house.home.log(),
    );
    agent.terminate();
}

#[test]
fn the_weekly_report_leaves_by_mail_with_its_pictures_and_once() {
    const DAYS: [&str; 7] = ["thursday", "friday", "saturday", "sunday", "monday", "tuesday", "wednesday"];
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_secs();
    let due = now - 120;
    let at = format!("{} {:02}:{:02}", DAYS[(due / 86_400 % 7) as usize], due / 3_600 % 24, due / 60 % 60);
    let house = SmallHouse::new("listen = \"127.0.0.1:{port}\"", &format!("report = \"{at}\""));
    let agent = house.start();
    let letter = house.letter("the report", |letter| letter.contains("Halyard House: the report"));
    let message = MessageParser::default().parse(letter.as_bytes()).expect("a mail");
    let words = message.body_text(0).expect("words").into_owned();
    assert!(words.contains("In short") && words.contains("It is attached"), "{words}");
    let file = message.attachments().next().expect("an attachment");
    assert_eq!(file.attachment_name(), Some("halyard-house.html"));
    let html = file.text_contents().expect("text");
    assert!(html.contains("default-src 'none'") && html.contains("Report of Halyard House"), "{html}");
    assert!(!html.contains("<script"));
    agent.terminate();
    let agent = house.start();
    house.is_served(SOON);
    let count = || house.letters().iter().filter(|letter| letter.contains("the report,")).count();
    assert_eq!(count(), 1, "a restart sends no second one");
    agent.terminate();
}
