//! What strangers try: forms of other sites, wrong names of this host, cookies that were made up,
//! paths that lead elsewhere, requests that are too large, too slow or too many. Nothing is
//! answered, and pages still leave.

use super::small_house::{HERE, SmallHouse, get, post, say, status};
use super::{BOUND, Night};
use slackwater_tests::agent::{SOON, until};
use std::fs;
use std::io::Write as _;
use std::net::TcpStream;
use std::time::{Duration, Instant};

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

/// How long a page of the watch takes from a person's word to the file that it becomes.
fn page_leaves_after(house: &SmallHouse) -> Duration {
    let before = house.letters().len();
    let begun = Instant::now();
    house.home.say(&["drill", "callout", "household"]).well();
    let left = || (house.letters().len() > before).then_some(());
    until("a page", SOON, left, || house.home.log());
    begun.elapsed()
}

#[test]
fn two_thousand_connections_keep_no_page_back_and_cost_little_memory() {
    let house = SmallHouse::new("listen = \"127.0.0.1:{port}\"", "");
    let agent = house.start();
    house.is_served(SOON);
    let address = house.address();
    let before = agent.kibibytes("VmHWM");
    let mut held = Vec::new();
    for nth in 0..2_000 {
        let Ok(mut stream) = TcpStream::connect(&address) else { break };
        // Some say nothing, some half a head, some a form that goes on and on.
        let begun: &[u8] = match nth % 3 {
            0 => b"",
            1 => b"GET / HTTP/1.1\r\nHost: ",
            _ => b"POST /in HTTP/1.1\r\nHost: localhost\r\nContent-Length: 8000\r\n\r\n",
        };
        let _ = stream.write_all(begun);
        held.push(stream);
    }
    assert_eq!(held.len(), 2_000, "all were made");
    let took = page_leaves_after(&house);
    assert!(took < Duration::from_secs(5), "a page took {took:?} while 2,000 connections were open");
    let after = agent.kibibytes("VmHWM");
    assert!(after < before + (12 << 10), "{before} KiB before, {after} KiB at most");
    println!("page after {took:?}; {before} KiB before, {after} KiB at most");
    drop(held);
    house.is_served(Duration::from_secs(40));
    agent.terminate();
}
