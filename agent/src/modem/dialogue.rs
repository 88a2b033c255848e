//! A command and its answer, as 3GPP TS 27.005 and TS 27.007 have it. Every command has a limit.
//! One that is not answered within it ends the dialogue: its answer, coming late, would be taken
//! for that of the next. What the modem says of its own accord, also in the middle of an answer,
//! is kept aside.

use super::lines::{LineSaid, Lines};
use super::pdu::{self, DeliveryReport, Incoming};
use super::port::Port;
use super::refusal::Refusal;
use std::time::Duration;
use tokio::time::{Instant, timeout, timeout_at};

/// Most commands are answered by the modem itself.
const LIMIT: Duration = Duration::from_secs(5);

/// A modem that says nothing for this long has said all that it had to say …
const QUIET: Duration = Duration::from_millis(200);
/// … and one that never stops is not waited for.
const SETTLED_WITHIN: Duration = Duration::from_secs(2);

/// Information lines of one answer: a full memory of texts has two lines for each.
const MOST_LINES: usize = 1_000;

/// Delivery reports that wait to be looked at: the network numbers texts from 0 to 255.
const MOST_REPORTS: usize = 256;

/// Cancels a text that a modem still waits for: TS 27.005, 4.3.
const CANCEL: u8 = 0x1b;
/// Ends a text.
const SUBSTITUTE: u8 = 0x1a;

/// The last word on a call: ITU-T V.250, 5.7.1.
const CALL_ENDS: [&str; 5] = ["NO CARRIER", "BUSY", "NO ANSWER", "NO DIALTONE", "NO DIAL TONE"];

/// Why a command came to nothing.
#[derive(Debug)]
pub(super) enum ModemFault {
    /// The modem said no.
    Refused(Refusal),
    /// It can't be talked to any more.
    Lost(String),
}

/// A line with someone at its other end.
pub(super) struct Dialogue {
    port: Port,
    lines: Lines,
    /// Texts have come that have not been fetched.
    pub(super) text_came: bool,
    /// Delivery reports that have not been looked at.
    pub(super) reports: Vec<DeliveryReport>,
    report_comes: Option<usize>,
}

impl Dialogue {
    pub(super) fn new(port: Port) -> Self {
        Self { port, lines: Lines::default(), text_came: false, reports: Vec::new(), report_comes: None }
    }

    /// Finds out whether a modem is there, and comes to the beginning of an answer with it, in
    /// whatever state it was left.
    pub(super) async fn greet(&mut self) -> Result<(), ModemFault> {
        let mut silent = String::new();
        for _ in 0..3 {
            // Some have an answer to this, others none: it must not be taken for that of a command.
            self.write(&[CANCEL, b'\r'], "the greeting").await?;
            self.settle().await?;
            match self.ask_within("AT", Duration::from_secs(2)).await {
                Ok(_) => return self.settle().await,
                Err(ModemFault::Refused(_)) => {}
                Err(ModemFault::Lost(why)) => silent = why,
            }
        }
        Err(ModemFault::Lost(silent))
    }

    /// Throws away what the modem says until it is quiet, for a while.
    async fn settle(&mut self) -> Result<(), ModemFault> {
        let until = Instant::now() + SETTLED_WITHIN;
        while Instant::now() < until {
            match timeout(QUIET, self.fill()).await {
                Ok(filled) => filled.map_err(ModemFault::Lost)?,
                Err(_) => break,
            }
            self.lines.clear();
        }
        self.lines.clear();
        Ok(())
    }

    /// Carries out a command and gives the lines of its answer.
    pub(super) async fn ask(&mut self, command: &str) -> Result<Vec<String>, ModemFault> {
        self.ask_within(command, LIMIT).await
    }

    /// The same for one that takes long.
    pub(super) async fn ask_within(
        &mut self,
        command: &str,
        limit: Duration,
    ) -> Result<Vec<String>, ModemFault> {
        self.write(format!("{command}\r").as_bytes(), command).await?;
        self.answer(command, limit).await
    }

    /// Hands over a text: a command with its length, the prompt, then the unit itself. From
    /// `on_its_way` on it may arrive even if no answer does.
    pub(super) async fn submit(
        &mut self,
        unit: &pdu::Submit,
        limit: Duration,
        on_its_way: impl FnOnce(),
    ) -> Result<Vec<String>, ModemFault> {
        let command = format!("AT+CMGS={}", unit.octets);
        self.write(format!("{command}\r").as_bytes(), &command).await?;
        let until = Instant::now() + LIMIT;
        loop {
            match self.said(until).await {
                Ok(LineSaid::Prompt) => break,
                Ok(LineSaid::Refused(refusal)) => return Err(ModemFault::Refused(refusal)),
                Ok(other) => self.note(other),
                Err(why) => {
                    // Whatever comes next must not be taken for a text.
                    self.write(&[CANCEL], &command).await?;
                    return Err(ModemFault::Lost(format!("no prompt for a text: {why}")));
                }
            }
        }
        on_its_way();
        let octets = [unit.hex.as_bytes(), &[SUBSTITUTE]].concat();
        self.write(&octets, &command).await?;
        self.answer(&command, limit).await
    }

    /// Dials: none once the network has begun with it, or why it came to nothing in the modem's
    /// words. The command, which holds a number, is in no text.
    pub(super) async fn dial(
        &mut self,
        command: &str,
        limit: Duration,
    ) -> Result<Option<String>, ModemFault> {
        self.write(format!("{command}\r").as_bytes(), "ATD").await?;
        let until = Instant::now() + limit;
        loop {
            match self.said(until).await {
                Ok(LineSaid::Ok) => return Ok(None),
                Ok(LineSaid::Refused(refusal)) => return Err(ModemFault::Refused(refusal)),
                Ok(LineSaid::Line(line)) if CALL_ENDS.contains(&line.as_str()) => return Ok(Some(line)),
                Ok(other) => self.note(other),
                Err(why) => return Err(ModemFault::Lost(format!("no answer to ATD: {why}"))),
            }
        }
    }

    /// Listens to what the modem says of its own accord, until there is something to do. Nothing
    /// is lost if this is dropped before its end.
    pub(super) async fn listen(&mut self) -> Result<(), ModemFault> {
        while !self.text_came && self.reports.is_empty() {
            match self.lines.next() {
                Some(said) => self.note(said),
                None => self.fill().await.map_err(ModemFault::Lost)?,
            }
        }
        Ok(())
    }

    async fn answer(&mut self, command: &str, limit: Duration) -> Result<Vec<String>, ModemFault> {
        let until = Instant::now() + limit;
        let mut lines = Vec::new();
        loop {
            match self.said(until).await {
                Ok(LineSaid::Ok) => return Ok(lines),
                Ok(LineSaid::Refused(refusal)) => return Err(ModemFault::Refused(refusal)),
                // An echo says nothing new, and may hold the PIN.
                Ok(LineSaid::Line(line)) if line.get(..2).is_some_and(|at| at.eq_ignore_ascii_case("AT")) => {
                }
                Ok(LineSaid::Line(line)) if lines.len() < MOST_LINES => lines.push(line),
                Ok(LineSaid::Pdu(unit)) if self.report_comes.is_none() && lines.len() < MOST_LINES => {
                    lines.push(unit)
                }
                Ok(other) => self.note(other),
                Err(why) => return Err(ModemFault::Lost(format!("no answer to {}: {why}", bare(command)))),
            }
        }
    }

    fn note(&mut self, said: LineSaid) {
        match said {
            LineSaid::TextCame => self.text_came = true,
            LineSaid::ReportComes(length) => self.report_comes = Some(length),
            LineSaid::Pdu(unit) => {
                let Some(length) = self.report_comes.take() else { return };
                match pdu::incoming(&unit, length) {
                    Ok(Incoming::Report(report)) if self.reports.len() < MOST_REPORTS => {
                        self.reports.push(report);
                    }
                    Ok(Incoming::Report(_)) => tracing::debug!("more delivery reports than there are texts"),
                    Ok(Incoming::Text { .. }) => {}
                    Err(why) => tracing::debug!(why, "a delivery report that can't be read"),
                }
            }
            LineSaid::Ok | LineSaid::Refused(_) | LineSaid::Prompt | LineSaid::Line(_) => {}
        }
    }

    async fn said(&mut self, until: Instant) -> Result<LineSaid, String> {
        loop {
            // A modem that never stops talking is as good as a silent one.
            if Instant::now() >= until {
                return Err("it did not come to an end in time".to_owned());
            }
            if let Some(said) = self.lines.next() {
                return Ok(said);
            }
            timeout_at(until, self.fill())
                .await
                .unwrap_or_else(|_| Err("it was silent for too long".to_owned()))?;
        }
    }

    async fn fill(&mut self) -> Result<(), String> {
        let mut buffer = [0; 512];
        let count = self
            .port
            .read(&mut buffer)
            .await
            .map_err(|error| format!("it was unplugged, or so it seems ({error})"))?;
        self.lines.push(buffer.get(..count).unwrap_or_default());
        Ok(())
    }

    async fn write(&mut self, octets: &[u8], command: &str) -> Result<(), ModemFault> {
        let lost = |why: String| ModemFault::Lost(format!("{} could not be said: {why}", bare(command)));
        match timeout(LIMIT, self.port.write(octets)).await {
            Ok(written) => written.map_err(|error| lost(error.to_string())),
            Err(_) => Err(lost("the line takes nothing".to_owned())),
        }
    }
}

/// A command without what is set by it, which may be a secret.
fn bare(command: &str) -> &str {
    command.split('=').next().unwrap_or(command)
}
