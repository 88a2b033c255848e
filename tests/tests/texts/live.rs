//! Our units beside those of two libraries that are not ours, smspdudecoder 2.2.0 and
//! python-gsmmodem-new 0.13.0, live. Where they are missing this says so and looks at nothing.

use crate::INES;
use crate::channel::{Rig, accepted};
use slackwater_tests::modem::{Manner, unit};
use std::io::Write;
use std::process::{Command, Stdio};

/// What the libraries make of these lines; none without them.
fn ask(lines: &[String]) -> Option<Vec<serde_json::Value>> {
    let there =
        Command::new("python3").args(["-c", "import smspdudecoder, gsmmodem"]).stderr(Stdio::null()).status();
    if !there.is_ok_and(|status| status.success()) {
        assert!(
            std::env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"),
            "python3 has no smspdudecoder and gsmmodem, and SLACKWATER_NEED_REAL=1"
        );
        eprintln!(
            "SKIPPED: python3 has no smspdudecoder and gsmmodem (pip install python-gsmmodem-new smspdudecoder)"
        );
        return None;
    }
    let mut child = Command::new("python3")
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/texts/other_library.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 runs");
    let text = lines.join("\n") + "\n";
    child.stdin.take().expect("a pipe").write_all(text.as_bytes()).expect("it reads");
    let said = child.wait_with_output().expect("it ends");
    assert!(said.status.success());
    let said = String::from_utf8(said.stdout).expect("UTF-8");
    Some(said.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect())
}

/// Without the section sign, which python-gsmmodem-new has wrong in its table.
const TEXTS: &[&str] = &[
    "lagoon: power-lost, critical, since 02:14, code K7Q3. Open the lid. Reply ACK K7Q3",
    "a",
    "1234567",
    "12345678",
    "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./:;<=>?¡ÄÖÑÜ¿äöñüà",
    "^{}\\[~]|€ one sign in two places",
    "1234567890123456789012345678901234567890123456789012345678901234567890123456789012345678901234567890\
     123456789012345678901234567890123456789012345678901234567890",
];

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_leaves_is_octet_for_octet_what_another_library_writes_and_two_read_it_as_we_meant_it() {
    let mut rig = Rig::new(Manner::default());
    for (id, text) in (0..).zip(TEXTS) {
        accepted(&rig.text(id, text).await, "delivered");
    }
    let sent = rig.stick.sent();
    let read = sent.iter().map(|sent| format!("submit {}", sent.unit));
    let written = TEXTS.iter().map(|text| format!("write {INES} {}", serde_json::json!(text)));
    let Some(said) = ask(&read.chain(written).collect::<Vec<_>>()) else { return };
    let (read, written) = said.split_at(TEXTS.len());
    for ((text, sent), (read, written)) in TEXTS.iter().zip(&sent).zip(read.iter().zip(written)) {
        assert_eq!(read["to"], serde_json::json!([INES, INES]), "{}", sent.unit);
        assert_eq!(read["text"], serde_json::json!([text, text]), "{}", sent.unit);
        assert_eq!(
            (&written["unit"], &written["length"]),
            (&sent.unit.as_str().into(), &unit::octets(&sent.unit).into())
        );
    }
}

#[test]
fn the_simulated_service_centre_writes_what_another_library_reads() {
    let texts = [("+351900000012", "ACK K7Q3"), ("0900000012", "K7Q3"), ("BANK", "1234567"), (INES, "öäü ✓")];
    let units: Vec<_> =
        texts.iter().map(|(from, text)| format!("deliver {}", unit::deliver(from, text, 7))).collect();
    let Some(said) = ask(&units) else { return };
    for ((from, text), said) in texts.iter().zip(&said) {
        assert_eq!((&said["from"], &said["text"]), (&(*from).into(), &(*text).into()));
    }
}
