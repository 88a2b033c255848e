//! A GSM modem that is none: the commands of 3GPP TS 27.007 and TS 27.005 on a pseudo-terminal,
//! without root, found by a link as those under `/dev/serial/by-id`. It keeps what was sent, lets
//! texts and delivery reports come in, and misbehaves on order. Its units are written and read by
//! code of its own (`unit`), so that it and the agent can't be wrong together.

pub mod unit;

use crate::agent::{SOON, until};
use rustix::fs::OFlags;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::collections::{BTreeMap, VecDeque};
use std::ffi::OsStr;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use std::{io, thread};
use tempfile::TempDir;

/// Between two looks at the line.
const LOOK: Duration = Duration::from_millis(2);

/// Texts that the SIM has room for.
pub const ROOM: usize = 10;

/// How it behaves. Can be changed at any time.
#[derive(Clone, Debug)]
pub struct Manner {
    /// Says what it was told.
    pub echo: Echo,
    /// Before each answer.
    pub delay: Duration,
    /// Before the prompt for a text.
    pub prompt_after: Duration,
    /// Answers nothing at all.
    pub silent: bool,
    /// Answers everything with noise.
    pub babbles: bool,
    /// Answers the question for its signal by delivery reports without end.
    pub never_ends: bool,
    /// Has an answer to a cancel that cancels nothing.
    pub answers_cancel: bool,
    /// `<stat>` of `+CREG`: 1 at home, 2 searching, 3 denied.
    pub network: u8,
    /// `<rssi>` of `+CSQ`.
    pub signal: u8,
    /// What it says to a text instead of taking it; empty for nothing at all.
    pub refusal: Option<String>,
    /// TP-ST of the report that follows each text, if one was asked for; none without reports.
    pub report: Option<u8>,
    /// Puts news of its own into the middle of each answer.
    pub chatters: bool,
    /// Can't tell of texts, nor of reports.
    pub no_notices: bool,
    /// Does not delete texts.
    pub keeps_texts: bool,
    /// The PIN that the SIM wants after each start.
    pub pin: Option<String>,
    /// What becomes of a call.
    pub called: Called,
}

/// What the other side of a call does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Called {
    /// It rings, and nobody picks up.
    Rings,
    /// It rings, and somebody picks up.
    PicksUp,
    /// It is busy: the modem says so instead of dialling.
    Busy,
    /// It rings, and the modem can't say how the call stands.
    Unseen,
}

/// How it echoes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Echo {
    /// Until `ATE0`.
    UntilTold,
    /// Whatever it is told.
    Always,
    /// Whatever it is told, and wrongly.
    Garbled,
}

impl Default for Manner {
    fn default() -> Self {
        Self {
            echo: Echo::UntilTold,
            delay: Duration::ZERO,
            prompt_after: Duration::ZERO,
            silent: false,
            babbles: false,
            never_ends: false,
            answers_cancel: false,
            network: 1,
            signal: 17,
            refusal: None,
            report: Some(0),
            chatters: false,
            no_notices: false,
            keeps_texts: false,
            pin: None,
            called: Called::Rings,
        }
    }
}

/// A text that was sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    /// With the plus of an international number.
    pub to: String,
    /// Its words.
    pub text: String,
    /// Whether a delivery report was asked for.
    pub report: bool,
    /// As it was written, in hexadecimal.
    pub unit: String,
}

#[derive(Default)]
struct State {
    manner: Manner,
    sent: Vec<Sent>,
    commands: Vec<String>,
    memory: BTreeMap<u16, (u8, String)>,
    news: VecDeque<String>,
    pin_given: bool,
    wrong_pins: u8,
    came: u8,
    /// The calls: to whom, since when, until when.
    calls: Vec<Call>,
}

/// A call that was made.
#[derive(Clone, Debug)]
pub struct Call {
    /// With the plus of an international number.
    pub to: String,
    /// When it was dialled.
    pub begun: Instant,
    /// How long it took until it was hung up; none if it goes on.
    pub took: Option<Duration>,
    /// Texts that had been sent by then.
    pub texts_before: usize,
}

/// The modem.
pub struct Modem {
    folder: TempDir,
    state: Arc<Mutex<State>>,
    line: Option<Line>,
}

/// The pseudo-terminal and whoever speaks on it.
struct Line {
    ends: Arc<AtomicBool>,
    speaker: JoinHandle<()>,
}

fn locked(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Modem {
    /// One that is plugged in.
    ///
    /// # Errors
    /// When there is no pseudo-terminal.
    pub fn start(manner: Manner) -> io::Result<Self> {
        let state = Arc::new(Mutex::new(State { manner, ..State::default() }));
        let mut modem = Self { folder: tempfile::tempdir()?, state, line: None };
        modem.plug()?;
        Ok(modem)
    }

    /// The link that it is found by while it is plugged in.
    pub fn device(&self) -> PathBuf {
        self.folder.path().join("usb-Slack_Tide_Stick_0001-if00-port0")
    }

    /// Changes its behaviour.
    pub fn behave(&self, change: impl FnOnce(&mut Manner)) {
        change(&mut locked(&self.state).manner);
    }

    /// Plugs it in: another device behind the same link. It has forgotten its PIN.
    ///
    /// # Errors
    /// When there is no pseudo-terminal.
    pub fn plug(&mut self) -> io::Result<()> {
        self.unplug();
        let speaker = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC)?;
        grantpt(&speaker)?;
        unlockpt(&speaker)?;
        let name = ptsname(&speaker, Vec::new())?;
        let path = PathBuf::from(OsStr::from_bytes(name.to_bytes()));
        // Held open, or reading fails until somebody else opens it.
        let listener = rustix::fs::open(
            &path,
            OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC,
            rustix::fs::Mode::empty(),
        )?;
        let mut mode = tcgetattr(&listener)?;
        mode.make_raw();
        tcsetattr(&listener, OptionalActions::Now, &mode)?;
        rustix::fs::fcntl_setfl(&speaker, OFlags::NONBLOCK)?;
        std::os::unix::fs::symlink(&path, self.device())?;
        locked(&self.state).pin_given = false;
        let ends = Arc::new(AtomicBool::new(false));
        let talk = Talk { line: speaker, state: Arc::clone(&self.state), echoing: true, heard: Vec::new() };
        let speaker = thread::spawn({
            let ends = Arc::clone(&ends);
            move || {
                talk.go_on(&ends);
                drop(listener);
            }
        });
        self.line = Some(Line { ends, speaker });
        Ok(())
    }

    /// Pulls it out.
    pub fn unplug(&mut self) {
        // It may never have been plugged in.
        let _ = std::fs::remove_file(self.device());
        if let Some(line) = self.line.take() {
            line.ends.store(true, Ordering::Relaxed);
            // A panic in there has been printed.
            let _ = line.speaker.join();
        }
    }

    /// What has been sent so far.
    pub fn sent(&self) -> Vec<Sent> {
        locked(&self.state).sent.clone()
    }

    /// Waits for so many texts.
    ///
    /// # Panics
    /// When they do not come soon.
    #[track_caller]
    pub fn until_sent(&self, count: usize) -> Vec<Sent> {
        let look = || Some(self.sent()).filter(|sent| sent.len() >= count);
        until("texts to be sent", SOON, look, || format!("{:?}\n{:?}", self.sent(), self.commands()))
    }

    /// The calls so far.
    pub fn calls(&self) -> Vec<Call> {
        locked(&self.state).calls.clone()
    }

    /// A text comes: to be told of and to be fetched. False if the SIM is full.
    pub fn receive(&self, from: &str, text: &str) -> bool {
        let unit = {
            let mut state = locked(&self.state);
            state.came = state.came.wrapping_add(1) % 60;
            unit::deliver(from, text, state.came)
        };
        self.receive_unit(&unit)
    }

    /// The same for a unit in hexadecimal, whatever it holds.
    pub fn receive_unit(&self, unit: &str) -> bool {
        let mut state = locked(&self.state);
        let taken = |index: &u16| state.memory.contains_key(index);
        let Some(index) = (1..=ROOM as u16).find(|index| !taken(index)) else { return false };
        state.memory.insert(index, (0, unit.to_owned()));
        if !state.manner.no_notices {
            state.news.push_back(format!("+CMTI: \"SM\",{index}"));
        }
        true
    }

    /// It says something of its own accord.
    pub fn say(&self, line: &str) {
        locked(&self.state).news.push_back(line.to_owned());
    }

    /// How many texts lie on the SIM.
    pub fn stored(&self) -> usize {
        locked(&self.state).memory.len()
    }

    /// What it was told so far, without texts.
    pub fn commands(&self) -> Vec<String> {
        locked(&self.state).commands.clone()
    }

    /// How often it was given a wrong PIN.
    pub fn wrong_pins(&self) -> u8 {
        locked(&self.state).wrong_pins
    }
}

impl Drop for Modem {
    fn drop(&mut self) {
        self.unplug();
    }
}

/// The modem's end of the line.
struct Talk {
    line: OwnedFd,
    state: Arc<Mutex<State>>,
    echoing: bool,
    heard: Vec<u8>,
}

impl Talk {
    fn go_on(mut self, ends: &AtomicBool) {
        // The length of the text that is waited for.
        let mut text: Option<usize> = None;
        while !ends.load(Ordering::Relaxed) {
            let mut buffer = [0; 256];
            let count = rustix::io::read(&self.line, &mut buffer).unwrap_or(0);
            self.heard.extend_from_slice(&buffer[..count]);
            let manner = self.manner();
            if manner.silent {
                self.heard.clear();
            } else if let Some(octets) = text {
                let end = self.heard.iter().position(|octet| matches!(octet, 0x1a | 0x1b));
                if let Some(end) = end {
                    let said: Vec<u8> = self.heard.drain(..=end).collect();
                    text = None;
                    match said[end] {
                        0x1a => self.take(&String::from_utf8_lossy(&said[..end]), octets, &manner),
                        _ => self.answer(&[], "OK", &manner),
                    }
                }
            } else if let Some(end) = self.heard.iter().position(|octet| *octet == b'\r') {
                let said: Vec<u8> = self.heard.drain(..=end).collect();
                let said = String::from_utf8_lossy(&said);
                let command = said.trim_matches(|c: char| c.is_control()).to_owned();
                match command.is_empty() {
                    _ if manner.babbles => self.babble(&command),
                    true if manner.answers_cancel => self.answer(&[], "ERROR", &manner),
                    true => {}
                    false => text = self.command(&command, &manner),
                }
            } else if count == 0 {
                let news = self.state().news.pop_front();
                match news {
                    Some(news) => self.write(&format!("\r\n{news}\r\n")),
                    None => thread::sleep(LOOK),
                }
            }
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        locked(&self.state)
    }

    fn manner(&self) -> Manner {
        self.state().manner.clone()
    }

    fn write(&self, text: &str) {
        let mut left = text.as_bytes();
        // A line that nobody reads any more takes nothing.
        for _ in 0..1_000 {
            match rustix::io::write(&self.line, left) {
                Ok(count) if count == left.len() => return,
                Ok(count) => left = &left[count..],
                Err(_) => thread::sleep(LOOK),
            }
        }
    }

    /// Delivery reports (3GPP TS 27.005, 3.4.1) without end, until nobody reads them any more.
    fn flood(&self) {
        let reports = "\r\n+CDS: 25\r\n00062A0B915391000000001121619130554011216191305540\r\n".repeat(8);
        let mut unread = 0;
        while unread < 100 {
            match rustix::io::write(&self.line, reports.as_bytes()) {
                Ok(_) => unread = 0,
                Err(_) => {
                    unread += 1;
                    thread::sleep(LOOK);
                }
            }
        }
    }

    /// Octets without a meaning, other ones for each command.
    fn babble(&self, command: &str) {
        let mut noise = command.bytes().fold(1, |seed: u64, octet| seed.wrapping_mul(31) + u64::from(octet));
        let octets: Vec<u8> = (0..600)
            .map(|_| {
                noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                (noise >> 56) as u8
            })
            .collect();
        for part in octets.chunks(64) {
            // A line that nobody reads takes nothing.
            let _ = rustix::io::write(&self.line, part);
        }
    }

    fn answer(&self, lines: &[String], end: &str, manner: &Manner) {
        thread::sleep(manner.delay);
        for line in lines {
            if manner.chatters {
                self.write("\r\n+CREG: 1\r\n\r\nRING\r\n\r\n^RSSI:17\r\n");
                let news = self.state().news.pop_front();
                if let Some(news) = news {
                    self.write(&format!("\r\n{news}\r\n"));
                }
            }
            self.write(&format!("\r\n{line}\r\n"));
        }
        self.write(&format!("\r\n{end}\r\n"));
    }

    fn command(&mut self, command: &str, manner: &Manner) -> Option<usize> {
        self.state().commands.push(command.to_owned());
        match manner.echo {
            Echo::UntilTold if !self.echoing => {}
            Echo::UntilTold | Echo::Always => self.write(&format!("{command}\r")),
            Echo::Garbled => self.write(&format!("\u{0}A{}\u{7f}=\r", &command[1..])),
        }
        if manner.never_ends && command == "AT+CSQ" {
            self.flood();
        }
        let upper = command.to_ascii_uppercase();
        let (name, value) = upper.split_once('=').unwrap_or((upper.as_str(), ""));
        let ready = manner.pin.is_none() || self.state().pin_given;
        let answer = match (name, value) {
            ("AT" | "AT+CMEE" | "AT+CMGF", _) => Ok(vec![]),
            ("ATE0", _) => {
                self.echoing = false;
                Ok(vec![])
            }
            ("AT+CGMI", _) => Ok(vec!["SLACK TIDE".to_owned()]),
            ("AT+CGMM", _) => Ok(vec!["Stick 3000".to_owned()]),
            ("AT+CPIN?", _) if self.state().wrong_pins > 2 => Ok(vec!["+CPIN: SIM PUK".to_owned()]),
            ("AT+CPIN?", _) => Ok(vec![format!("+CPIN: {}", if ready { "READY" } else { "SIM PIN" })]),
            ("AT+CPIN", pin) => self.pin(pin.trim_matches('"'), manner),
            ("AT+CREG?", _) => Ok(vec![format!("+CREG: 0,{}", manner.network)]),
            ("AT+CSQ", _) => Ok(vec![format!("+CSQ: {},99", manner.signal)]),
            _ if !ready => Err("+CMS ERROR: 311"),
            ("AT+CPMS", _) => {
                let used = self.state().memory.len();
                Ok(vec![format!("+CPMS: {used},{ROOM},{used},{ROOM},{used},{ROOM}")])
            }
            ("AT+CSMS", _) => Ok(vec!["+CSMS: 1,1,1".to_owned()]),
            ("AT+CNMI", _) if manner.no_notices => Err("+CMS ERROR: 303"),
            ("AT+CNMI", _) => Ok(vec![]),
            ("AT+CMGL", "4") => Ok(self.list()),
            ("AT+CMGD", _) if manner.keeps_texts => Err("+CMS ERROR: 320"),
            ("AT+CMGD", index) => {
                let index = index.parse().ok();
                let gone = index.and_then(|index: u16| self.state().memory.remove(&index));
                gone.map(|_| vec![]).ok_or("+CMS ERROR: 321")
            }
            ("AT+CMGS", octets) => {
                thread::sleep(manner.prompt_after);
                self.write("\r\n> ");
                return octets.parse().ok();
            }
            (dial, _) if dial.starts_with("ATD") && dial.ends_with(';') => {
                if manner.called == Called::Busy {
                    self.write("\r\nBUSY\r\n");
                    return None;
                }
                let to = dial.trim_start_matches("ATD").trim_end_matches(';').to_owned();
                let mut state = self.state();
                let texts_before = state.sent.len();
                state.calls.push(Call { to, begun: Instant::now(), took: None, texts_before });
                Ok(vec![])
            }
            ("AT+CLCC", _) => self.listed_call(manner),
            ("AT+CHUP", _) => {
                if let Some(call) = self.state().calls.last_mut().filter(|call| call.took.is_none()) {
                    call.took = Some(call.begun.elapsed());
                }
                Ok(vec![])
            }
            _ => Err("ERROR"),
        };
        match answer {
            Ok(lines) => self.answer(&lines, "OK", manner),
            Err(end) => self.answer(&[], end, manner),
        }
        None
    }

    /// `+CLCC`: it dials for a while, rings, and is picked up perhaps.
    fn listed_call(&self, manner: &Manner) -> Result<Vec<String>, &'static str> {
        let state = self.state();
        let Some(call) = state.calls.last().filter(|call| call.took.is_none()) else { return Ok(vec![]) };
        let stat = match (manner.called, call.begun.elapsed().as_secs()) {
            (Called::Unseen, _) => return Err("ERROR"),
            (_, 0) => 2,
            (Called::PicksUp, 3..) => 0,
            (Called::Rings | Called::PicksUp | Called::Busy, _) => 3,
        };
        Ok(vec![format!("+CLCC: 1,0,{stat},0,0,\"{}\",145", call.to)])
    }

    fn pin(&self, pin: &str, manner: &Manner) -> Result<Vec<String>, &'static str> {
        let mut state = self.state();
        if manner.pin.as_deref() == Some(pin) {
            state.pin_given = true;
            return Ok(vec![]);
        }
        state.wrong_pins += 1;
        Err("+CME ERROR: 16")
    }

    fn list(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for (index, (stat, unit)) in &mut self.state().memory {
            lines.push(format!("+CMGL: {index},{stat},,{}", unit::octets(unit)));
            lines.push(unit.clone());
            *stat = 1;
        }
        lines
    }

    /// A text was handed over.
    fn take(&self, hex: &str, octets: usize, manner: &Manner) {
        let read = unit::submit(hex.trim()).filter(|_| unit::octets(hex.trim()) == octets);
        let Some(sent) = read else { return self.answer(&[], "+CMS ERROR: 304", manner) };
        match manner.refusal.as_deref() {
            // It arrives all the same, perhaps.
            Some("") => self.state().sent.push(sent),
            Some(refusal) => self.answer(&[], refusal, manner),
            None if manner.network != 1 => self.answer(&[], "+CMS ERROR: 331", manner),
            None => {
                let reference = {
                    let mut state = self.state();
                    state.sent.push(sent.clone());
                    u8::try_from(state.sent.len() % 256).unwrap_or(0)
                };
                self.answer(&[format!("+CMGS: {reference}")], "OK", manner);
                if let Some(status) = manner.report.filter(|_| sent.report && !manner.no_notices) {
                    let unit = unit::report(reference, &sent.to, status);
                    self.state().news.push_back(format!("+CDS: {}\r\n{unit}", unit::octets(&unit)));
                }
            }
        }
    }
}
