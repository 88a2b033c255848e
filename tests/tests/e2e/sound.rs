//! A watch starts with what is sound: each part that can be broken, alone and in pairs. The page of
//! a power cut goes out by the way that is left, within its time; status says what is broken and
//! why; and what is mended is taken without a restart.

use super::{SLACKWATER, house};
use slackwater_tests::agent::{Agent, Home, SOON, until};
use slackwater_tests::house::{House, RULES};
use slackwater_tests::mosquitto::free_port;
use std::fs;
use std::net::{Ipv4Addr, TcpListener};
use std::ops::Deref;
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
    /// Another program has the port of the page in the house.
    WebPort,
    /// Nobody listens where the mailbox for answers is to be.
    Mailbox,
    /// Something else stands where the journal is.
    Journal,
    /// The rule file was cut off in the middle.
    Rules,
    /// The agent's own file was.
    Settings,
}

/// What is said of each part: what of it stands in `status`, the alarm that tells people, and
/// whether `check` refuses the files.
const TABLE: [(Part, [&str; 2], &str, bool); 8] = [
    (
        Part::PushSecret,
        ["contact.ines.channel.push: ", "push-authorization can't be used"],
        "health-ines.push",
        true,
    ),
    (
        Part::MailCertificate,
        ["contact.tom.channel.mail: ", "mail-ca.pem can't be used"],
        "health-tom.mail",
        true,
    ),
    (Part::Socket, ["control.socket: ", "control.sock"], "health-settings", false),
    (Part::WebPort, ["web: ", "in use"], "health-settings", false),
    (Part::Mailbox, ["mailbox NOT READY: ", "refused"], "health-mailbox", false),
    (Part::Journal, ["journal ", "journal.sqlite"], "health-journal", false),
    (Part::Rules, ["site.rules: ", "the last good copy of it is in force"], "health-settings", true),
    (Part::Settings, ["agent.toml: ", "the last good copy of it is in force"], "health-settings", true),
];

/// Without both of these nobody could be told.
const ALL_WAYS: [Part; 2] = [Part::PushSecret, Part::MailCertificate];

/// The power cut's page is due at once or, where a way has failed, when the next one has been
/// tried.
const IN_TIME: Duration = Duration::from_secs(4);

/// A house that can be broken.
struct Fragile {
    house: House,
    web_port: u16,
    /// Whoever else has that port.
    squatter: Option<TcpListener>,
}

impl Deref for Fragile {
    type Target = House;

    fn deref(&self) -> &House {
        &self.house
    }
}

impl Fragile {
    /// One whose own health is told soon, which has run well once. A mailbox that nobody keeps is
    /// set up from the start if that is to be broken: a watch that goes on without it is the same
    /// before and after.
    async fn set_up(broken: &[Part]) -> Option<Self> {
        let house = house().await?;
        let rules = format!("{RULES}\n[health]\nafter = \"500 ms\"\n");
        house.home.write("rules.toml", &rules).expect("written");
        fs::copy(house.authority.file(), house.home.path("mail-ca.pem")).expect("copied");
        let web_port = free_port().expect("a port");
        let mut more = format!("\n[web]\nlisten = \"127.0.0.1:{web_port}\"\n");
        if broken.contains(&Part::Mailbox) {
            house.home.write("imap-password", "spring-tide").expect("written");
            let port = free_port().expect("a port");
            more += &format!(
                "\n[answers.mail]\nhost = \"localhost\"\nport = {port}\nsecurity = \"none\"\nuser = \"watch@example.org\"\npassword-file = \"imap-password\"\ntimeout = \"5 s\"\n"
            );
        }
        house.configure(&more).expect("written");
        let config = fs::read_to_string(house.home.path("agent.toml")).expect("read");
        let (before, mail) = config.split_once("[mail]").expect("a mail section");
        let ca = format!("ca-file       = \"{}\"", house.authority.file().display());
        assert!(mail.contains(&ca), "{mail}");
        let mail = mail.replacen(&ca, "ca-file       = \"mail-ca.pem\"", 1);
        house.home.write("agent.toml", &format!("{before}[mail]{mail}")).expect("written");
        house.watch().terminate();
        Some(Self { house, web_port, squatter: None })
    }

    fn break_it(&mut self, part: Part) {
        let home = &self.house.home;
        match part {
            Part::PushSecret => fs::remove_file(home.path("push-authorization")).expect("removed"),
            Part::MailCertificate => fs::remove_file(home.path("mail-ca.pem")).expect("removed"),
            Part::Socket => fs::create_dir(home.path("control.sock")).expect("made"),
            Part::WebPort => {
                let taken = TcpListener::bind((Ipv4Addr::LOCALHOST, self.web_port));
                self.squatter = Some(taken.expect("the port is free while no watch runs"));
            }
            // It was never there.
            Part::Mailbox => {}
            Part::Journal => {
                for name in ["journal.sqlite", "journal.sqlite-wal", "journal.sqlite-shm"] {
                    // The side files may not be there.
                    let _ = fs::remove_file(home.path(name));
                }
                fs::create_dir(home.path("journal.sqlite")).expect("made");
            }
            Part::Rules => home.write("rules.toml", &RULES[..RULES.len() / 2]).expect("written"),
            Part::Settings => {
                let config = fs::read_to_string(home.path("agent.toml")).expect("read");
                home.write("agent.toml", &config[..config.len() / 2]).expect("written");
            }
        }
    }

    fn mend(&mut self, part: Part) {
        let home = &self.house.home;
        match part {
            Part::PushSecret => home.write("push-authorization", "Bearer spring-tide").expect("written"),
            Part::MailCertificate => {
                fs::copy(self.house.authority.file(), home.path("mail-ca.pem")).map(drop).expect("copied");
            }
            Part::Socket => fs::remove_dir(home.path("control.sock")).expect("removed"),
            Part::WebPort => self.squatter = None,
            Part::Mailbox | Part::Settings => panic!("no test mends it"),
            Part::Journal => fs::remove_dir(home.path("journal.sqlite")).expect("removed"),
            Part::Rules => home.write("rules.toml", RULES).expect("written"),
        }
    }
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
    println!("{broken:?}: the page came after {} ms", begun.elapsed().as_millis());
}

/// Starts with these parts broken, and looks at all that a keeper would.
async fn begin_without(broken: &[Part]) {
    let Some(mut house) = Fragile::set_up(broken).await else { return };
    broken.iter().for_each(|part| house.break_it(*part));
    let rows = || TABLE.iter().filter(|(part, ..)| broken.contains(part));
    // What is strict stays strict.
    if rows().any(|(.., refused)| *refused) {
        house.home.say(&["check"]).failed(78);
    }
    let agent = start(&house);
    // The alarm of a channel that fails is left to the pages of another call-out, once there is
    // one.
    for (.., alarm, _) in rows().filter(|_| !broken.contains(&Part::Socket)) {
        house.status(alarm, |status| {
            let alarms = status["status"]["alarms"].as_array()?;
            let alarm = alarms.iter().find(|known| known["name"] == *alarm)?;
            alarm["code"].is_string().then_some(())
        });
    }
    page_of_a_power_cut(&house, broken).await;
    if broken.contains(&Part::Socket) {
        let log = agent.log();
        assert!(log.contains("the control socket: ") && log.contains("goes on without it"), "{log}");
        house.mend(Part::Socket);
    }
    until("status", SOON, || (house.home.say(&["status"]).code == Some(0)).then_some(()), || agent.log());
    let status = house.home.say(&["status"]).well();
    for (_, said, ..) in rows().filter(|(part, ..)| *part != Part::Socket) {
        for words in said {
            assert!(status.contains(words), "{broken:?}: {words:?} is not in:\n{status}");
        }
    }
    agent.terminate();
}

/// Every two parts, in halves: this takes a while.
async fn pairs(half: usize) {
    let parts = TABLE.map(|(part, ..)| part);
    let pairs = parts
        .iter()
        .enumerate()
        .flat_map(|(number, one)| parts.iter().skip(number + 1).map(move |other| [*one, *other]));
    for pair in pairs.filter(|pair| *pair != ALL_WAYS).skip(half).step_by(2) {
        begin_without(&pair).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_part_broken_alone_leaves_a_watch_that_pages_and_says_why() {
    for (part, ..) in TABLE {
        begin_without(&[part]).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_parts_broken_at_once_leave_a_watch_that_pages_and_says_why() {
    pairs(0).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_other_parts_broken_at_once_leave_a_watch_that_pages_and_says_why() {
    pairs(1).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_watch_that_could_tell_nobody_does_not_begin() {
    let Some(mut house) = Fragile::set_up(&[]).await else { return };
    ALL_WAYS.iter().for_each(|part| house.break_it(*part));
    let said = house.home.say(&["run"]).failed(78);
    assert!(said.contains("nobody could be told: channel ines.push"), "{said}");
    assert!(said.contains("mail-ca.pem"), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_mended_is_taken_without_a_restart() {
    let Some(mut house) = Fragile::set_up(&[]).await else { return };
    let broken = [Part::PushSecret, Part::Socket, Part::WebPort, Part::Journal];
    broken.iter().for_each(|part| house.break_it(*part));
    let mut agent = start(&house);
    broken.iter().for_each(|part| house.mend(*part));
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
    let Some(mut house) = Fragile::set_up(&[]).await else { return };
    house.break_it(Part::Rules);
    let agent = start(&house);
    house.mend(Part::Rules);
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

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_file_of_the_agent_that_is_gone_is_done_without_until_a_reload_takes_another() {
    let Some(house) = Fragile::set_up(&[]).await else { return };
    let config = fs::read_to_string(house.home.path("agent.toml")).expect("read");
    fs::remove_file(house.home.path("agent.toml")).expect("removed");
    let agent = start(&house);
    let status = house.home.say(&["status"]).well();
    assert!(status.contains("agent.toml: ") && status.contains("can't be read"), "{status}");
    // The commands that ask the watch find it by the same copy; what is broken is still refused.
    assert!(house.home.say(&["reload"]).failed(1).contains("agent.toml"));
    house.home.write("agent.toml", &config).expect("written");
    house.home.say(&["reload"]).well();
    let status = house.home.say(&["status"]).well();
    assert!(!status.contains("NOT USED"), "{status}");
    agent.terminate();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_copy_of_the_agent_s_file_holds_no_secret_and_is_its_owner_s() {
    use std::os::unix::fs::PermissionsExt as _;
    let Some(house) = Fragile::set_up(&[]).await else { return };
    let copy = house.home.path("last-good-agent.toml");
    let text = fs::read_to_string(&copy).expect("a copy");
    assert!(text.contains("push-authorization") && !text.contains("spring-tide"), "{text}");
    assert_eq!(fs::metadata(&copy).expect("it is there").permissions().mode() & 0o777, 0o600);
}
