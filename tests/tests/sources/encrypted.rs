//! Encryption by STARTTLS, with a scripted server: Debian's `upsd` would need a certificate store
//! of its own kind.

use crate::house::{House, WELL};
use slackwater_tests::certs::{Authority, Identity, Validity};
use slackwater_tests::wire;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;

/// A server with this identity that says nothing of its UPS in the clear. Gives its port.
async fn server(identity: &Identity) -> u16 {
    let tls = TlsAcceptor::from(wire::tls(identity).expect("a server's side"));
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let port = listener.local_addr().expect("its number").port();
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            let tls = tls.clone();
            // A client that goes away is what some tests want.
            tokio::spawn(async move { drop(serve(stream, tls).await) });
        }
    });
    port
}

async fn serve(stream: tokio::net::TcpStream, tls: TlsAcceptor) -> std::io::Result<()> {
    let mut stream = BufReader::new(stream);
    if line(&mut stream).await? != "STARTTLS" {
        return stream.write_all(b"ERR ACCESS-DENIED\n").await;
    }
    stream.write_all(b"OK STARTTLS\n").await?;
    let mut stream = BufReader::new(tls.accept(stream.into_inner()).await?);
    while line(&mut stream).await? == "LIST VAR \"rack\"" {
        let mut answer = "BEGIN LIST VAR rack\n".to_owned();
        for (name, value) in WELL {
            answer += &format!("VAR rack {name} \"{value}\"\n");
        }
        stream.write_all((answer + "END LIST VAR rack\n").as_bytes()).await?;
    }
    Ok(())
}

async fn line<T: AsyncRead + AsyncWrite + Unpin>(stream: &mut BufReader<T>) -> std::io::Result<String> {
    let mut line = String::new();
    stream.read_line(&mut line).await?;
    Ok(line.trim_end().to_owned())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_is_asked_under_encryption_and_only_if_it_is_the_right_one() {
    let folder = tempfile::tempdir().expect("a folder");
    let authority = Authority::new(folder.path(), "authority").expect("an authority");
    let identity = authority.identity("127.0.0.1", Validity::Now).expect("a certificate");
    let ca = authority.file();
    let house = House::new(server(&identity).await, &format!("tls = {{ ca-file = \"{}\" }}\n", ca.display()));
    let agent = house.watch();
    agent.terminate();

    let stranger = Authority::new(folder.path(), "stranger").expect("an authority");
    let stranger = stranger.identity("127.0.0.1", Validity::Now).expect("a certificate");
    let tls = format!("tls = {{ ca-file = \"{}\" }}\n", ca.display());
    let house = House::new(server(&stranger).await, &tls);
    let agent = house.home.start().expect("it starts");
    let why = house.trouble("UPS rack");
    assert!(why.contains("certificate of an authority that is not trusted here"), "{why}");
    agent.terminate();

    let early = authority.identity("127.0.0.1", Validity::Future).expect("a certificate");
    let house = House::new(server(&early).await, &tls);
    let agent = house.home.start().expect("it starts");
    let why = house.trouble("UPS rack");
    assert!(why.contains("is the board's clock right?"), "{why}");
    agent.terminate();
}
