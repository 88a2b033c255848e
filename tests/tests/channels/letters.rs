//! The mails themselves, read by independent parsers: RFC 5322 for the header and the thread,
//! RFC 2045 and 2046 for the parts, RFC 2047 for what is not ASCII.

use crate::rig::*;
use mail_parser::decoders::html::html_to_text;
use mail_parser::{Message, MessageParser, MimeHeaders};
use slackwater::channels::{MailSettings, Security};
use slackwater::secret::Secret;
use slackwater_rules::alarm::Priority;
use slackwater_rules::page::Page;
use slackwater_tests::certs::Validity;
use slackwater_tests::smtp::{Fault, Script, Server};
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

/// Sends pages and returns the mails as they arrived.
async fn letters(pages: Vec<Page>) -> Vec<Vec<u8>> {
    let server = Server::start(Script::default(), Fault::None).await.unwrap();
    let mut rig = Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
    let count = pages.len();
    for page in pages {
        assert_accepted(&rig.try_mail(page).await);
    }
    server.taken(count).await.into_iter().map(|taken| taken.data).collect()
}

async fn letter(page: Page) -> Vec<u8> {
    letters(vec![page]).await.remove(0)
}

fn read(letter: &[u8]) -> Message<'_> {
    MessageParser::default().parse(letter).unwrap()
}

fn words(text: &str) -> Vec<&str> {
    text.split_whitespace().collect()
}

#[tokio::test]
async fn a_mail_has_the_header_that_the_standards_want() {
    let raw = letter(page(123)).await;
    let mail = read(&raw);
    assert_eq!(mail.subject(), Some("lagoon: mains are off, CRITICAL, since 03:12, code K7"));
    assert_eq!(mail.message_id(), Some("page-123.7e2a.halyard-house@example.org"));
    assert_eq!(mail.date().unwrap().to_rfc3339(), "2026-11-24T03:12:45Z");
    let from = mail.from().unwrap().first().unwrap();
    assert_eq!((from.name(), from.address()), (Some("Halyard House"), Some("watch@example.org")));
    let to = mail.to().unwrap().first().unwrap();
    assert_eq!((to.name(), to.address()), (Some("Ines"), Some("ines@example.org")));
    assert_eq!(
        mail.header_raw("Auto-Submitted").map(str::trim),
        Some("auto-generated"),
        "RFC 3834, section 5"
    );
    assert_eq!(mail.header_raw("Importance").map(str::trim), Some("high"), "RFC 4021, section 2.1.54");
    assert_eq!(mail.mime_version().as_text(), Some("1.0"));
    let names: Vec<&str> = mail.headers_raw().map(|(name, _)| name).collect();
    let own = |name: &str| name.starts_with("X-") && name != "X-Auto-Response-Suppress";
    assert!(names.iter().all(|name| !own(name) && !name.starts_with("List-")), "{names:?}");
    let mut once = names.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), names.len(), "RFC 5322, section 3.6: each at most once: {names:?}");
}

#[tokio::test]
async fn a_mail_is_seven_bit_lines_within_the_limit() {
    let wide =
        Page { body: format!("Öl, äußerst schlüpfrig, 25 °C\n{}", "long ".repeat(500)), ..page(1) };
    for raw in letters(vec![page(2), wide]).await {
        let text = String::from_utf8(raw).unwrap();
        assert!(text.is_ascii());
        assert!(
            !text.replace("\r\n", "").contains(['\r', '\n']),
            "RFC 5322, section 2.3: CR and LF only together"
        );
        assert!(text.split("\r\n").all(|line| line.len() <= 998), "RFC 5322, section 2.1.1");
    }
}

#[tokio::test]
async fn both_parts_say_the_same() {
    for sent in [page(1), saying(2, "Häfen: dunkel, code K7", &["Öffne den Deckel: 25 °C.", ".", ".. dots"])]
    {
        let raw = letter(sent.clone()).await;
        let mail = read(&raw);
        let root = mail.root_part().content_type().unwrap();
        assert_eq!(
            (root.ctype(), root.subtype()),
            ("multipart", Some("alternative")),
            "RFC 2046, section 5.1.4"
        );
        assert_eq!((mail.text_body_count(), mail.html_body_count(), mail.attachment_count()), (1, 1, 0));
        let kinds: Vec<_> = [mail.text_part(0), mail.html_part(0)]
            .map(|part| part.unwrap().content_type().unwrap())
            .map(|kind| (kind.ctype().to_owned(), kind.subtype().unwrap().to_owned()))
            .into();
        assert_eq!(kinds, [("text".into(), "plain".into()), ("text".to_owned(), "html".to_owned())]);
        let plain = mail.body_text(0).unwrap();
        let from_html = html_to_text(&mail.body_html(0).unwrap());
        // The mark of trouble is for the eye; units keep to their numbers.
        let from_html = from_html.replace('◆', "").replace('\u{a0}', " ");
        assert_eq!(words(&plain), words(&from_html));
        assert!(plain.starts_with(&sent.headline));
        for line in sent.body.lines() {
            assert!(plain.lines().any(|said| said == line), "{line:?} is missing in {plain:?}");
        }
    }
}

#[tokio::test]
async fn the_html_part_fetches_nothing_and_escapes_everything() {
    let lines = ["<img src=x onerror=alert(1)>", "</p><script>alert(2)</script>"];
    let evil = saying(1, "<b>lagoon</b> & \"more\", code K7", &lines);
    let raw = letter(evil).await;
    let mail = read(&raw);
    let html = mail.body_html(0).unwrap();
    for never in ["<img", "<script", "<b>", "src=\"", "href", "url(", "http:", "https:", "@import"] {
        assert!(!html.contains(never), "{never} in {html}");
    }
    assert!(html.contains("width=device-width"), "fits a phone");
    let small = html.replace("max-width:560px", "").replace("width:64px", "");
    assert!(!small.contains("width:"), "nothing else has a fixed width");
    assert!(html_to_text(&html).contains("<script>alert(2)</script>"), "still said, as words");
}

/// RFC 5322, section 3.6.4.
#[tokio::test]
async fn the_mails_of_one_call_out_make_one_thread() {
    let first = page(10);
    let second = Page { after: vec![10], ..page(14) };
    let third = Page { after: vec![10, 14], ..page(20) };
    let many = Page { after: (100..150).collect(), ..page(200) };
    let raw = letters(vec![first, second, third, many]).await;
    let thread: Vec<_> = raw
        .iter()
        .map(|raw| {
            let mail = read(raw);
            let references = match mail.references().as_text_list() {
                Some(list) => list.iter().map(|id| id.to_string()).collect(),
                None => vec![mail.references().as_text().unwrap().to_owned()],
            };
            (mail.in_reply_to().as_text().unwrap().to_owned(), references)
        })
        .collect();
    let id = |name: &str| format!("{name}.7e2a.halyard-house@example.org");
    assert_eq!(thread[0], (id("call-5"), vec![id("call-5")]));
    assert_eq!(thread[1], (id("page-10"), vec![id("call-5"), id("page-10")]));
    assert_eq!(thread[2], (id("page-14"), vec![id("call-5"), id("page-10"), id("page-14")]));
    assert_eq!(thread[3].0, id("page-149"));
    assert_eq!(thread[3].1.len(), 11, "the root and the last ten");
    assert_eq!(thread[3].1[0], id("call-5"));
}

#[tokio::test]
async fn a_repeat_says_so_and_keeps_its_name() {
    let raw = letters(vec![page(1), Page { maybe_repeat: true, ..page(1) }]).await;
    let (first, repeat) = (read(&raw[0]), read(&raw[1]));
    assert_eq!(first.message_id(), repeat.message_id());
    assert_eq!(
        repeat.subject(),
        Some("(possible repeat) lagoon: mains are off, CRITICAL, since 03:12, code K7")
    );
}

#[tokio::test]
async fn only_a_critical_page_is_important() {
    for priority in [Priority::Low, Priority::Medium, Priority::High] {
        let raw = letter(Page { priority, ..page(1) }).await;
        assert_eq!(read(&raw).header_raw("Importance"), None);
    }
}

#[tokio::test]
async fn no_name_or_text_can_add_a_header() {
    let evil = "x\r\nBcc: all@example.org\r\n\r\nbody";
    let sent =
        Page { site: evil.into(), headline: evil.into(), place: evil.into(), body: evil.into(), ..page(1) };
    let raw = letter(sent).await;
    let mail = read(&raw);
    assert!(mail.bcc().is_none());
    assert_eq!(mail.subject(), Some("x Bcc: all@example.org body"));
    assert_eq!(mail.from().unwrap().first().unwrap().name(), Some("x Bcc: all@example.org body"));
    assert_eq!(mail.message_id(), Some("page-1.7e2a.x-bcc-all-example-org-body@example.org"));
}

#[tokio::test]
async fn names_beyond_ascii_arrive_whole() {
    let sent = Page {
        site: "Häfen 港".into(),
        headline: "Lagune: Strom fehlt, dringend, 25 °C, Code K7 — und noch viel mehr Worte danach".into(),
        ..page(1)
    };
    let raw = letter(sent.clone()).await;
    let mail = read(&raw);
    assert_eq!(mail.subject(), Some(sent.headline.as_str()));
    assert_eq!(mail.from().unwrap().first().unwrap().name(), Some("Häfen 港"));
    assert!(mail.message_id().unwrap().is_ascii());
}

struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// The server is aiosmtpd, the reader Python's own email package: neither knows lettre.
#[tokio::test]
async fn a_real_server_takes_a_page_and_a_second_parser_reads_it() {
    let there = Command::new("python3").args(["-c", "import aiosmtpd"]).stderr(Stdio::null()).status();
    if !there.is_ok_and(|status| status.success()) {
        assert!(
            std::env::var_os("SLACKWATER_NEED_REAL").is_none(),
            "python3 has no aiosmtpd, which is demanded"
        );
        eprintln!("not tried: python3 has no aiosmtpd (pip install aiosmtpd)");
        return;
    }
    let (_folder, authority) = authority();
    let identity = authority.identity("localhost", Validity::Now).unwrap();
    let child = Command::new("python3")
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/channels/real_server.py"))
        .args([&identity.certificate, &identity.key])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut child = Ended(child);
    let mut said = BufReader::new(child.0.stdout.take().unwrap()).lines();
    let port = said.next().unwrap().unwrap().parse().unwrap();
    let settings = MailSettings {
        user: Some("watch".into()),
        password: Some(Secret::new("t1de")),
        ca_file: Some(authority.file()),
        ..mail_settings(port, Security::Starttls)
    };
    let mut rig = Rig::new(to_ines(), Some(settings.clone()));
    let harbour = saying(4, "Häfen: dunkel, code K7", &["Öffne den Deckel: 25 °C.", ".", "Ende"]);
    let sent = Page { site: "Häfen".into(), after: vec![3], ..harbour };
    let outcome = rig.try_mail(sent.clone()).await;
    assert_eq!(why(&outcome), "250 2.0.0 taken");
    assert_accepted(&outcome);

    let mail: serde_json::Value = serde_json::from_str(&said.next().unwrap().unwrap()).unwrap();
    assert_eq!(mail["defects"], serde_json::json!([]), "{mail}");
    assert_eq!(mail["subject"], sent.headline);
    assert_eq!(mail["from"], "Häfen <watch@example.org>");
    assert_eq!(mail["message-id"], "<page-4.7e2a.hue4fen@example.org>");
    assert_eq!(mail["in-reply-to"], "<page-3.7e2a.hue4fen@example.org>");
    assert_eq!(mail["type"], "multipart/alternative");
    let plain = mail["plain"].as_str().unwrap();
    assert!(sent.body.lines().all(|line| plain.lines().any(|said| said == line)), "{plain}");
    assert!(mail["html"].as_str().unwrap().contains("Öffne den Deckel: 25&nbsp;°C.</p>"));

    let wrong = MailSettings { password: Some(Secret::new("wrong")), ..settings };
    let mut rig = Rig::new(to_ines(), Some(wrong));
    assert_failed(&rig.try_mail(page(5)).await, "535");
}
