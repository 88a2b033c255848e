//! Servers that mean no good, or have lost their mind: what somebody on the path puts in front of
//! encryption, answers without an end, and secrets that come back in a refusal.

use crate::rig::*;
use slackwater::channels::{MailSettings, Security};
use slackwater::secret::Secret;
use slackwater_rules::record::Outcome;
use slackwater_tests::certs::{Authority, Validity};
use slackwater_tests::smtp::{Fault, Script, Server};
use slackwater_tests::wire;
use std::time::{Duration, Instant};

/// A rig whose mail goes to a scripted server by STARTTLS, with a login.
async fn guarded(fault: Fault) -> (tempfile::TempDir, Server, Rig) {
    let (folder, authority) = authority();
    let mut script = with_tls(&authority, Validity::Now);
    script.login = Some(("watch".into(), "neap tide".into()));
    let server = Server::start(script, fault).await.unwrap();
    let settings = MailSettings {
        ca_file: Some(authority.file()),
        user: Some("watch".into()),
        password: Some(Secret::new("neap tide")),
        timeout: slackwater_rules::time::Span::seconds(3),
        ..mail_settings(server.port, Security::Starttls)
    };
    (folder, server, Rig::new(to_ines(), Some(settings)))
}

#[tokio::test]
async fn answers_that_wait_before_encryption_are_no_answers() {
    let (_folder, server, mut rig) = guarded(Fault::AnswersBeforeEncryption).await;
    let outcome = rig.try_mail(page(1)).await;
    assert_deferred(&outcome, "before encryption began");
    assert!(!why(&outcome).contains("may have been delivered"), "it was not: {outcome:?}");
    assert!(!server.commands().iter().any(|command| command == "AUTH"), "no login by that line");

    server.set_fault(Fault::None);
    assert_accepted(&rig.try_mail(page(2)).await);
    assert!(server.taken(1).await[0].encrypted);
}

#[tokio::test]
async fn an_answer_without_an_end_is_given_up_at_once_wherever_it_comes() {
    for verb in ["", "EHLO", "MAIL", "RCPT", "DATA"] {
        for fault in [Fault::EndlessLine(verb), Fault::EndlessLines(verb)] {
            let server = Server::start(Script::default(), fault).await.unwrap();
            let mut rig = Rig::new(to_ines(), Some(mail_settings(server.port, Security::Plain)));
            let begun = Instant::now();
            let outcome = rig.try_mail(page(1)).await;
            assert!(matches!(outcome, Outcome::Deferred { .. }), "{fault:?}: {outcome:?}");
            assert!(begun.elapsed() < Duration::from_secs(3), "{fault:?}: {:?}", begun.elapsed());
            let said = why(&outcome);
            assert!(said.contains("more than") && said.len() < 300, "{fault:?}: {said}");
        }
    }
}

#[tokio::test]
async fn a_refusal_that_repeats_the_login_is_told_without_it() {
    let (_folder, _server, mut rig) = guarded(Fault::EchoLogin).await;
    let outcome = rig.try_mail(page(1)).await;
    let said = why(&outcome);
    assert!(said.contains("535") && said.contains("which is wrong here"), "{said}");
    // RFC 4616: NUL, the user, NUL, the password; base64 by RFC 4648.
    for secret in ["neap tide", &wire::base64(b"\0watch\0neap tide")] {
        assert!(!said.contains(secret), "{secret:?} is in {said}");
    }
}

#[tokio::test]
async fn every_fault_of_a_certificate_is_said_in_its_own_words() {
    let (folder, own) = authority();
    let other = Authority::new(folder.path(), "other").unwrap();
    let cases = [
        (own.self_signed("localhost", false), "self-signed; if the server is your own, set ca-file to this"),
        (own.self_signed("localhost", true), "self-signed and made for an authority (CA:TRUE)"),
        (other.identity("localhost", Validity::Now), "of an authority that is not trusted here"),
        (
            own.identity("mail.example.org", Validity::Now),
            "another name: `localhost` was asked for, and it has `mail.example.org`",
        ),
        (
            own.identity("localhost", Validity::Past),
            "has expired, unless the board's clock is wrong: it was valid until 2001-01-01",
        ),
        (
            own.identity("localhost", Validity::Future),
            "not valid yet: is the board's clock right? It is valid from 2080-01-01",
        ),
    ];
    for (identity, words) in cases {
        let identity = identity.unwrap();
        let script = Script { tls: Some(wire::tls(&identity).unwrap()), at_once: true, ..Script::default() };
        let server = Server::start(script, Fault::None).await.unwrap();
        let settings = |ca_file| MailSettings { ca_file, ..mail_settings(server.port, Security::Tls) };
        let mut rig = Rig::new(to_ines(), Some(settings(Some(own.file()))));
        let outcome = rig.try_mail(page(1)).await;
        let clock = words.contains("clock");
        assert_eq!(matches!(outcome, Outcome::Deferred { .. }), clock, "{words}: {outcome:?}");
        assert!(why(&outcome).contains(words), "{words}: {outcome:?}");
        if words.starts_with("self-signed;") {
            // What the words say helps.
            let mut rig = Rig::new(to_ines(), Some(settings(Some(identity.certificate))));
            assert_accepted(&rig.try_mail(page(2)).await);
        }
    }
}
