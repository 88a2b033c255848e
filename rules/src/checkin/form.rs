//! What a check-in says, in the form in which it is sent: a versioned one of its own, JSON, which
//! only gains fields. Lengths of time are milliseconds. Times of the site's wall clock come with
//! whether it was trusted; what must last until some moment says how long it still lasts, so that
//! two clocks need not agree.

use crate::alarm::Priority;
use crate::time::{Span, Wall};
use serde::{Deserialize, Serialize};

/// Of the form below. A witness refuses any other.
pub const VERSION: u32 = 1;

/// One sign of life.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CheckIn {
    /// [`VERSION`].
    pub version: u32,
    /// The site's name, as the witness knows it.
    pub site: String,
    /// Tells the site's journal from every other: a new board begins a new one.
    pub journal: String,
    /// The record of the journal with which this life of the watch began: grows with each start.
    pub start: u64,
    /// Counts up from 1 in one life of the watch.
    pub count: u64,
    /// The site's wall clock.
    pub at: Wall,
    /// Whether the site trusts it.
    pub at_trusted: bool,
    /// This running of the board.
    pub boot: String,
    /// The next one is due after this.
    pub next: Span,
    /// Of the program.
    pub software: String,
    /// What the sensor for the mains says, if one is named.
    pub mains: Option<String>,
    /// Alarms that stand, the worst first; not all if there are many.
    pub open: Vec<OpenAlarm>,
    /// How many more stand.
    pub more: usize,
    /// Somebody is being asked for there, and no page gets through.
    pub asks: bool,
    /// How many sensors there are, and how many of them say something good.
    pub sensors: (usize, usize),
    /// The first sensors' last believed readings.
    pub readings: Vec<LastReading>,
    /// What is wrong with the watch itself: broker, journal, clock.
    pub troubles: Vec<String>,
    /// A silence that somebody has announced.
    pub silence: Option<Planned>,
    /// The site will go dark.
    pub dark: Option<Dark>,
}

impl CheckIn {
    /// What a witness should hear at once when it changes.
    pub fn news(&self) -> Vec<String> {
        let open = self.open.iter().map(|alarm| format!("{} {}", alarm.name, alarm.answered));
        let silence = self.silence.iter().map(|silence| format!("silence {}", silence.why));
        let dark = self.dark.iter().map(|dark| format!("dark {}", dark.why));
        let asks = self.asks.then(|| "asks".to_owned());
        open.chain(silence).chain(dark).chain(asks).collect()
    }
}

/// An alarm that stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenAlarm {
    /// Its name.
    pub name: String,
    /// Its tank, or the site.
    pub place: String,
    /// How much it matters.
    pub priority: Priority,
    /// For how long it has stood.
    pub stood: Span,
    /// A person has answered for it.
    pub answered: bool,
}

/// A sensor's last believed reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LastReading {
    /// The sensor.
    pub sensor: String,
    /// The value with its unit, or the word.
    pub value: String,
    /// Since its last message.
    pub age: Span,
}

/// A silence that somebody has announced.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Planned {
    /// It ends after this.
    pub left: Span,
    /// The reason given; may be empty.
    pub why: String,
    /// Who said so.
    pub who: String,
}

/// The site will go dark.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Dark {
    /// In about this long.
    pub left: Span,
    /// The alarm that says so, or who stopped the watch.
    pub why: String,
}
