//! The mail conversation: good ends, every kind of bad end, and what is said of each.

use crate::rig::*;
use slackwater::channels::{Channel, ChannelSettings, MailSettings, Security};
use slackwater::secret::Secret;
use slackwater_rules::plan::Target;
use slackwater_rules::record::Outcome;
use slackwater_rules::time::Span;
use slackwater_tests::certs::{Authority, Validity};
use slackwater_tests::smtp::{Fault, Script, Server};
use slackwater_tests::wire;
use std::time::{Duration, Instant};

fn with_login(mut settings: MailSettings, password: &str) -> MailSettings {
    settings.user = Some("watch".into());
    settings.password = Some(Secret::new(password));
    settings
}

async fn plain_server(fault: Fault) -> (Server, Rig) {
    let server = Server::start(Script::default(), fault).await.unwrap();
    let rig = Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
    (server, rig)
}

#[tokio::test]
async fn a_page_goes_out_over_starttls_after_a_login() {
    let (_folder, authority) = authority();
    let mut script = with_tls(&authority, Validity::Now);
    script.login = Some(("watch".into(), "t1de".into()));
    let server = Server::start(script, Fault::None).await.unwrap();
    let mut settings = with_login(mail_settings(server.port, Security::Starttls), "t1de");
    settings.ca_file = Some(authority.file());
    let mut rig = Rig::new(to_ines(), Some(settings));

    let outcome = rig.try_mail(page(123)).await;
    assert_eq!(outcome, Outcome::Accepted { note: "250 2.0.0 taken as 4711".into() });

    let taken = &server.taken(1).await[0];
    assert!(taken.encrypted);
    assert_eq!(taken.user.as_deref(), Some("watch"));
    assert_eq!(
        (taken.from.as_str(), taken.to.as_slice()),
        ("watch@example.org", &["ines@example.org".to_owned()][..])
    );
    let commands = server.commands();
    let starttls = commands.iter().position(|command| command == "STARTTLS").unwrap();
    let auth = commands.iter().position(|command| command == "AUTH").unwrap();
    assert!(starttls < auth, "no login before encryption: {commands:?}");
}

#[tokio::test]
async fn a_page_goes_out_over_tls_from_the_first_byte_to_a_server_that_knows_only_login() {
    let (_folder, authority) = authority();
    let mut script = with_tls(&authority, Validity::Now);
    script.login = Some(("watch".into(), "t1de".into()));
    (script.at_once, script.mechanism) = (true, "LOGIN");
    let server = Server::start(script, Fault::None).await.unwrap();
    let mut settings = with_login(mail_settings(server.port, Security::Tls), "t1de");
    settings.ca_file = Some(authority.file());
    let mut rig = Rig::new(to_ines(), Some(settings));

    assert_accepted(&rig.try_mail(page(1)).await);
    assert!(server.taken(1).await[0].encrypted);
}

/// RFC 5321, section 4.2.1: 2yz done, 4yz not now, 5yz not at all. RFC 4954, section 6: 454 is a
/// passing trouble of the login, 530, 534 and 535 are about the login and not the recipient.
#[tokio::test]
async fn replies_mean_what_the_standards_say() {
    let (server, mut rig) = plain_server(Fault::None).await;
    let fresh = || Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
    let (deferred, failed, settings) = ("deferred", "failed", "settings");
    let cases = [
        ("EHLO", "421 4.3.2 closing", deferred),
        ("EHLO", "554 5.7.1 not from here", failed),
        ("MAIL", "421 4.3.2 closing", deferred),
        ("MAIL", "452 4.3.1 no room", deferred),
        ("MAIL", "530 5.7.0 authentication required", settings),
        ("MAIL", "553 5.1.8 no such sender", failed),
        ("RCPT", "450 4.2.1 mailbox busy", deferred),
        ("RCPT", "451 4.7.1 greylisted", deferred),
        ("RCPT", "550 5.1.1 no such user", failed),
        ("RCPT", "552 5.2.2 mailbox full", failed),
        ("DATA", "451 4.3.0 local trouble", deferred),
        ("DATA", "554 5.5.1 no valid recipients", failed),
        (".", "451 4.3.0 local trouble", deferred),
        (".", "552 5.3.4 too big", failed),
        (".", "554 5.7.1 looks like spam", failed),
    ];
    for (number, (step, reply, meant)) in (1..).zip(cases) {
        server.set_fault(Fault::Reply(step, reply));
        // A channel whose login was refused rests.
        let outcome = fresh().try_mail(page(number)).await;
        let is = match &outcome {
            Outcome::Accepted { .. } => "accepted",
            Outcome::Deferred { .. } => deferred,
            Outcome::Failed { why } if why.starts_with("settings:") => settings,
            Outcome::Failed { .. } => failed,
            other => panic!("no channel says {other}"),
        };
        assert_eq!(is, meant, "{reply} to {step}: {outcome:?}");
        assert!(why(&outcome).contains(&reply[4..]), "the server's words are kept: {outcome:?}");
        assert!(!why(&outcome).contains("may have been delivered"), "a reply leaves no doubt: {outcome:?}");
    }
    server.set_fault(Fault::None);
    assert_accepted(&rig.try_mail(page(99)).await);
}

#[tokio::test]
async fn a_login_refused_is_the_settings_fault_and_one_that_fails_for_now_is_not() {
    let script = Script { login: Some(("watch".into(), "t1de".into())), ..Script::default() };
    let server = Server::start(script, Fault::None).await.unwrap();
    let fresh = || {
        let settings = with_login(mail_settings(server.port, Security::Plain), "wrong-0ne");
        Rig::new(to_ines(), Some(settings))
    };
    let mut rig = fresh();

    let outcome = rig.try_mail(page(1)).await;
    assert_failed(&outcome, "settings: ");
    assert!(why(&outcome).contains("535") && !why(&outcome).contains("wrong-0ne"), "{outcome:?}");
    let again = rig.try_mail(page(2)).await;
    assert!(why(&again).contains("not tried again for 60 min"), "{again:?}");
    assert_eq!(
        server.commands().iter().filter(|command| *command == "AUTH").count(),
        1,
        "tried once, not hammered"
    );

    for (reply, saying) in
        [("534 5.7.9 too weak", "534"), ("535 5.7.8 wrong", "535"), ("530 5.7.0 TLS first", "530")]
    {
        server.set_fault(Fault::Reply("AUTH", reply));
        let outcome = fresh().try_mail(page(2)).await;
        assert_failed(&outcome, "settings: ");
        assert_failed(&outcome, saying);
    }
    server.set_fault(Fault::Reply("AUTH", "454 4.7.0 ask again"));
    assert_deferred(&fresh().try_mail(page(3)).await, "ask again");
}

#[tokio::test]
async fn a_refused_connection_is_deferred_without_doubt() {
    let port = wire::closed_port().await.unwrap();
    let mut rig = Rig::new(to_ines(), Some(mail_settings(port, Security::Plain)));
    let outcome = rig.try_mail(page(1)).await;
    assert_deferred(&outcome, "refused");
    assert!(!why(&outcome).contains("may have been delivered"), "{outcome:?}");
}

#[tokio::test]
async fn a_silent_server_is_deferred_within_the_time_out_and_says_where_it_fell_silent() {
    for (fault, saying, doubt) in [
        (Fault::SilentFromTheStart, "while connecting", false),
        (Fault::SilentAfterMessage, "after the message: it may have been delivered", true),
    ] {
        let server = Server::start(Script::default(), fault).await.unwrap();
        let settings =
            MailSettings { timeout: Span::seconds(1), ..mail_settings(server.port, Security::Plain) };
        let mut rig = Rig::new(to_ines(), Some(settings));
        let begun = Instant::now();
        let outcome = rig.try_mail(page(1)).await;
        assert!(begun.elapsed() < Duration::from_secs(8), "{:?}", begun.elapsed());
        assert_deferred(&outcome, saying);
        assert_eq!(why(&outcome).contains("may have been delivered"), doubt, "{outcome:?}");

        server.set_fault(Fault::None);
        assert_accepted(&rig.try_mail(page(2)).await);
        let last = server.taken(1).await.pop().unwrap();
        assert!(
            String::from_utf8(last.data).unwrap().contains("page-2."),
            "a fresh conversation, a whole message"
        );
    }
}

#[tokio::test]
async fn a_connection_lost_around_the_message_leaves_a_doubt_and_says_so() {
    for fault in [Fault::DropInMessage, Fault::DropAfterMessage] {
        let (_server, mut rig) = plain_server(fault).await;
        assert_deferred(&rig.try_mail(page(1)).await, "may have been delivered");
    }
}

#[tokio::test]
async fn without_starttls_nothing_is_sent() {
    let (_folder, authority) = authority();
    let server = Server::start(Script::default(), Fault::None).await.unwrap();
    let mut settings = with_login(mail_settings(server.port, Security::Starttls), "t1de");
    settings.ca_file = Some(authority.file());
    let mut rig = Rig::new(to_ines(), Some(settings));
    assert_failed(&rig.try_mail(page(1)).await, "settings: ");
    let commands = server.commands();
    assert!(commands.iter().all(|command| command.starts_with("EHLO") || command == "QUIT"), "{commands:?}");
}

#[tokio::test]
async fn a_certificate_that_cannot_be_trusted_fails_and_a_clock_that_is_behind_defers() {
    let (_folder, own) = authority();
    let elsewhere = tempfile::tempdir().unwrap();
    let other = Authority::new(elsewhere.path(), "other").unwrap();
    let renewed = Authority::new(elsewhere.path(), "own").unwrap();
    for security in [Security::Starttls, Security::Tls] {
        for (by, validity, failed, saying) in [
            (&other, Validity::Now, true, "settings: "),
            (&other, Validity::Now, true, "authority that is not trusted"),
            (&renewed, Validity::Now, true, "authority that is not trusted"),
            (&own, Validity::Past, false, "expired, unless the board's clock is wrong"),
            (&own, Validity::Future, false, "certificate not valid yet: is the board's clock right?"),
        ] {
            let mut script = with_tls(by, validity);
            script.at_once = security == Security::Tls;
            let server = Server::start(script, Fault::None).await.unwrap();
            let settings = MailSettings { ca_file: Some(own.file()), ..mail_settings(server.port, security) };
            let mut rig = Rig::new(to_ines(), Some(settings));
            let outcome = rig.try_mail(page(1)).await;
            match failed {
                true => assert_failed(&outcome, saying),
                false => assert_deferred(&outcome, saying),
            }
            assert!(!server.commands().iter().any(|command| command.starts_with("MAIL")));
        }
    }
}

#[tokio::test]
async fn a_certificate_for_another_name_and_a_port_without_tls_are_the_settings_fault() {
    let (_folder, authority) = authority();
    let identity = authority.identity("mail.example.org", Validity::Now).unwrap();
    let script = Script { tls: Some(wire::tls(&identity).unwrap()), at_once: true, ..Script::default() };
    let server = Server::start(script, Fault::None).await.unwrap();
    let settings =
        MailSettings { ca_file: Some(authority.file()), ..mail_settings(server.port, Security::Tls) };
    let mut rig = Rig::new(to_ines(), Some(settings.clone()));
    assert_failed(&rig.try_mail(page(1)).await, "settings: localhost");
    assert_failed(&rig.try_mail(page(2)).await, "another name");

    let server = Server::start(Script::default(), Fault::None).await.unwrap();
    let mut rig = Rig::new(to_ines(), Some(MailSettings { port: server.port, ..settings }));
    assert_failed(&rig.try_mail(page(1)).await, "no TLS is spoken on this port");
}

#[tokio::test]
async fn starttls_to_a_port_for_tls_hints_at_the_mistake() {
    let (_folder, authority) = authority();
    let script = Script { at_once: true, ..with_tls(&authority, Validity::Now) };
    let server = Server::start(script, Fault::None).await.unwrap();
    let settings = MailSettings {
        ca_file: Some(authority.file()),
        timeout: Span::seconds(1),
        ..mail_settings(server.port, Security::Starttls)
    };
    let mut rig = Rig::new(to_ines(), Some(settings));
    assert_deferred(&rig.try_mail(page(1)).await, "is this a port for security tls?");
}

#[tokio::test]
async fn two_pages_soon_after_each_other_share_a_connection() {
    let (server, mut rig) = plain_server(Fault::None).await;
    assert_accepted(&rig.try_mail(page(1)).await);
    assert_accepted(&rig.try_mail(page(2)).await);
    assert_eq!((server.taken(2).await.len(), server.connections()), (2, 1));
}

#[tokio::test]
async fn a_kept_connection_that_died_or_was_forgotten_costs_no_page() {
    for fault in [Fault::CloseWhenIdle, Fault::SilentWhenIdle] {
        let (server, mut rig) = plain_server(fault).await;
        assert_accepted(&rig.try_mail(page(1)).await);
        assert_accepted(&rig.try_mail(page(2)).await);
        assert_eq!((server.taken(2).await.len(), server.connections()), (2, 2), "{fault:?}");
    }
}

#[tokio::test]
async fn closing_says_goodbye_to_the_server() {
    let (server, mut rig) = plain_server(Fault::None).await;
    assert_accepted(&rig.try_mail(page(1)).await);
    rig.channels.close(Span::seconds(5)).await;
    assert!(server.heard("QUIT").await);
}

#[test]
fn settings_that_cannot_work_are_all_named_at_once() {
    let settings = MailSettings {
        host: "mail.example.org".into(),
        port: 0,
        user: Some("watch".into()),
        timeout: Span::ZERO,
        ..mail_settings(25, Security::Plain)
    };
    let to = ChannelSettings::Mail("ines@example.org".parse().unwrap());
    assert_eq!(
        Channel::new(&to, Some(&settings)).unwrap_err(),
        [
            "mail: port 0 cannot be connected to",
            "mail: host mail.example.org is not this machine, so that its connection must be encrypted: \
             set security to starttls or tls",
            "mail: a user needs a password, and a password a user",
            "mail: timeout 0 s must be from 1 s to 10 min",
        ]
    );
    for here in ["localhost", "127.0.0.1", "127.8.0.1", "::1"] {
        let settings = MailSettings { host: here.into(), ..mail_settings(25, Security::Plain) };
        assert!(Channel::new(&to, Some(&settings)).is_ok(), "{here}");
    }
    for elsewhere in ["192.168.1.4", "localhost.example.org", "0.0.0.0"] {
        let settings = MailSettings { host: elsewhere.into(), ..mail_settings(25, Security::Plain) };
        assert!(Channel::new(&to, Some(&settings)).is_err(), "{elsewhere}");
    }
}

#[test]
fn a_ca_file_that_is_missing_or_empty_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let empty = folder.path().join("empty.pem");
    std::fs::write(&empty, "").unwrap();
    let to = ChannelSettings::Mail("ines@example.org".parse().unwrap());
    for file in [folder.path().join("missing.pem"), empty] {
        let settings = MailSettings { ca_file: Some(file.clone()), ..mail_settings(465, Security::Tls) };
        let wrong = Channel::new(&to, Some(&settings)).unwrap_err().join("\n");
        assert!(wrong.contains(&file.display().to_string()), "{wrong}");
    }
    let own = Authority::new(folder.path(), "own").unwrap();
    let settings = MailSettings { ca_file: Some(own.file()), ..mail_settings(465, Security::Tls) };
    assert!(Channel::new(&to, Some(&settings)).is_ok());
}

/// While the page's record goes to the disk.
#[tokio::test]
async fn a_mail_that_is_expected_finds_its_connection_open_and_makes_no_second_one() {
    let (folder, authority) = authority();
    let server = Server::start(with_tls(&authority, Validity::Now), Fault::None).await.unwrap();
    let settings = mail_settings(server.port, Security::Starttls);
    let mut rig = Rig::new(to_ines(), Some(MailSettings { ca_file: Some(authority.file()), ..settings }));
    let ines = Target::parse("ines.mail");
    rig.channels.expect([&ines]);
    assert!(server.heard("EHLO").await, "{:?}", server.commands());
    assert_eq!(server.taken(0).await.len(), 0);
    rig.channels.expect([&ines]);
    assert_accepted(&rig.try_mail(page(1)).await);
    assert_eq!(server.connections(), 1, "{:?}", server.commands());
    drop(folder);
}

#[tokio::test]
async fn an_expected_mail_finds_a_new_connection_open_where_the_kept_one_has_died() {
    let (server, mut rig) = plain_server(Fault::CloseWhenIdle).await;
    assert_accepted(&rig.try_mail(page(1)).await);
    rig.channels.expect([&Target::parse("ines.mail")]);
    assert!(server.connected(2).await, "before there is a page: {:?}", server.commands());
    assert_accepted(&rig.try_mail(page(2)).await);
    assert_eq!((server.taken(2).await.len(), server.connections()), (2, 2), "{:?}", server.commands());
}

#[tokio::test]
async fn a_server_that_refuses_the_expected_connection_is_asked_once_for_each_page() {
    let script = Script { login: Some(("watch".into(), "t1de".into())), ..Script::default() };
    let server = Server::start(script, Fault::None).await.unwrap();
    let settings = with_login(mail_settings(server.port, Security::Plain), "wrong-0ne");
    let mut rig = Rig::new(to_ines(), Some(settings));
    let ines = Target::parse("ines.mail");
    for number in 1..=3 {
        rig.channels.expect([&ines]);
        assert_failed(&rig.try_mail(page(number)).await, "settings: ");
    }
    let logins = server.commands().iter().filter(|command| *command == "AUTH").count();
    assert_eq!(logins, 1, "a wrong password is not hammered at: {:?}", server.commands());
}

#[tokio::test]
async fn a_mail_server_that_wants_a_certificate_of_ours_gets_it_and_says_why_not_without() {
    let (_folder, authority) = authority();
    let identity = authority.identity("localhost", Validity::Now).unwrap();
    let tls = Some(wire::tls_among_friends(&identity, &authority).unwrap());
    for (security, at_once) in [(Security::Tls, true), (Security::Starttls, false)] {
        let script = Script { tls: tls.clone(), at_once, ..Script::default() };
        let server = Server::start(script, Fault::None).await.unwrap();
        let mut settings = mail_settings(server.port, security);
        settings.ca_file = Some(authority.file());
        let without = Rig::new(to_ines(), Some(settings.clone())).try_mail(page(1)).await;
        assert!(!matches!(without, Outcome::Accepted { .. }), "{without:?}");
        assert!(why(&without).to_lowercase().contains("certificate"), "{}", why(&without));
        settings.identity = Some(ours(&authority));
        assert_accepted(&Rig::new(to_ines(), Some(settings)).try_mail(page(2)).await);
        assert_eq!(server.taken(1).await.len(), 1);
    }
}

#[tokio::test]
async fn the_greeting_is_the_name_that_was_set_or_one_that_a_server_can_look_at() {
    let greeting = async |hello: Option<&str>| {
        let server = Server::start(Script::default(), Fault::None).await.unwrap();
        let mut settings = mail_settings(server.port, Security::Plain);
        settings.hello = hello.map(str::to_owned);
        assert_accepted(&Rig::new(to_ines(), Some(settings)).try_mail(page(1)).await);
        server.commands().iter().find_map(|said| said.strip_prefix("EHLO ").map(str::to_owned)).unwrap()
    };
    assert_eq!(greeting(Some("board.example.org")).await, "board.example.org");
    let own = greeting(None).await;
    assert!(own.contains('.') && (own == "[127.0.0.1]" || !own.starts_with('[')), "{own}");
}
