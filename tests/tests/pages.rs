//! The HTML of pages as a browser lays it out: every page that the sample's rehearsals send, in a
//! headless Chromium at the width of a phone and of a tablet, light and dark. What to do and how to
//! answer have to stand on a phone's first screen, nothing may be wider than the screen, and
//! nothing too small to read or to tap.

#![cfg(test)]

use slackwater_tests::agent::Home;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::{env, fs};

const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");
const SAMPLE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/sample");

/// What to do and how to answer end above this on a phone of 390 px: the first screen less the head
/// of a mail program.
const FIRST_SCREEN: f64 = 620.0;

/// Chromium, by the names under which it is installed; if there is none, says so.
///
/// # Panics
/// If there is none and `SLACKWATER_NEED_REAL=1` says that this is a failure.
fn chromium() -> Option<PathBuf> {
    let path = env::var_os("PATH").unwrap_or_default();
    let names = ["chromium", "chromium-browser", "google-chrome", "google-chrome-stable"];
    let found = env::split_paths(&path).flat_map(|folder| names.map(|name| folder.join(name)));
    let found = found.into_iter().find(|program| program.is_file());
    if found.is_none() {
        assert!(
            env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"),
            "Chromium is missing, and SLACKWATER_NEED_REAL=1"
        );
        eprintln!("NOT TESTED: Chromium is not installed, so no page was laid out");
    }
    found
}

/// One page, laid out.
#[derive(Debug)]
struct LaidOut {
    name: String,
    width: u32,
    /// By the part's title: where it ends, px from the top.
    ends: BTreeMap<String, f64>,
    /// How wide it is, px.
    spans: f64,
    /// The smallest letters, px.
    letters: f64,
    /// The lowest thing to tap, px; none if there is nothing.
    taps: Option<f64>,
}

/// Lays pages out, each in a frame of its own, and reads off what the browser made of them.
fn lay_out(
    chromium: &Path,
    home: &Home,
    pages: &[(String, String)],
    widths: &[u32],
    dark: bool,
) -> Vec<LaidOut> {
    let encoded: Vec<serde_json::Value> =
        pages.iter().map(|(name, html)| serde_json::json!({"name": name, "html": html})).collect();
    let pages = serde_json::to_string(&encoded).expect("JSON").replace("</", "<\\/");
    let widths = serde_json::to_string(widths).expect("JSON");
    let script = format!(
        r#"<!DOCTYPE html><meta charset="utf-8"><body><pre id="out"></pre><script>
const pages = {pages}, widths = {widths}, lines = [];
function look(page, width) {{ return new Promise(done => {{
  const frame = document.createElement('iframe');
  frame.style.cssText = 'border:0;height:2000px;width:' + width + 'px';
  frame.onload = () => {{
    const inside = frame.contentDocument, ends = {{}};
    inside.querySelectorAll('h2').forEach(title =>
      ends[title.textContent] = title.closest('td').getBoundingClientRect().bottom);
    let letters = 100;
    const texts = inside.createTreeWalker(inside.body, NodeFilter.SHOW_TEXT);
    while (texts.nextNode()) if (texts.currentNode.textContent.trim().length > 1)
      letters = Math.min(letters, parseFloat(frame.contentWindow.getComputedStyle(texts.currentNode.parentElement).fontSize));
    const taps = [...inside.querySelectorAll('a[style*=block]')].map(a => a.getBoundingClientRect().height);
    lines.push(JSON.stringify({{name: page.name, width, ends, letters, spans: inside.documentElement.scrollWidth,
      taps: taps.length ? Math.min(...taps) : null}}));
    frame.remove(); done();
  }};
  frame.srcdoc = page.html; document.body.append(frame);
}}); }}
(async () => {{
  for (const page of pages) for (const width of widths) await look(page, width);
  document.getElementById('out').textContent = lines.join('\n'); document.title = 'laid out';
}})();
</script></body>"#
    );
    home.write("pages.html", &script).expect("a file");
    let dark = if dark {
        "--blink-settings=preferredColorScheme=0"
    } else {
        "--blink-settings=preferredColorScheme=1"
    };
    let profile = format!("--user-data-dir={}", home.path("profile").display());
    let said = Command::new(chromium)
        .args([
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--no-first-run",
        ])
        .args(["--window-size=1000,1200", "--virtual-time-budget=60000", "--dump-dom", dark, &profile])
        .arg(format!("file://{}", home.path("pages.html").display()))
        .output()
        .expect("Chromium runs");
    let dom = String::from_utf8_lossy(&said.stdout).into_owned();
    let out = dom.split("<pre id=\"out\">").nth(1).and_then(|rest| rest.split("</pre>").next());
    let out = out.unwrap_or_else(|| panic!("{dom}\n{}", String::from_utf8_lossy(&said.stderr)));
    let laid = out.lines().map(|line| line.replace("&amp;", "&")).map(|line| {
        let it: serde_json::Value = serde_json::from_str(&line).unwrap_or_else(|why| panic!("{why}: {line}"));
        let ends = it["ends"].as_object().expect("parts");
        LaidOut {
            name: it["name"].as_str().expect("a name").to_owned(),
            width: it["width"].as_u64().expect("a width") as u32,
            ends: ends.iter().map(|(title, end)| (title.clone(), end.as_f64().expect("px"))).collect(),
            spans: it["spans"].as_f64().expect("px"),
            letters: it["letters"].as_f64().expect("px"),
            taps: it["taps"].as_f64(),
        }
    });
    laid.collect()
}

/// The sample's people as they are, and the demo's, who are led to the page in the house.
fn configurations(home: &Home) -> [String; 2] {
    let folder = home.path("demo");
    let folder = folder.to_str().expect("a path");
    home.say(&["demo", "--speed", "2000", "--for", "1 min", "--page-port", "0", "--folder", folder]).well();
    // The stories are of the sample's hours, which the demo has stretched.
    let rules = fs::read_to_string(format!("{SAMPLE}/rules.toml")).expect("the sample");
    fs::write(format!("{folder}/rules.toml"), rules.replace("\"ines.mail\", ", "")).expect("a file");
    [format!("{SAMPLE}/agent.toml"), format!("{folder}/agent.toml")]
}

/// Each page of the sample's rehearsals to these people once, by the first story that sends it.
fn pages_of_the_rehearsals(home: &Home, config: &str) -> Vec<(String, String)> {
    let mut stories: Vec<PathBuf> = fs::read_dir(format!("{SAMPLE}/rehearsals"))
        .expect("stories")
        .flatten()
        .map(|entry| entry.path())
        .collect();
    stories.sort();
    let stories: Vec<&str> = stories.iter().filter_map(|story| story.to_str()).collect();
    let html = home.path(if config.starts_with(SAMPLE) { "html" } else { "html-of-the-demo" });
    let html = html.to_str().expect("a path");
    // What the stories expect is another test's matter: other people get other pages.
    home.say(&[&["rehearse", "--config", config, "--html", html], &stories[..]].concat());
    let mut found: Vec<(String, String)> = Vec::new();
    let mut entries: Vec<_> = fs::read_dir(html).expect("pages").flatten().map(|it| it.path()).collect();
    entries.sort();
    for path in entries {
        let text = fs::read_to_string(&path).expect("a page");
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if !found.iter().any(|(_, known)| *known == text) {
            found.push((name, text));
        }
    }
    found
}

#[test]
fn what_to_do_and_how_to_answer_stand_on_a_phones_first_screen() {
    let Some(chromium) = chromium() else { return };
    let home = Home::new(SLACKWATER).expect("a folder");
    let mut pages = Vec::new();
    for config in configurations(&home) {
        let found = pages_of_the_rehearsals(&home, &config);
        assert!(found.len() > 40, "{} pages of {config}", found.len());
        let by_whom = if config.starts_with(SAMPLE) { "sample" } else { "demo" };
        pages.extend(found.into_iter().map(|(name, html)| (format!("{by_whom}: {name}"), html)));
    }
    let mut wrong = String::new();
    for dark in [false, true] {
        let laid = lay_out(&chromium, &home, &pages, &[390, 800], dark);
        assert_eq!(laid.len(), pages.len() * 2);
        let asks = |it: &&LaidOut| it.ends.contains_key("What to do");
        assert!(laid.iter().filter(asks).count() > 80);
        for it in &laid {
            let phone = it.width == 390;
            for part in ["What to do", "How to answer"] {
                if let Some(end) = it.ends.get(part).filter(|end| phone && asks(&it) && **end > FIRST_SCREEN)
                {
                    let _ = writeln!(wrong, "{}: {part} ends at {end} px", it.name);
                }
            }
            if it.spans > f64::from(it.width) {
                let _ = writeln!(wrong, "{}: {} px wide on a screen of {}", it.name, it.spans, it.width);
            }
            if it.letters < 14.0 {
                let _ = writeln!(wrong, "{}: letters of {} px", it.name, it.letters);
            }
            if it.taps.is_some_and(|height| height < 44.0) {
                let _ = writeln!(wrong, "{}: {:?} px are too little to tap", it.name, it.taps);
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}
