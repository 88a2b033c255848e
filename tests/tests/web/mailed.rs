//! The report that leaves by itself on the day of return: made by a real agent, handed over in a
//! real conversation with a mail server that is not ours, by TLS and with a login.

use super::small_house::SmallHouse;
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use serde_json::Value;
use slackwater_rules::record::{Body, Drilled};
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::certs::{Authority, Validity};
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{SystemTime, UNIX_EPOCH};

/// aiosmtpd, and what it was given so far, as Python's own email package reads it.
struct MailServer {
    child: Child,
    port: u16,
    mails: Arc<Mutex<Vec<Value>>>,
}

impl Drop for MailServer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl MailServer {
    /// None where it can't be had, and need not be.
    fn start(authority: &Authority) -> Option<Self> {
        let there = Command::new("python3").args(["-c", "import aiosmtpd"]).stderr(Stdio::null()).status();
        if !there.is_ok_and(|status| status.success()) {
            assert!(std::env::var_os("SLACKWATER_NEED_REAL").is_none(), "python3 has no aiosmtpd");
            eprintln!("not tried: python3 has no aiosmtpd (pip install aiosmtpd)");
            return None;
        }
        let identity = authority.identity("localhost", Validity::Now).expect("a certificate");
        let mut child = Command::new("python3")
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/channels/real_server.py"))
            .args([&identity.certificate, &identity.key])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("it starts");
        let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        let port = lines.next().expect("a port").expect("read").parse().expect("a number");
        let mails: Arc<Mutex<Vec<Value>>> = Arc::default();
        let kept = Arc::clone(&mails);
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                kept.lock().expect("sound").extend(serde_json::from_str(&line));
            }
        });
        Some(Self { child, port, mails })
    }

    /// The reports among the mails.
    fn reports(&self) -> Vec<Value> {
        let mails = self.mails.lock().expect("sound").clone();
        let is_report = |mail: &Value| mail["subject"].as_str().is_some_and(|it| it.contains("the report,"));
        mails.into_iter().filter(is_report).collect()
    }
}

/// A zone in which it is about one in the afternoon now, and the day there: reports go out by day.
fn by_day() -> (String, Date) {
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_secs();
    let now = Timestamp::from_second(i64::try_from(seconds).expect("few")).expect("a time");
    let now = jiff::tz::TimeZone::UTC.to_datetime(now);
    let ahead = 13 - now.hour();
    // Signs of these names are turned round.
    (format!("Etc/GMT{:+}", -ahead), now.saturating_add(i64::from(ahead).hours()).date())
}

#[test]
fn whoever_was_away_gets_the_report_on_the_day_of_return_from_a_real_mail_server_by_tls() {
    let mut house = SmallHouse::new("listen = \"127.0.0.1:{port}\"", "");
    let authority = Authority::new(house.home.folder(), "authority").expect("made");
    let Some(server) = MailServer::start(&authority) else { return };
    let (zone, today) = by_day();
    let day = |days: i64| today.saturating_add(days.days());
    let mail = format!(
        "\n[mail]\nhost = \"localhost\"\nport = {}\nsecurity = \"starttls\"\nca-file = {:?}\nuser = \"watch\"\n\
         password-file = \"mail-password\"\nfrom = \"watch@halyard.example\"\n",
        server.port,
        authority.file()
    );
    house.home.write("mail-password", "t1de").expect("written");
    house.home.set("CREDENTIALS_DIRECTORY", &house.home.folder().display().to_string());
    let away = |from: i64, until: i64| {
        format!("away = [{{ from = \"{}\", until = \"{}\" }}]", day(from), day(until))
    };
    // Ines came home today, Tom is still away, and Aunt Beryl, who helps, was away as Ines was.
    house.change(|config| {
        let by_mail = |who: &str| format!("kind = \"mail\"\nto = \"{who} <{}@halyard.example>\"", who.to_lowercase());
        let in_folder = |who: &str| {
            format!("kind = \"folder\"\nfolder = \"pages\"\nto = \"{who} <{}@halyard.example>\"", who.to_lowercase())
        };
        let config = config.replace("zone = \"UTC\"", &format!("zone = \"{zone}\""));
        let config = config.replace(&in_folder("Ines"), &by_mail("Ines")).replace(&in_folder("Tom"), &by_mail("Tom"));
        let config = config.replace("name = \"Ines Halyard\"\n", &format!("name = \"Ines Halyard\"\n{}\n", away(-9, -1)));
        let config = config.replace("name = \"Tom\"\n", &format!("name = \"Tom\"\n{}\n", away(-9, 1)));
        let helper = format!(
            "\n[contact.beryl]\nname = \"Aunt Beryl\"\nhelper = true\n{}\n\n[contact.beryl.channel.mail]\n{}\n",
            away(-9, -1),
            by_mail("Beryl")
        );
        format!("{config}{helper}{mail}")
    });
    let agent = house.start();
    let story = || format!("{:#?}\n{}", server.mails.lock().expect("sound"), house.home.log());
    let report = until("the report", SOON, || server.reports().into_iter().next(), story);
    assert_eq!(report["defects"], serde_json::json!([]), "{report}");
    assert_eq!(report["to"], "Ines <ines@halyard.example>");
    let subject = report["subject"].as_str().expect("words");
    let named = |date: Date| date.strftime("%a %d %b").to_string();
    // All of the absence, up to the midnight that ended it.
    assert_eq!(subject, format!("Halyard House: the report, {} to {}", named(day(-9)), named(today)));
    let plain = report["plain"].as_str().expect("words");
    assert!(plain.contains("In short") && plain.contains("It is attached"), "{plain}");
    let enclosed = &report["attachments"][0];
    assert_eq!((&enclosed["name"], &enclosed["type"]), (&"halyard-house.html".into(), &"text/html".into()));
    let html = enclosed["text"].as_str().expect("text");
    assert!(html.starts_with("<!DOCTYPE html>") && html.trim_end().ends_with("</html>"), "it came whole");
    assert!(html.contains("default-src 'none'") && html.contains("Report of Halyard House"), "{html}");
    assert!(!html.contains("<script"));
    // The journal knows that it was taken, and nobody else was meant.
    let sent = house.home.record(
        "the report's page",
        0,
        |body| matches!(body, Body::Drill(Drilled::Noticed { target, headline, .. }) if headline == subject && target == "ines.mail"),
    );
    house.home.record(
        "its fate",
        sent.seq,
        |body| matches!(body, Body::Delivered { page, .. } if *page == sent.seq),
    );
    agent.terminate();
    let agent = house.start();
    house.is_served(SOON);
    // What a start has to say is said by the time that it serves its page and takes a word.
    house.home.say(&["status"]).well();
    assert_eq!(server.reports().len(), 1, "once, to one: {:#?}", server.reports());
    agent.terminate();
}
