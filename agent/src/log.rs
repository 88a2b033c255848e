//! What the agent says about itself. Events of `tracing` (and of libraries that use `log`) flow
//! in; lines flow out on standard error: for the journal with a syslog level in front
//! (sd-daemon(3)) and no time, for a terminal with time and colours, or as JSON.
//!
//! Lines go through a thread of their own. A reader that hangs (a journal on a dying card, a
//! stopped terminal) would otherwise stop the watch with it; so the queue is bounded, what does
//! not fit is dropped, and the next line that gets through says how many were.

use crate::secret::strike_from_log;
use crate::settings::{LogFormat, LogSettings};
use rustix::fs::fstat;
use serde_json::{Map, Value};
use std::borrow::Cow;
use std::fmt;
use std::io::{self, IsTerminal as _, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, Receiver, SyncSender, TrySendError};
use std::time::Duration;
use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::{self, FormatEvent, FormatFields, Writer};
use tracing_subscriber::fmt::time::FormatTime;
use tracing_subscriber::fmt::{FmtContext, MakeWriter};
use tracing_subscriber::registry::LookupSpan;

/// Lines that wait for a slow reader, at most.
const QUEUE: usize = 1_024;

/// How long the end of the process waits for the last lines.
const LAST_WORDS: Duration = Duration::from_secs(1);

/// Writes the lines that still wait when it is dropped: to be kept by `main`.
#[derive(Debug)]
#[must_use]
pub struct LogWriter(Pen);

/// Starts the log of this process.
///
/// # Errors
/// If the level can't be understood, the thread can't be started, or a log has been started
/// before.
pub fn init_log(settings: &LogSettings) -> io::Result<LogWriter> {
    let filter = EnvFilter::try_new(&settings.level).map_err(io::Error::other)?;
    let (pen, lines) = Pen::new(QUEUE);
    let format = match settings.format {
        LogFormat::Auto if stderr_is_the_journal() => LogFormat::Journal,
        LogFormat::Auto => LogFormat::Terminal,
        said => said,
    };
    let lost = Arc::clone(&pen.lost);
    std::thread::Builder::new()
        .name("log".to_owned())
        .spawn(move || write_lines(&lines, &lost, format, io::stderr()))?;
    let base = tracing_subscriber::fmt().with_env_filter(filter).with_writer(pen.clone());
    match format {
        LogFormat::Journal => base.with_ansi(false).event_format(Syslog).try_init(),
        LogFormat::Json => base.with_ansi(false).event_format(Json).try_init(),
        LogFormat::Terminal | LogFormat::Auto => {
            base.with_ansi(io::stderr().is_terminal()).with_timer(LocalTime).try_init()
        }
    }
    .map_err(io::Error::other)?;
    Ok(LogWriter(pen))
}

/// systemd.exec(5): `JOURNAL_STREAM` has device and inode of the journal's stream; standard error
/// may have been redirected since.
fn stderr_is_the_journal() -> bool {
    let stream = std::env::var("JOURNAL_STREAM").unwrap_or_default();
    let pair = stream.split_once(':').and_then(|(dev, ino)| Some((dev.parse().ok()?, ino.parse().ok()?)));
    pair.is_some_and(|pair: (u64, u64)| {
        fstat(io::stderr()).is_ok_and(|stat| (stat.st_dev, stat.st_ino) == pair)
    })
}

enum Line {
    Text(Vec<u8>),
    /// Everything before it has been written once the other end of this is dropped.
    Flush(SyncSender<()>),
}

/// Puts lines into the queue and never waits.
#[derive(Clone, Debug)]
struct Pen {
    queue: SyncSender<Line>,
    lost: Arc<AtomicU64>,
}

impl Pen {
    fn new(room: usize) -> (Self, Receiver<Line>) {
        let (queue, lines) = mpsc::sync_channel(room);
        (Self { queue, lost: Arc::default() }, lines)
    }
}

impl Write for Pen {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        // Libraries word errors of their own, and some repeat what a server said.
        let text = match strike_from_log(&String::from_utf8_lossy(bytes)) {
            Cow::Owned(struck) => struck.into_bytes(),
            Cow::Borrowed(_) => bytes.to_vec(),
        };
        if let Err(TrySendError::Full(_)) = self.queue.try_send(Line::Text(text)) {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl MakeWriter<'_> for Pen {
    type Writer = Self;

    fn make_writer(&self) -> Self {
        self.clone()
    }
}

impl Drop for LogWriter {
    fn drop(&mut self) {
        let (done, wait) = mpsc::sync_channel(0);
        if self.0.queue.try_send(Line::Flush(done)).is_ok() {
            // An end by time-out or by the sender's drop: both are the end of waiting.
            let _ = wait.recv_timeout(LAST_WORDS);
        }
    }
}

/// A line that can't be written is a lost line, and nothing worse.
fn write_lines(lines: &Receiver<Line>, lost: &AtomicU64, format: LogFormat, mut out: impl Write) {
    for line in lines {
        match line {
            Line::Text(text) => {
                let before = lost.swap(0, Ordering::Relaxed);
                let note = if before == 0 { String::new() } else { lost_note(before, format) };
                if out.write_all(note.as_bytes()).and_then(|()| out.write_all(&text)).is_err() {
                    lost.fetch_add(before.saturating_add(1), Ordering::Relaxed);
                }
            }
            Line::Flush(done) => drop(done),
        }
    }
}

fn lost_note(count: u64, format: LogFormat) -> String {
    let text =
        format!("{count} lines were lost here: the reader of this log was too slow, or could not be reached");
    match format {
        LogFormat::Journal => format!("<{}>{text}\n", syslog_level(Level::WARN)),
        LogFormat::Json => {
            let object = serde_json::json!({ "level": "warn", "target": module_path!(), "message": text });
            format!("{object}\n")
        }
        LogFormat::Terminal | LogFormat::Auto => format!("{text}\n"),
    }
}

/// For the journal: `<6>slackwater::mqtt: connected host=…`.
struct Syslog;

impl<S, N> FormatEvent<S, N> for Syslog
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        context: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let mut text = String::new();
        let plain = format::Format::default().without_time().with_level(false).with_ansi(false);
        plain.format_event(context, Writer::new(&mut text), event)?;
        let level = syslog_level(*event.metadata().level());
        text.lines().try_for_each(|line| writeln!(writer, "<{level}>{line}"))
    }
}

/// RFC 5424, table 2: error, warning, informational, debug.
fn syslog_level(level: Level) -> u8 {
    match level {
        Level::ERROR => 3,
        Level::WARN => 4,
        Level::INFO => 6,
        Level::DEBUG | Level::TRACE => 7,
    }
}

/// One object a line: `time`, `level`, `target`, `message` and the event's own fields.
struct Json;

impl<S, N> FormatEvent<S, N> for Json
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        _: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let mut fields = Fields(Map::new());
        event.record(&mut fields);
        let mut object = fields.0;
        object.insert("time".to_owned(), jiff::Timestamp::now().to_string().into());
        object.insert("level".to_owned(), event.metadata().level().as_str().to_lowercase().into());
        object.insert("target".to_owned(), event.metadata().target().into());
        writeln!(writer, "{}", Value::Object(object))
    }
}

struct Fields(Map<String, Value>);

impl Fields {
    fn keep(&mut self, field: &Field, value: impl Into<Value>) {
        self.0.insert(field.name().to_owned(), value.into());
    }
}

impl Visit for Fields {
    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        self.keep(field, format!("{value:?}"));
    }

    fn record_str(&mut self, field: &Field, value: &str) {
        self.keep(field, value);
    }

    fn record_i64(&mut self, field: &Field, value: i64) {
        self.keep(field, value);
    }

    fn record_u64(&mut self, field: &Field, value: u64) {
        self.keep(field, value);
    }

    fn record_bool(&mut self, field: &Field, value: bool) {
        self.keep(field, value);
    }

    fn record_f64(&mut self, field: &Field, value: f64) {
        self.keep(field, value);
    }
}

/// The machine's own zone, to the second.
struct LocalTime;

impl FormatTime for LocalTime {
    fn format_time(&self, writer: &mut Writer<'_>) -> fmt::Result {
        write!(writer, "{}", jiff::ZonedDateTime::now().strftime("%Y-%m-%d %H:%M:%S%:z"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Mutex;

    /// What `speak` says through a format.
    fn said<E>(format: E, speak: impl FnOnce()) -> String
    where
        E: FormatEvent<tracing_subscriber::Registry, format::DefaultFields> + Send + Sync + 'static,
    {
        let (pen, lines) = Pen::new(QUEUE);
        let subscriber = tracing_subscriber::fmt()
            .with_max_level(Level::DEBUG)
            .with_ansi(false)
            .with_writer(pen.clone())
            .event_format(format)
            .finish();
        tracing::subscriber::with_default(subscriber, speak);
        let mut out = Vec::new();
        drop(pen);
        write_lines(&lines, &AtomicU64::new(0), LogFormat::Journal, &mut out);
        String::from_utf8(out).expect("text")
    }

    #[test]
    fn the_journal_gets_a_level_on_every_line_and_no_time() {
        // sd-daemon(3): SD_ERR "<3>", SD_WARNING "<4>", SD_INFO "<6>", SD_DEBUG "<7>".
        let text = said(Syslog, || {
            tracing::error!("the disk is full");
            tracing::warn!(host = "broker", port = 1883, "connection lost");
            tracing::info!("two\nlines");
            tracing::debug!("detail");
        });
        let target = "slackwater::log::tests";
        assert_eq!(
            text,
            format!(
                "<3>{target}: the disk is full\n<4>{target}: connection lost host=\"broker\" port=1883\n\
                 <6>{target}: two\n<6>lines\n<7>{target}: detail\n"
            )
        );
    }

    #[test]
    fn a_secret_that_a_library_repeats_is_not_in_the_log() {
        let _secret = crate::secret::Secret::new("say \"cheese\", 9x");
        for text in [
            said(Json, || tracing::warn!(why = r#"550 say "cheese", 9x is wrong"#, "refused")),
            said(Syslog, || tracing::warn!(why = r#"550 say "cheese", 9x is wrong"#, "refused")),
        ] {
            assert!(!text.contains("cheese") && text.contains("(secret) is wrong"), "{text}");
        }
    }

    #[test]
    fn json_lines_keep_fields_as_what_they_are() {
        let text = said(Json, || tracing::warn!(port = 1883, deaf = true, why = "a \"quote\"", "lost"));
        let object: Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(object["message"], "lost");
        assert_eq!(object["port"], 1883);
        assert_eq!(object["deaf"], true);
        assert_eq!(object["why"], "a \"quote\"");
        assert_eq!(object["level"], "warn");
        let time = object["time"].as_str().map(str::parse::<jiff::Timestamp>);
        assert!(matches!(time, Some(Ok(_))));
    }

    #[test]
    fn a_reader_that_hangs_costs_lines_and_no_time() {
        let (mut pen, lines) = Pen::new(2);
        for line in ["one\n", "two\n", "three\n", "four\n"] {
            pen.write_all(line.as_bytes()).expect("never fails");
        }
        let lost = Arc::clone(&pen.lost);
        drop(pen);
        let mut out = Vec::new();
        write_lines(&lines, &lost, LogFormat::Terminal, &mut out);
        assert_eq!(
            String::from_utf8_lossy(&out),
            "2 lines were lost here: the reader of this log was too slow, or could not be reached\none\ntwo\n"
        );
    }

    /// Fails once.
    struct Full(Arc<Mutex<Vec<u8>>>, bool);

    impl Write for Full {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            if std::mem::replace(&mut self.1, false) {
                return Err(io::Error::from(io::ErrorKind::StorageFull));
            }
            self.0.lock().expect("one thread").extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_log_that_can_not_be_written_is_said_once_it_can() {
        let (mut pen, lines) = Pen::new(4);
        pen.write_all(b"one\n").expect("never fails");
        pen.write_all(b"two\n").expect("never fails");
        let lost = Arc::clone(&pen.lost);
        drop(pen);
        let out = Arc::default();
        write_lines(&lines, &lost, LogFormat::Journal, Full(Arc::clone(&out), true));
        assert_eq!(
            String::from_utf8_lossy(&out.lock().expect("one thread")),
            "<4>1 lines were lost here: the reader of this log was too slow, or could not be reached\ntwo\n"
        );
    }

    #[test]
    fn the_last_lines_are_written_before_the_end() {
        let (pen, lines) = Pen::new(QUEUE);
        let out = Arc::default();
        let written = Full(Arc::clone(&out), false);
        let lost = Arc::clone(&pen.lost);
        let thread = std::thread::spawn(move || write_lines(&lines, &lost, LogFormat::Terminal, written));
        pen.clone().write_all(b"the end\n").expect("never fails");
        drop(LogWriter(pen));
        assert_eq!(out.lock().expect("one writer").as_slice(), b"the end\n");
        thread.join().expect("it ends with its queue");
    }
}
