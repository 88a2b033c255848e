//! A conversation in lines with somebody elsewhere: a mail server, a UPS server, a client at the
//! control socket. Octets flow in as the other side sends them; whole lines flow out, none longer
//! than its bound, so that nobody who never ends a line can fill the memory of a board. Time is
//! bounded by who asks, since only the asker knows how long an answer may take.
//!
//! It is also the one place where a conversation is handed over to encryption: what has come
//! before is refused there, since it would be taken for what comes under it (RFC 3207, section 6).

use std::fmt;
use std::io;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, BufReader};

/// A connection, encrypted or not.
pub(crate) trait Stream: AsyncRead + AsyncWrite + Send + Sync + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Sync + Unpin> Stream for T {}

/// So much is read ahead of the line that was asked for.
const AHEAD: usize = 4 * 1024;

/// Lines in, octets out.
pub(crate) struct LineStream<S> {
    stream: BufReader<S>,
    longest: usize,
}

/// Why there is no line.
#[derive(Debug)]
pub(crate) enum NoLine {
    /// The other side has closed the connection, between two lines.
    Closed,
    /// It has closed it within a line.
    Unfinished,
    /// The line has more octets than this.
    TooLong(usize),
    /// It is not UTF-8, where that is asked for.
    NotText,
    /// The connection broke.
    Broken(io::Error),
}

/// What came in the clear would have been taken for what comes under encryption.
#[derive(Debug)]
pub(crate) struct SaidTooEarly;

impl fmt::Display for NoLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Closed => f.write_str("the other side closed it"),
            Self::Unfinished => f.write_str("it ended within a line"),
            Self::TooLong(longest) => write!(f, "a line has more than {longest} bytes"),
            Self::NotText => f.write_str("a line is not UTF-8"),
            Self::Broken(error) => write!(f, "{error}"),
        }
    }
}

impl fmt::Display for SaidTooEarly {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("more than an answer came before encryption began: somebody may be on the line")
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> LineStream<S> {
    /// Lines of at most `longest` octets, their end included.
    pub(crate) fn new(stream: S, longest: usize) -> Self {
        Self { stream: BufReader::with_capacity(AHEAD.min(longest), stream), longest }
    }

    /// The next line without its end. One that is given up half-way is lost, and the conversation
    /// with it.
    pub(crate) async fn octets(&mut self) -> Result<Vec<u8>, NoLine> {
        let mut line = Vec::new();
        let bound = self.longest as u64;
        let read = (&mut self.stream).take(bound).read_until(b'\n', &mut line).await;
        read.map_err(NoLine::Broken)?;
        if line.pop_if(|last| *last == b'\n').is_none() {
            return Err(match line.len() {
                0 => NoLine::Closed,
                length if length >= self.longest => NoLine::TooLong(self.longest),
                _ => NoLine::Unfinished,
            });
        }
        line.pop_if(|last| *last == b'\r');
        Ok(line)
    }

    /// The same as text; what is no text is replaced by marks.
    pub(crate) async fn line(&mut self) -> Result<String, NoLine> {
        Ok(String::from_utf8_lossy(&self.octets().await?).into_owned())
    }

    /// The same, where it must be text as it stands.
    pub(crate) async fn exact_line(&mut self) -> Result<String, NoLine> {
        String::from_utf8(self.octets().await?).map_err(|_| NoLine::NotText)
    }

    /// So many octets, whatever they are. The asker bounds them.
    pub(crate) async fn exactly(&mut self, count: usize) -> Result<Vec<u8>, NoLine> {
        let mut octets = Vec::new();
        let read = (&mut self.stream).take(count as u64).read_to_end(&mut octets).await;
        match read.map_err(NoLine::Broken)? {
            all if all == count => Ok(octets),
            _ => Err(NoLine::Unfinished),
        }
    }

    /// Says something, and sees to it that it leaves.
    pub(crate) async fn say(&mut self, octets: &[u8]) -> io::Result<()> {
        self.stream.write_all(octets).await?;
        self.stream.flush().await
    }

    /// Whether something stands behind the last line already: the other side has answered what it
    /// has not been asked.
    pub(crate) fn has_more(&self) -> bool {
        !self.stream.buffer().is_empty()
    }

    /// The connection alone, to go on under encryption.
    pub(crate) fn into_plain(self) -> Result<S, SaidTooEarly> {
        if self.has_more() { Err(SaidTooEarly) } else { Ok(self.stream.into_inner()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::duplex;

    async fn hear(said: &[u8]) -> LineStream<tokio::io::DuplexStream> {
        let (ours, mut theirs) = duplex(1 << 20);
        theirs.write_all(said).await.expect("room");
        LineStream::new(ours, 32)
    }

    #[tokio::test]
    async fn lines_come_one_by_one_without_their_ends() {
        let mut stream = hear(b"220 here\r\n\r\nplain\nhalf").await;
        for expected in ["220 here", "", "plain"] {
            assert_eq!(stream.line().await.expect("a line"), expected);
        }
        assert!(matches!(stream.line().await, Err(NoLine::Unfinished)));
        assert!(matches!(stream.line().await, Err(NoLine::Closed)));
    }

    #[tokio::test]
    async fn a_line_without_an_end_is_refused_at_its_bound_and_nothing_more_is_read() {
        let longest = [&[b'x'; 31][..], b"\n"].concat();
        assert_eq!(hear(&longest).await.line().await.expect("it just fits").len(), 31);
        let mut stream = hear(&[b'x'; 1 << 16]).await;
        let refused = stream.line().await.expect_err("too long");
        assert_eq!(refused.to_string(), "a line has more than 32 bytes");
        assert!(stream.stream.buffer().len() <= 32);
    }

    #[tokio::test]
    async fn what_came_before_encryption_keeps_it_from_beginning() {
        let mut stream = hear(b"220 go\r\n250 forged\r\n").await;
        assert_eq!(stream.line().await.expect("a line"), "220 go");
        assert!(stream.has_more() && stream.into_plain().is_err());
        let mut stream = hear(b"220 go\r\n").await;
        assert_eq!(stream.line().await.expect("a line"), "220 go");
        assert!(stream.into_plain().is_ok());
    }

    #[tokio::test]
    async fn what_is_no_text_is_marked_or_refused() {
        assert_eq!(hear(b"a\xffb\n").await.line().await.expect("a line"), "a\u{fffd}b");
        assert!(matches!(hear(b"a\xffb\n").await.exact_line().await, Err(NoLine::NotText)));
    }
}
