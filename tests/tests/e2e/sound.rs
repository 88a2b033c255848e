//! A watch starts with what is sound: each part that can be broken, alone and in pairs. The page of
//! a power cut goes out by the way that is left, within its time; status says what is broken and
//! why; and what is mended is taken without a restart.

use super::{SLACKWATER, house};
use slackwater_tests::agent::{Agent, Home, SOON, until};
use slackwater_tests::house::{House, RULES};
use std::fs;
use std::time::{Duration, Instant};

/// What can be broken before a start.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Part {
    /// The file with a gateway's token is gone.
    PushSecret,
    /// The mail server's certificates are gone.
    MailCertificate,
    /// Something else stands where the control socket is to be.
    Socket,
    /// Something else stands where the journal is.
    Journal,
    /// The rule file was cut off in the middle.
    Rules,
}

const PARTS: [Part; 5] = [Part::PushSecret, Part::MailCertificate, Part::Socket, Part::Journal, Part::Rules];

/// The power cut's page is due at once or, where a way has failed, when the next one has been
/// tried.
const IN_TIME: Duration = Duration::from_secs(4);

impl Part {
    fn break_it(self, house: &House) {
        let home = &house.home;
        match self {
            Self::PushSecret => fs::remove_file(home.path("push-authorization")).expect("removed"),
            Self::MailCertificate => {
                let config = fs::read_to_string(home.path("agent.toml")).expect("read");
                let (before, mail) = config.split_once("[mail]").expect("a mail section");
                let ca = format!("ca-file       = \"{}\"", house.authority.file().display());
                let mail = mail.replacen(&ca, "ca-file       = \"gone.pem\"", 1);
                home.write("agent.toml", &format!("{before}[mail]{mail}")).expect("written");
            }
            Self::Socket => fs::create_dir(home.path("control.sock")).expect("made"),
            Self::Journal => {
                for name in ["journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm"] {
                    // The side files may not be there.
                    let _ = fs::remove_file(home.path(name));
                }
                fs::create_dir(home.path("journal.sqlite")).expect("made");
            }
            Self::Rules => home.write("rules.toml", &RULES[..RULES.len() / 2]).expect("written"),
        }
    }

    fn mend(self, house: &House) {
        let home = &house.home;
        match self {
            Self::PushSecret => {
                home.write("push-authorization", "Bearer spring-tide").expect("written");
            }
            Self::Socket => fs::remove_dir(home.path("control.sock")).expect("removed"),
            Self::Journal => fs::remove_dir(home.path("journal.sqlite")).expect("removed"),
            Self::MailCertificate => {
                fs::copy(house.authority.file(), home.path("gone.pem")).map(drop).expect("copied");
            }
            Self::Rules => home.write("rules.toml", RULES).expect("written"),
        }
    }

    /// What status says of it.
    fn said(self) -> [&'static str; 2] {
        match self {
            Self::PushSecret => ["contact.ines.channel.push: ", "push-authorization can't be used"],
            Self::MailCertificate => ["contact.tom.channel.mail: ", "gone.pem can't be used"],
            Self::Socket => ["control.socket: ", "control.sock"],
            Self::Journal => ["journal ", "journal.sqlite"],
            Self::Rules => ["site.rules: ", "the last good copy of it is in force"],
        }
    }

    /// The alarm that tells people of it.
    fn alarm(self) -> &'static str {
        match self {
            Self::PushSecret => "health-ines.push",
            Self::MailCertificate => "health-tom.mail",
            Self::Socket | Self::Rules => "health-settings",
            Self::Journal => "health-journal",
        }
    }
}

/// A house whose own health is told soon, which has run well once.
async fn sound_house() -> Option<House> {
    let house = house().await?;
    let rules = format!("{RULES}\n[health]\nafter = \"500 ms\"\n");
    house.home.write("rules.toml", &rules).expect("written");
    house.watch().terminate();
    Some(house)
}

fn start(house: &House) -> Agent {
    let mut agent = house.home.start().expect("the program starts");
    agent.hears();
    agent
}

/// Cuts the power, and waits for the page by a way that is left.
async fn page_of_a_power_cut(house: &House, broken: &[Part]) {
    let (pushed, mailed) = (house.push.taken().len(), house.mail.taken(0).await.len());
    let begun = Instant::now();
    house.board.set("house/mains", "off");
    let by_push = !broken.contains(&Part::PushSecret);
    let about = |bytes: &[u8]| String::from_utf8_lossy(bytes).contains("power");
    loop {
        let arrived = match by_push {
            true => house.push.taken().iter().skip(pushed).any(|request| about(&request.body)),
            false => house.mail.taken(0).await.iter().skip(mailed).any(|mail| about(&mail.data)),
        };
        if arrived {
            break;
        }
        assert!(begun.elapsed() < IN_TIME, "{broken:?}: no page in time\n{}", house.home.log());
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// Starts with these parts broken, and looks at all that a keeper would.
async fn begin_without(broken: &[Part]) {
    let Some(house) = sound_house().await else { return };
    broken.iter().for_each(|part| part.break_it(&house));
    // What is strict stays strict.
    if broken.iter().any(|part| !matches!(part, Part::Socket | Part::Journal)) {
        house.home.say(&["check"]).failed(78);
    }
    let agent = start(&house);
    // The alarm of a channel that fails is left to the pages of another call-out, once there is
    // one.
    for part in broken.iter().filter(|_| !broken.contains(&Part::Socket)) {
        house.status(part.alarm(), |status| {
            let alarms = status["status"]["alarms"].as_array()?;
            let alarm = alarms.iter().find(|alarm| alarm["name"] == part.alarm())?;
            alarm["code"].is_string().then_some(())
        });
    }
    page_of_a_power_cut(&house, broken).await;
    if broken.contains(&Part::Socket) {
        let log = agent.log();
        assert!(log.contains("the control socket: ") && log.contains("goes on without it"), "{log}");
        Part::Socket.mend(&house);
    }
    until("status", SOON, || (house.home.say(&["status"]).code == Some(0)).then_some(()), || agent.log());
    let status = house.home.say(&["status"]).well();
    for part in broken.iter().filter(|part| **part != Part::Socket) {
        for words in part.said() {
            assert!(status.contains(words), "{broken:?}: {words:?} is not in:\n{status}");
        }
    }
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_part_broken_alone_leaves_a_watch_that_pages_and_says_why() {
    for part in PARTS {
        begin_without(&[part]).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_parts_broken_at_once_leave_a_watch_that_pages_and_says_why() {
    for (number, one) in PARTS.iter().enumerate() {
        for other in &PARTS[number + 1..] {
            if [*one, *other] != [Part::PushSecret, Part::MailCertificate] {
                begin_without(&[*one, *other]).await;
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_watch_that_could_tell_nobody_does_not_begin() {
    let Some(house) = house().await else { return };
    for part in [Part::PushSecret, Part::MailCertificate] {
        part.break_it(&house);
    }
    let said = house.home.say(&["run"]).failed(78);
    assert!(said.contains("nobody could be told: channel ines.push"), "{said}");
    assert!(said.contains("gone.pem"), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_mended_is_taken_without_a_restart() {
    let Some(house) = sound_house().await else { return };
    let broken = [Part::PushSecret, Part::Socket, Part::Journal];
    broken.iter().for_each(|part| part.break_it(&house));
    let mut agent = start(&house);
    broken.iter().for_each(|part| part.mend(&house));
    agent.logs("contact.ines.channel.push can be used now");
    agent.logs("the control socket is open");
    let status = house.home.say(&["status"]).well();
    assert!(!status.contains("NOT USED"), "{status}");
    page_of_a_power_cut(&house, &[]).await;
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_s_password_that_comes_late_is_taken() {
    let Some(house) = house().await else { return };
    let secret = fs::read_to_string(house.home.path("broker-password")).expect("read");
    fs::remove_file(house.home.path("broker-password")).expect("removed");
    let mut agent = house.home.start().expect("it starts");
    agent.logs("broker can't be used, the watch begins without it");
    house.home.write("broker-password", &secret).expect("written");
    agent.logs("broker can be used now");
    agent.hears();
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mended_rule_file_is_taken_by_a_reload_and_not_by_itself() {
    let Some(house) = sound_house().await else { return };
    Part::Rules.break_it(&house);
    let agent = start(&house);
    Part::Rules.mend(&house);
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("site.rules: "), "{status}");
    house.home.say(&["reload"]).well();
    let status = house.home.say(&["status"]).well();
    assert!(!status.contains("NOT USED"), "{status}");
    agent.terminate();
}

#[test]
fn a_broken_rule_file_without_a_good_copy_is_refused() {
    let home = Home::new(SLACKWATER).expect("a folder");
    home.write(
        "agent.toml",
        "[site]\nrules = \"rules.toml\"\nzone = \"UTC\"\n[broker]\nhost = \"localhost\"\n",
    )
    .expect("written");
    home.write("rules.toml", "[site").expect("written");
    home.say(&["run"]).failed(78);
}
