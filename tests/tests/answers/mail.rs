//! Answers by mail, on a real IMAP server with TLS and IDLE.

use crate::letters::{above, below, flowed, fresh, html_only, mail};
use crate::{SLACKWATER, answers, code_of, refusals};
use slackwater_rules::record::{Body, Outcome, Purpose};
use slackwater_rules::time::Span;
use slackwater_tests::agent::{SOON, until};
use slackwater_tests::certs::{Authority, Identity, Validity};
use slackwater_tests::dovecot::{self, Dovecot};
use slackwater_tests::house::{House, RULES};
use slackwater_tests::mosquitto;
use std::time::{Duration, Instant};

const NOW: Duration = Duration::ZERO;

/// The house with a mailbox, in which nothing is asked again for a while: the ladder has one rung
/// more that comes late. Nothing without the real servers.
async fn house(more: &str) -> Option<(House, Dovecot)> {
    house_with(Dovecot::start, more).await
}

async fn house_with(
    start: impl Fn(&Identity) -> std::io::Result<Dovecot>,
    more: &str,
) -> Option<(House, Dovecot)> {
    if !mosquitto::available() || !dovecot::available() {
        return None;
    }
    let house = House::build(SLACKWATER).await.expect("the house can be set up");
    let identity = house.authority.identity("localhost", Validity::Now).expect("a certificate");
    let mailbox = start(&identity).expect("dovecot starts");
    let (user, password) = dovecot::LOGIN;
    house.home.write("imap-password", &format!("{password}\n")).expect("written");
    let section = format!(
        "\n[answers.mail]\nhost = \"localhost\"\nport = {}\nuser = \"{user}\"\npassword-file = \"imap-password\"\n\
         ca-file = \"{}\"\ntimeout = \"5 s\"\n{more}",
        mailbox.port(),
        house.authority.file().display()
    );
    house.configure(&section).expect("written");
    house
        .home
        .write("rules.toml", &RULES.replace("lease  = \"5 s\"", "lease  = \"10 min\""))
        .expect("written");
    Some((house, mailbox))
}

/// The mailbox is open: its state is told in `status`.
fn is_open(house: &House, well: bool) {
    house.status("the mailbox's state", |status| (status["health"]["mailbox"]["well"] == well).then_some(()));
}

/// Waits until so many messages are marked or moved.
fn handled(mailbox: &Dovecot, house: &House, count: usize) {
    let marked = || mailbox.messages("").iter().filter(|name| has_keyword(name)).count();
    until(
        "messages to be marked",
        SOON,
        || (marked() >= count).then_some(()),
        || format!("{:?}\n{}\n{}", mailbox.messages(""), house.home.log(), mailbox.log()),
    );
}

/// Dovecot writes keywords as small letters behind the flags.
fn has_keyword(name: &str) -> bool {
    name.rsplit_once(":2,").is_some_and(|(_, flags)| flags.bytes().any(|flag| flag.is_ascii_lowercase()))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_reply_of_any_common_make_answers_and_hears_for_how_long() {
    let own = "address = \"answers@example.org\"\n";
    let Some((house, mut mailbox)) = house(own).await else { return };
    let _agent = house.watch();
    is_open(&house, true);
    house.board.set("house/mains", "off");
    let code = code_of(&house, "power-lost");
    house.home.record(
        "Tom is told",
        0,
        |body| matches!(body, Body::Paged { target, .. } if target == "tom.mail"),
    );
    let replies = [
        above(&format!("Have it, {}", code.to_lowercase()), &code),
        below(&format!("{code} for 75 min"), &code),
        html_only(&format!("still&nbsp;on it <b>{code}</b>"), &code),
        flowed(("still on it", &code), &code),
        fresh(&format!("{code} until noon")),
    ];
    let mut last = 0;
    for (nth, reply) in replies.iter().enumerate() {
        let began = Instant::now();
        mailbox.deliver(reply, NOW).expect("delivered");
        let count = || Some(answers(&house)).filter(|all| all.len() > last);
        let all = until("an answer", SOON, count, || {
            format!("{reply}\n{}\n{:?}", house.home.log(), refusals(&house))
        });
        println!("reply {nth}: mail to silence in {:?}", began.elapsed());
        last = all.len();
        let (who, via, lease) = all.last().expect("an answer");
        assert_eq!((who.as_str(), via.as_str()), ("ines", "mail"));
        if nth == 1 {
            assert_eq!(*lease, Span::minutes(75));
        }
    }
    handled(&mailbox, &house, replies.len());
    assert_eq!(mailbox.messages("").len(), replies.len(), "none is deleted");
    house.home.record("the others learn of it", 0, |body| {
        matches!(body, Body::Paged { purpose: Purpose::Taken, target, .. } if !target.starts_with("ines"))
    });
    let receipts = || house.mail.taken(1);
    let receipt = async {
        loop {
            let taken = receipts().await;
            let found = taken.iter().find(|mail| mail.text().contains("Yours until"));
            if let Some(found) = found {
                return found.text();
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    let receipt = tokio::time::timeout(SOON, receipt).await.expect("a receipt");
    assert!(receipt.contains("Auto-Submitted: auto-replied"), "{receipt}");
    let pages = house.mail.taken(1).await;
    let leads_here = |mail: &slackwater_tests::smtp::Taken| {
        let text = mail.text();
        text.contains("Reply-To: answers@example.org") && text.contains("X-Auto-Response-Suppress: All")
    };
    assert!(pages.iter().any(leads_here), "{:?}", pages.iter().map(|mail| mail.text()).collect::<Vec<_>>());
    assert!(receipt.contains("Subject: Re: ") && receipt.contains("In-Reply-To: <reply-"), "{receipt}");
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("Ines answered by mail"), "{status}");
    let live = house.home.say(&["check", "--live"]);
    assert!(
        live.out.contains("answers by mail") && live.out.contains("takes our login"),
        "{}{}",
        live.out,
        live.err
    );
    let review = house.home.say(&["review", "--since", "1 h"]).well();
    assert!(review.contains("mail"), "{review}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mailbox_that_encrypts_after_starttls_is_read_and_one_that_is_not_trusted_gets_no_password() {
    let with = "security = \"starttls\"\n";
    let Some((mut house, mut mailbox)) = house_with(Dovecot::start_with_starttls, with).await else { return };
    let agent = house.watch();
    is_open(&house, true);
    house.board.set("house/mains", "off");
    let code = code_of(&house, "power-lost");
    let is_mailed = |body: &Body| matches!(body, Body::Paged { target, .. } if target == "ines.mail");
    house.home.record("a page by mail", 0, is_mailed);
    mailbox.deliver(&above(&format!("Have it, {code}"), &code), NOW).expect("delivered");
    let answered = || (!answers(&house).is_empty()).then_some(());
    until("the answer", SOON, answered, || format!("{}\n{}", house.home.log(), mailbox.log()));
    handled(&mailbox, &house, 1);
    agent.terminate();
    // The same server with a certificate that nobody here trusts: the login is never said.
    let logins = mailbox.log().matches("Login: user=").count();
    let other = tempfile::tempdir().expect("a folder");
    let stranger = Authority::new(other.path(), "stranger").expect("an authority");
    house.home.set("SLACKWATER_ANSWERS__MAIL__CA_FILE", &stranger.file().display().to_string());
    let mut agent = house.watch();
    agent.logs("the mailbox for answers can't be used");
    assert_eq!(mailbox.log().matches("Login: user=").count(), logins, "{}", mailbox.log());
    agent.terminate();
}

/// RFC 3464 in the form of RFC 6522, as common mail servers write it.
fn report_of_delivery(about: &str) -> String {
    format!(
        "Return-Path: <>\nFrom: Mail Delivery System <MAILER-DAEMON@relay.example>\nTo: watch@example.org\n\
         Subject: Undelivered Mail Returned to Sender\nAuto-Submitted: auto-replied\nMIME-Version: 1.0\n\
         Content-Type: multipart/report; report-type=delivery-status;\n\tboundary=\"r\"\n\n\
         --r\nContent-Type: text/plain\n\nI'm sorry.\n\n--r\nContent-Type: message/delivery-status\n\n\
         Reporting-MTA: dns; relay.example\n\nFinal-Recipient: rfc822; ines@example.org\nAction: failed\n\
         Status: 5.1.1\nDiagnostic-Code: smtp; 550 5.1.1 no such user\n\n--r\n\
         Content-Type: text/rfc822-headers\n\nMessage-ID: {about}\nSubject: a page\n\n--r--\n"
    )
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_that_comes_back_counts_as_lost_and_its_way_as_failing() {
    let Some((house, mut mailbox)) = house("").await else { return };
    let _agent = house.watch();
    is_open(&house, true);
    house.board.set("house/mains", "off");
    code_of(&house, "power-lost");
    let is_taken = |body: &Body| matches!(body, Body::Delivered { result: Outcome::Accepted { .. }, .. });
    let is_mailed = |body: &Body| matches!(body, Body::Paged { target, .. } if target == "ines.mail");
    let page = house.home.record("a page by mail", 0, is_mailed).seq;
    house.home.record("the server takes it", page, |body| {
        is_taken(body) && matches!(body, Body::Delivered { page: of, .. } if *of == page)
    });
    let taken = house.mail.taken(1).await;
    let named =
        |text: &str| text.lines().find_map(|line| Some(line.strip_prefix("Message-ID: ")?.trim().to_owned()));
    let ours =
        taken.iter().find_map(|mail| named(&mail.text()).filter(|id| id.contains(&format!("page-{page}."))));
    let ours =
        ours.unwrap_or_else(|| panic!("{:?}", taken.iter().map(|mail| mail.text()).collect::<Vec<_>>()));

    let forged = ours.replacen(&format!("page-{page}."), &format!("page-{page}.x"), 1);
    for about in [&forged, "<someone-elses@example.org>", &ours] {
        mailbox.deliver(&report_of_delivery(about), NOW).expect("delivered");
    }
    let back = house.home.record(
        "it came back",
        page,
        |body| matches!(body, Body::Delivered { page: of, result: Outcome::Failed { .. } } if *of == page),
    );
    let Body::Delivered { result, .. } = back.body else { panic!("it was looked for") };
    let why = result.trouble().expect("why");
    assert!(why.contains("it came back: mail to ines@example.org could not be delivered: 550"), "{why}");
    house.status("the way counts as failing", |status| {
        let ways = status["health"]["channels"].to_string();
        ways.contains("no such user").then_some(())
    });
    handled(&mailbox, &house, 1);
    let marked = mailbox.messages("").iter().filter(|name| has_keyword(name)).count();
    assert_eq!(marked, 1, "what is not ours stays as it is");
    assert!(refusals(&house).is_empty(), "{:?}", refusals(&house));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_answer_changes_nothing_and_machines_get_no_reply() {
    let Some((house, mut mailbox)) = house("done = \"Handled\"\n").await else { return };
    let _agent = house.watch();
    is_open(&house, true);
    house.board.set("house/mains", "off");
    let code = code_of(&house, "power-lost");
    let plain = "Content-Type: text/plain\n";
    let ines = "Ines <ines@example.org>";
    let away = format!("I am away until Monday.\n\n> {code}\n");
    let messages = [
        (above("", &code), "ines by mail: take a mail without words as an answer: there is nothing in it"),
        (above(&format!("I can't come, {code}"), &code), "it is not the code, nor an answer with it"),
        (mail(ines, plain, &away), "take \"I am away until Monday.\" as an answer"),
        (
            mail(ines, &format!("Auto-Submitted: auto-replied\n{plain}"), &format!("{code}\n")),
            "it says that it is automatic (Auto-Submitted)",
        ),
        (mail(ines, &format!("Precedence: bulk\n{plain}"), &format!("{code}\n")), "sent in bulk"),
        (
            mail(
                ines,
                "Content-Type: multipart/report; report-type=delivery-status; boundary=b\n",
                &format!("--b\n\n{code}\n--b--\n"),
            ),
            "it is a report of delivery",
        ),
        (
            mail("\"ines@example.org\" <somebody@elsewhere.example>", plain, &format!("{code}\n")),
            "somebody@elsewhere.example by mail: take \"",
        ),
        (
            mail("ines@example.org, somebody@elsewhere.example", plain, &format!("{code}\n")),
            "its sender is no contact's address",
        ),
    ];
    for (message, why) in &messages {
        mailbox.deliver(message, NOW).expect("delivered");
        let refused = || refusals(&house).iter().any(|said| said.contains(why)).then_some(());
        until(why, SOON, refused, || format!("{:?}\n{}", refusals(&house), house.home.log()));
    }
    assert!(answers(&house).is_empty(), "{:?}", answers(&house));
    let moved = || (mailbox.messages("Handled").len() == messages.len()).then_some(());
    until("all to be moved", SOON, moved, || {
        format!("{:?}\n{}", mailbox.messages("Handled"), house.home.log())
    });
    // The server makes the copy first.
    let gone = || mailbox.messages("").is_empty().then_some(());
    until("the inbox to be empty", SOON, gone, || format!("{:?}", mailbox.messages("")));
    // Three were a person's: these hear how to answer.
    let how = format!("Reply {code}: I take care of it. Reply NEXT {code}: I can't");
    let heard = async {
        loop {
            let taken = house.mail.taken(1).await;
            let told = taken
                .iter()
                .filter(|mail| mail.text().contains(&how) && mail.text().contains("auto-replied"))
                .count();
            if told >= 3 {
                return told;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    assert_eq!(tokio::time::timeout(SOON, heard).await.expect("three replies"), 3);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_came_while_the_connection_was_broken_counts_if_it_is_fresh() {
    let Some((house, mut mailbox)) = house("").await else { return };
    let _agent = house.watch();
    is_open(&house, true);
    house.board.set("house/mains", "off");
    let code = code_of(&house, "power-lost");
    mailbox.stop();
    is_open(&house, false);
    mailbox.deliver(&fresh(&format!("{code} for 3 h")), Duration::from_secs(3 * 3_600)).expect("delivered");
    mailbox.deliver(&fresh(&format!("{code} for 1 h")), Duration::from_secs(20 * 60)).expect("delivered");
    mailbox.restart().expect("it starts again");
    is_open(&house, true);
    handled(&mailbox, &house, 2);
    assert_eq!(answers(&house), [("ines".to_owned(), "mail".to_owned(), Span::hours(1))]);
    assert!(
        refusals(&house).iter().any(|said| said.contains("it came too late to count")),
        "{:?}",
        refusals(&house)
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn with_two_call_outs_open_a_code_answers_only_its_own() {
    let Some((house, mut mailbox)) = house("").await else { return };
    let _agent = house.watch();
    is_open(&house, true);
    house.board.set("lagoon/temperature", "22");
    let cold = code_of(&house, "lagoon-cold");
    house.board.set("house/mains", "off");
    let power = code_of(&house, "power-lost");
    mailbox.deliver(&above("yes", &power), NOW).expect("delivered");
    mailbox.deliver(&above(&format!("next {cold}"), &power), NOW).expect("delivered");
    house.home.record("handed on", 0, |body| matches!(body, Body::HandedOn { by, .. } if by.via == "mail"));
    mailbox.deliver(&above(&power, &cold), NOW).expect("delivered");
    house.home.record("answered", 0, |body| {
        matches!(body, Body::Acknowledged { alarm, by, .. } if alarm == "power-lost" && by.via == "mail")
    });
    let other = |body: &Body| matches!(body, Body::Acknowledged { alarm, .. } if alarm == "lagoon-cold");
    assert!(!house.home.records().iter().any(|record| other(&record.body)));
    assert!(
        refusals(&house).iter().any(|said| said.contains("there is no code in it")),
        "{:?}",
        refusals(&house)
    );
}
