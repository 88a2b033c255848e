//! The report of a fortnight in which much went wrong, of a house with twenty sensors: opened in a
//! browser that has no network, and printed.

use super::{SLACKWATER, in_chromium, pictures};
use slackwater_tests::agent::Home;
use slackwater_tests::holiday::{Past, live_through, write_files};

/// It goes by mail.
const LARGEST: usize = 400 * 1024;

#[test]
fn the_report_of_a_bad_fortnight_opens_offline_fetches_nothing_and_prints_on_few_sheets() {
    let home = Home::new(SLACKWATER).expect("a folder");
    let past = Past { days: 14, every: 5, eventful: true };
    let config = write_files(home.folder(), 1, None, past.every).expect("written");
    let calls = live_through(&config, past).expect("a fortnight");
    assert!(calls >= 10, "only {calls} call-outs");
    let file = home.path("report.html").display().to_string();
    home.say(&["review", "--since", "14 d", "--html", &file]).well();
    let html = std::fs::read_to_string(&file).expect("written");
    assert!(html.len() < LARGEST, "{} octets", html.len());
    assert!(html.matches("class=\"call-out\"").count() >= 10, "each call-out has its part");
    let words = [file.as_str(), &pictures(&home)];
    in_chromium("report.py", &words, "the report was read", |what| panic!("nothing happens here: {what}"));
}
