//! A scripted push gateway: takes HTTP/1.1 requests (RFC 9112), with or without TLS, keeps them
//! and answers as told.

use crate::wire::Stream;
use rustls::ServerConfig;
use std::collections::BTreeMap;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;

/// How requests are answered.
#[derive(Clone, Debug)]
pub enum Answer {
    /// Status line, header lines and body, as given: `204 No Content`.
    Say {
        /// Code and phrase.
        status: &'static str,
        /// Whole header lines, without their ends.
        headers: Vec<String>,
        /// Body; its length is declared.
        body: String,
    },
    /// A good status, and a declared body that never comes.
    BodyNeverComes,
    /// A header line that never ends.
    EndlessHead,
    /// A body that never ends.
    EndlessBody,
    /// Takes the request and says nothing.
    Silent,
    /// Takes the request and closes.
    Drop,
}

impl Answer {
    /// A status alone.
    pub fn status(status: &'static str) -> Self {
        Self::Say { status, headers: Vec::new(), body: String::new() }
    }
}

/// A request taken.
#[derive(Clone, Debug)]
pub struct Request {
    /// `POST`.
    pub method: String,
    /// Path and query.
    pub path: String,
    /// By name in small letters.
    pub headers: BTreeMap<String, String>,
    /// As it came.
    pub body: Vec<u8>,
    /// When all of it was here.
    pub at: Instant,
}

/// A running gateway; ends when dropped.
pub struct Gateway {
    /// Where it listens, on 127.0.0.1.
    pub port: u16,
    state: Arc<Mutex<State>>,
    _task: JoinSet<()>,
}

struct State {
    answer: Answer,
    taken: Vec<Request>,
}

fn lock(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Gateway {
    /// Starts on a free port.
    ///
    /// # Errors
    /// When no port can be had.
    pub async fn start(tls: Option<Arc<ServerConfig>>, answer: Answer) -> io::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0)).await?;
        let port = listener.local_addr()?.port();
        let state = Arc::new(Mutex::new(State { answer, taken: Vec::new() }));
        let for_task = Arc::clone(&state);
        let mut task = JoinSet::new();
        task.spawn(async move {
            let mut connections = JoinSet::new();
            while let Ok((stream, _)) = listener.accept().await {
                let (tls, state) = (tls.clone(), Arc::clone(&for_task));
                // A connection that breaks off is the client's affair, or the script's.
                connections.spawn(async move { drop(serve(stream, tls, &state).await) });
            }
        });
        Ok(Self { port, state, _task: task })
    }

    /// Answers differently from now on.
    pub fn set_answer(&self, answer: Answer) {
        lock(&self.state).answer = answer;
    }

    /// Those taken so far are not kept any longer.
    pub fn forget(&self) {
        lock(&self.state).taken.clear();
    }

    /// The requests taken so far: each is here before its answer goes out.
    pub fn taken(&self) -> Vec<Request> {
        lock(&self.state).taken.clone()
    }
}

async fn serve(stream: TcpStream, tls: Option<Arc<ServerConfig>>, state: &Mutex<State>) -> io::Result<()> {
    let stream: Box<dyn Stream> = match tls {
        Some(tls) => Box::new(TlsAcceptor::from(tls).accept(stream).await?),
        None => Box::new(stream),
    };
    let mut stream = BufReader::new(stream);
    let request = read(&mut stream).await?;
    let answer = {
        let mut state = lock(state);
        state.taken.push(request);
        state.answer.clone()
    };
    match answer {
        Answer::Say { status, headers, body } => {
            let headers: String = headers.iter().map(|line| format!("{line}\r\n")).collect();
            let head = format!("HTTP/1.1 {status}\r\n{headers}Content-Length: {}\r\n\r\n", body.len());
            stream.write_all(head.as_bytes()).await?;
            stream.write_all(body.as_bytes()).await?;
            stream.flush().await?;
            stream.shutdown().await
        }
        Answer::BodyNeverComes => {
            stream.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 10\r\n\r\n").await?;
            stream.flush().await?;
            std::future::pending().await
        }
        Answer::EndlessHead => {
            stream.write_all(b"HTTP/1.1 200 OK\r\nX-More: ").await?;
            loop {
                stream.write_all(&[b'x'; 64 * 1024]).await?;
            }
        }
        Answer::EndlessBody => {
            stream.write_all(b"HTTP/1.1 500 No\r\nTransfer-Encoding: chunked\r\n\r\n").await?;
            loop {
                stream.write_all(b"10000\r\n").await?;
                stream.write_all(&[b'x'; 64 * 1024]).await?;
                stream.write_all(b"\r\n").await?;
            }
        }
        Answer::Silent => std::future::pending().await,
        Answer::Drop => Ok(()),
    }
}

async fn read(stream: &mut BufReader<Box<dyn Stream>>) -> io::Result<Request> {
    let mut lines = Vec::new();
    loop {
        let mut line = String::new();
        if stream.read_line(&mut line).await? == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        match line.trim_end() {
            "" => break,
            line => lines.push(line.to_owned()),
        }
    }
    let mut first = lines.first().map(String::as_str).unwrap_or_default().split(' ').map(str::to_owned);
    let (method, path) = (first.next().unwrap_or_default(), first.next().unwrap_or_default());
    let headers: BTreeMap<String, String> = lines
        .iter()
        .skip(1)
        .filter_map(|line| line.split_once(':'))
        .map(|(name, value)| (name.to_ascii_lowercase(), value.trim().to_owned()))
        .collect();
    let length = headers.get("content-length").and_then(|length| length.parse().ok()).unwrap_or(0usize);
    let mut body = vec![0; length.min(1_000_000)];
    stream.read_exact(&mut body).await?;
    Ok(Request { method, path, headers, body, at: Instant::now() })
}
