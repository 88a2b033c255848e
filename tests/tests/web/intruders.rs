//! What strangers try: forms of other sites, wrong names of this host, cookies that were made up,
//! paths that lead elsewhere, requests that are too large, too slow or too many. Nothing is
//! answered, and pages still leave.

use super::{BOUND, Night};
use slackwater_tests::agent::until;
use std::fs;
use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Says this and hears everything until the other side ends.
fn say(address: &str, request: &str) -> String {
    let mut stream = TcpStream::connect(address).expect("it listens");
    stream.set_read_timeout(Some(Duration::from_secs(10))).expect("set");
    let _ = stream.write_all(request.as_bytes());
    let mut heard = Vec::new();
    let _ = stream.read_to_end(&mut heard);
    String::from_utf8_lossy(&heard).into_owned()
}

fn get(address: &str, path: &str, more: &str) -> String {
    say(address, &format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{more}\r\n"))
}

fn post(address: &str, path: &str, more: &str, body: &str) -> String {
    let length = body.len();
    say(
        address,
        &format!(
            "POST {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {length}\r\n{more}\r\n{body}"
        ),
    )
}

const HERE: &str = "Sec-Fetch-Site: same-origin\r\n";

fn status(reply: &str) -> &str {
    reply.split(' ').nth(1).unwrap_or("nothing")
}

/// A session of Ines, as her browser shows it.
fn cookie(night: &Night) -> String {
    let reply = post(&night.address(), "/in", HERE, &format!("invitation={}", night.invitation()));
    assert_eq!(status(&reply), "303", "{reply}");
    let set = reply.lines().find(|line| line.to_lowercase().starts_with("set-cookie:")).expect("a cookie");
    assert!(set.contains("HttpOnly") && set.contains("SameSite=Lax"), "{set}");
    let value = set.split_once(':').expect("a value").1.trim().split(';').next().expect("a pair").to_owned();
    format!("Cookie: {value}\r\n")
}

#[test]
fn nothing_that_strangers_send_is_taken() {
    let night = Night::begin("2000", "12 h");
    let address = night.address();
    // An invitation that is fetched, however often and by whatever, is not used up.
    for _ in 0..5 {
        assert_eq!(status(&get(&address, &format!("/in/{}", night.invitation()), "")), "200");
    }
    // A cookie that somebody has set beforehand is never what a session gets.
    let fixed = "Cookie: slackwater=AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\r\n";
    assert_eq!(status(&get(&address, "/", fixed)), "401");
    let cookie = cookie(&night);
    assert!(!cookie.contains("AAAAAAAA"), "{cookie}");
    assert_eq!(status(&get(&address, "/", &cookie)), "200");
    assert_eq!(status(&get(&address, "/", fixed)), "401");
    let again = post(&address, "/in", HERE, &format!("invitation={}", night.invitation()));
    assert_eq!(status(&again), "410", "an invitation is good once");

    // Forms of other sites, with the cookie that a browser would send along.
    let work = "act=begin&tank=harbour&work=feeding";
    for from in [
        "Sec-Fetch-Site: cross-site\r\n",
        "Sec-Fetch-Site: same-site\r\n",
        "Origin: http://evil.example\r\n",
        "Origin: null\r\n",
        "",
    ] {
        assert_eq!(status(&post(&address, "/work", &format!("{cookie}{from}"), work)), "403", "{from}");
    }
    assert_eq!(status(&post(&address, "/work", HERE, work)), "401", "without a session");
    // A stranger's name that points here.
    let rebound = format!("GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n{cookie}\r\n");
    assert_eq!(status(&say(&address, &rebound)), "421");
    assert_eq!(
        status(&say(&address, &format!("GET / HTTP/1.1\r\nConnection: close\r\n{cookie}\r\n"))),
        "421"
    );

    // Paths that lead elsewhere.
    for path in [
        "/../../etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "//etc/passwd",
        "/tank/..%2f..",
        "/log/../../x",
        "/log/agent.toml",
        "/tank/%00",
        "/in/",
        "/in/x",
        "/look.css/..",
        "/web-sessions.json",
        "/call/ZZZZ",
        "/tank/nothing",
    ] {
        let reply = get(&address, path, &cookie);
        assert!(["404", "410", "400"].contains(&status(&reply)), "{path}: {}", status(&reply));
        assert!(!reply.contains("root:"), "{path}");
    }
    // Every page that there is, fetched as scanners fetch: nothing of it changes anything.
    let before = fs::read_to_string(night.home.path("out")).expect("shown").matches("feeding").count();
    for path in [
        "/work?act=begin&tank=harbour&work=feeding",
        "/call/AAAA?act=have",
        "/drill?act=pages",
        "/devices?session=x",
    ] {
        get(&address, path, &cookie);
    }
    let after = fs::read_to_string(night.home.path("out")).expect("shown").matches("feeding").count();
    assert_eq!(before, after, "a fetched address changes nothing");

    // Too large.
    assert_eq!(status(&post(&address, "/work", &format!("{cookie}{HERE}"), &"a=b&".repeat(4_000))), "413");
    let long =
        format!("GET /{} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n", "x".repeat(40_000));
    assert!(["431", "414", "400", "nothing"].contains(&status(&say(&address, &long))));
    let odd = post(&address, "/work", &format!("{cookie}{HERE}"), "act=begin&tank=%00%1b%5b31m&work=feeding");
    assert_eq!(status(&odd), "409", "{odd}");
    assert!(!odd.contains('\u{1b}'), "{odd}");

    // The policy goes with every page.
    let page = get(&address, "/", &cookie);
    for part in ["default-src 'none'", "frame-ancestors 'none'", "form-action 'self'", "nosniff"] {
        assert!(
            page.contains(part),
            "{part} is not in\n{}",
            page.split("\r\n\r\n").next().unwrap_or_default()
        );
    }
    assert!(!page.contains("unsafe-inline") && !page.contains(" style=\"") && !page.contains("<script>"));
}

#[test]
fn slow_ones_and_thousands_of_connections_hold_nothing_up() {
    let night = Night::begin("400", "12 h");
    let address = night.address();
    let cookie = cookie(&night);
    // Half a request each, never finished: far more than are listened to.
    let mut held = Vec::new();
    for nth in 0..2_000 {
        let Ok(mut stream) = TcpStream::connect(&address) else { break };
        let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: ");
        if nth % 2 == 0 {
            held.push(stream);
        }
    }
    let shown = || fs::read_to_string(night.home.path("out")).unwrap_or_default();
    // The night goes on, and its pages leave.
    let page = || shown().lines().find(|line| line.contains("PAGE to")).map(str::to_owned);
    until("a page", BOUND, page, shown);
    // Whoever is too slow is gone within seconds, and others get in.
    let begun = Instant::now();
    let get_in = || (status(&get(&address, "/", &cookie)) == "200").then_some(());
    until("a way in", Duration::from_secs(20), get_in, shown);
    assert!(begun.elapsed() < Duration::from_secs(20));
    let memory = fs::read_to_string(format!("/proc/{}/status", night.child.id())).expect("it lives");
    let peak = memory.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a figure");
    let kibibytes: u64 = peak.trim().trim_end_matches(" kB").trim().parse().expect("a number");
    // The demo's own broker and rig are in it, and this is no release build.
    assert!(kibibytes < 64 << 10, "{kibibytes} KiB");
    drop(held);
}
