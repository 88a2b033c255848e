//! What a check-in comes to in words for a page: what was last known, what may be the cause if the
//! site says nothing more, and how it came back. The site signs its texts, but they are cut and
//! cleaned all the same: a page is short and has lines of its own.

use super::form::CheckIn;
use crate::signs::{clip, one_line};
use crate::time::{Span, Wall};
use jiff::tz::TimeZone;
use std::borrow::Cow;
use std::fmt::Write;
use std::sync::Arc;

/// Texts of a site are cut to this many characters, and a page tells so many of each kind.
const LONGEST: usize = 60;
const FEW: usize = 3;

/// One line without signs that hide, not too long.
pub(super) fn clean(text: &str) -> String {
    clip(&one_line(text), LONGEST)
}

/// What pages say of a site.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct SiteNote {
    /// What was last known: `last at 02:13: mains off; open: power-lost (critical, for 1 min)`.
    pub words: Arc<str>,
    /// What may be the cause if nothing more is heard: `likely the power cut …`.
    pub likely: Cow<'static, str>,
}

/// Of a check-in that was heard, or sent, at this time.
pub(super) fn note(check_in: &CheckIn, heard: Wall, zone: &TimeZone) -> SiteNote {
    let clock = |wall: Wall| wall.civil(zone).strftime("%H:%M").to_string();
    let mut parts = Vec::new();
    if let Some(mains) = &check_in.mains {
        parts.push(format!("mains {}", clean(mains)));
    }
    let open = check_in.open.iter().take(FEW).map(|alarm| {
        let answered = if alarm.answered { ", answered" } else { "" };
        format!("{} ({}, for {}{answered})", clean(&alarm.name), alarm.priority, alarm.stood)
    });
    let open: Vec<_> = open.collect();
    let more = check_in.more + check_in.open.len().saturating_sub(FEW);
    parts.push(match (open.is_empty(), more) {
        (true, _) => "no alarm open".to_owned(),
        (false, 0) => format!("open: {}", open.join(", ")),
        (false, more) => format!("open: {} and {more} more", open.join(", ")),
    });
    parts.extend(
        check_in
            .readings
            .iter()
            .take(FEW)
            .map(|said| format!("{} {}", clean(&said.sensor), clean(&said.value))),
    );
    let (sensors, good) = check_in.sensors;
    if good < sensors {
        parts.push(format!("{} of {sensors} sensors not seen", sensors - good));
    }
    parts.extend(check_in.troubles.iter().take(FEW).map(|trouble| clean(trouble)));
    if let Some(silence) = &check_in.silence {
        let mut part =
            format!("{} said it would be silent until {}", clean(&silence.who), clock(heard + silence.left));
        if !silence.why.is_empty() {
            // Writing to a text can't fail.
            let _ = write!(part, ": {}", clean(&silence.why));
        }
        parts.push(part);
    }
    let words = format!("last at {}: {}", clock(heard), parts.join("; "));
    SiteNote { words: words.into(), likely: likely(check_in, heard, &clock) }
}

fn likely(check_in: &CheckIn, heard: Wall, clock: &dyn Fn(Wall) -> String) -> Cow<'static, str> {
    match &check_in.dark {
        Some(dark) if dark.left > Span::ZERO => {
            format!("it said that it would go dark about {}: {}", clock(heard + dark.left), clean(&dark.why))
                .into()
        }
        Some(dark) => format!("it said that it would go dark then: {}", clean(&dark.why)).into(),
        None if check_in.silence.is_some() => "it should be back by then".into(),
        None if check_in.mains.as_deref() == Some("off") => {
            "likely the power cut, which took its router or its board with it".into()
        }
        None if !check_in.troubles.is_empty() => "likely what it said was wrong with itself".into(),
        None => "no sign beforehand: its power, its router, its line or its board".into(),
    }
}

/// How the site came back, from the lives that spoke before and after the silence.
pub(super) fn back(before: &SiteLife, after: &SiteLife, silent: Span) -> String {
    let why = if before.boot != after.boot {
        "its board has started anew, as after a loss of power"
    } else if (&before.journal, before.start) != (&after.journal, after.start) {
        "its watch has started anew, its board has not"
    } else {
        "its watch has gone on all along, so only the way here was cut"
    };
    format!("back after {silent}: {why}")
}

/// Which life of which watch spoke.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct SiteLife {
    boot: String,
    journal: String,
    start: u64,
}

impl SiteLife {
    pub(super) fn of(check_in: &CheckIn) -> Self {
        Self { boot: check_in.boot.clone(), journal: check_in.journal.clone(), start: check_in.start }
    }
}
