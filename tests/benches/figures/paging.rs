//! How long a page takes: from publishing the reading that raises an alarm to the end of the
//! mail's data at the server, against the same path without rules and journal, for the same page.
//! Each mail has a connection of its own with STARTTLS, as a page in the night has. Once with the
//! server on this machine, where little hides the cost of the journal's commit, and once with the
//! server as far away as a keeper's is.

use crate::process::Process;
use crate::publisher::Publisher;
use crate::site::{self, To};
use crate::table::{self, Figures};
use crate::{Result, broker};
use slackwater_tests::certs::{Authority, Validity};
use slackwater_tests::smtp::{Fault, Script, Server};
use slackwater_tests::wire;
use std::fs::File;
use std::io::{self, Write};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpStream};
use tokio::runtime::Runtime;

/// Each round raises an alarm that has not been raised before.
const ROUNDS: usize = 60;

/// One way to a mail server on the same continent.
const FAR: Duration = Duration::from_millis(10);

pub(crate) fn measure() -> Result<()> {
    table::title("paging: from the publication of a reading to the end of the mail's data");
    compare("server on this machine", Duration::ZERO)?;
    compare("server 10 ms away", FAR)
}

fn compare(place: &str, distance: Duration) -> Result<()> {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let authority = Authority::new(folder.path(), "own")?;
    let tls = wire::tls(&authority.identity("localhost", Validity::Now)?)?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build()?;
    let server = || {
        let script = Script { tls: Some(tls.clone()), ..Script::default() };
        let server = runtime.block_on(Server::start(script, Fault::CloseWhenIdle))?;
        let port = if distance.is_zero() { server.port } else { relay(&runtime, server.port, distance)? };
        io::Result::Ok((server, port))
    };
    let ((ours, our_port), (theirs, their_port)) = (server()?, server()?);

    // Two brokers, so that neither sees the other's readings.
    let (broker_of_agent, broker_of_bare) = (broker()?, broker()?);
    let to = To::Mail { port: our_port, authority: &authority.file() };
    let config = site::write(folder.path(), broker_of_agent.port(), &to)?;
    let agent = Process::agent(&config)?;
    let [mqtt, smtp] = [broker_of_bare.port(), their_port].map(|port| port.to_string());
    let ca_file = authority.file().display().to_string();
    let words = ["forward", &mqtt, &smtp, &ca_file, &config.display().to_string()];
    let _bare = Process::baseline(&words, &folder.path().join("forward.log"))?;
    let mut to_agent = Publisher::connect(broker_of_agent.port())?;
    let mut to_bare = Publisher::connect(broker_of_bare.port())?;

    let mut sync = Figures::default();
    let mut beside = File::create(folder.path().join("beside-the-journal"))?;
    let (mut with, mut without) = (Figures::default(), Figures::default());
    for round in 0..ROUNDS {
        let (sensor, level) = (round % site::SENSORS, round / site::SENSORS);
        let page = |publisher: &mut Publisher, server: &Server, figures: &mut Figures| -> Result<()> {
            let begun = Instant::now();
            publisher.say(sensor, &site::ringing(level))?;
            let taken = runtime.block_on(server.taken(round + 1)).len();
            let took = begun.elapsed();
            if taken != round + 1 {
                return Err(format!("{taken} mails instead of {}", round + 1).into());
            }
            figures.push(took.as_secs_f64() * 1e3);
            // The reply to the mail and its record are not the next round's affair.
            std::thread::sleep(Duration::from_millis(60) + distance * 2);
            Ok(())
        };
        page(&mut to_bare, &theirs, &mut without)?;
        page(&mut to_agent, &ours, &mut with)?;
        let begun = Instant::now();
        beside.write_all(&[0; 4096])?;
        beside.sync_data()?;
        sync.push(begun.elapsed().as_secs_f64() * 1e3);
    }
    table::line(&format!("{place}: no rules, same mail channel"), &without, "ms");
    table::line(&format!("{place}: agent"), &with, "ms");
    table::line("  ratio (aim: 1.2 or less)", &with.ratios(&without), "");
    table::line("  one synced write beside the journal", &sync, "ms");
    agent.end()
}

/// A port behind which the server is so far away, one way. Good for a conversation, in which one
/// side speaks at a time.
fn relay(runtime: &Runtime, server: u16, distance: Duration) -> io::Result<u16> {
    let listener = runtime.block_on(TcpListener::bind(("127.0.0.1", 0)))?;
    let port = listener.local_addr()?.port();
    runtime.spawn(async move {
        while let Ok((near, _)) = listener.accept().await {
            let Ok(far) = TcpStream::connect(("127.0.0.1", server)).await else { continue };
            if near.set_nodelay(true).and(far.set_nodelay(true)).is_ok() {
                let ((hear, say), (hear_back, say_back)) = (near.into_split(), far.into_split());
                tokio::spawn(carry(hear, say_back, distance));
                tokio::spawn(carry(hear_back, say, distance));
            }
        }
    });
    Ok(port)
}

/// Until either side has enough.
async fn carry(mut from: OwnedReadHalf, mut to: OwnedWriteHalf, distance: Duration) -> io::Result<()> {
    let mut buffer = vec![0; 64 << 10];
    loop {
        let length = from.read(&mut buffer).await?;
        if length == 0 {
            return to.shutdown().await;
        }
        tokio::time::sleep(distance).await;
        to.write_all(&buffer[..length]).await?;
    }
}
