//! The table held against a second one: the page's rows as they are written, a column for each
//! stage, in words. Where the page says nothing of a stage, the word says what was chosen.

use crate::callout::table::{Move, Row, Stage};

/// Row; then what follows when held, climbing, answered, asking, settling.
const PAGE: &[(&str, [&str; 5])] = &[
    ("came back", ["goes on", "goes on", "listed", "listed", "state before"]),
    ("disobeyed", ["all rungs", "all rungs", "all rungs", "all rungs", "all rungs"]),
    ("unproved", ["page to told", "page to told", "breaks through", "breaks through", "-"]),
    ("above", ["begins, news", "begins, news", "breaks through", "breaks through", "state before"]),
    ("critical", ["listed soon", "listed soon", "breaks through", "breaks through", "state before"]),
    ("critical, expected", ["listed soon", "listed soon", "listed", "listed", "state before"]),
    ("critical, other ladder", ["begins", "begins", "breaks through", "breaks through", "state before"]),
    ("critical, other ladder, expected", ["begins", "begins", "listed", "listed", "state before"]),
    ("milder", ["listed", "listed", "listed", "listed", "state before"]),
    ("hides", ["page to told", "page to told", "listed", "listed", "state before"]),
    ("worse, matters", ["page to told", "page to told", "breaks through", "breaks through", "-"]),
    ("worse, below", ["listed", "listed", "listed", "listed", "-"]),
    ("cause returned", ["raised later", "raised later", "raised later", "raised later", "-"]),
    ("rank fell", ["milder ladder", "milder ladder", "stands on", "stands on", "-"]),
    ("answer", ["answered", "answered", "replaced", "replaced", "replaced"]),
    ("next", ["next rung", "next rung", "rung after", "rung after", "-"]),
    ("next at last", ["all again", "all again", "all again", "all again", "-"]),
    ("rung due", ["-", "told", "-", "-", "-"]),
    ("rung failed", ["-", "next rung", "-", "rung after, all before", "-"]),
    ("last rung failed", ["-", "-", "-", "rung after, all before", "-"]),
    ("lease ended", ["-", "-", "asks", "-", "-"]),
    ("lease ended, quiet", ["-", "-", "holds", "-", "-"]),
    ("unrenewed", ["-", "-", "rung after, all before", "rung after, all before", "-"]),
    ("hold over", ["rung 0", "-", "-", "-", "-"]),
    ("quiet over, stands", ["rung 0", "-", "-", "-", "-"]),
    ("quiet over, gone", ["morning", "-", "-", "-", "-"]),
    ("last put aside", ["put aside", "put aside", "put aside", "put aside", "-"]),
    ("nothing stands", ["settles", "settles", "settles", "settles", "-"]),
    ("nothing stands, for the morning", ["stands on", "settles", "settles", "settles", "-"]),
    ("settled", ["-", "-", "-", "-", "all clear"]),
    ("latched", ["stands on", "stands on", "stands on", "stands on", "-"]),
    ("latched, answered", ["stands on", "stands on", "covered", "covered", "-"]),
    ("started", ["waits", "waits", "waits", "waits", "waits"]),
    ("dropped", ["refused", "refused", "refused", "refused", "refused"]),
    (
        "dropped, forced",
        ["put aside now", "put aside now", "put aside now", "put aside now", "put aside now"],
    ),
    ("real one", ["drill waits", "drill waits", "drill waits", "drill waits", "drill waits"]),
    ("dark", ["says dark", "says dark", "says dark", "says dark", "-"]),
];

fn row(row: Row) -> &'static str {
    match row {
        Row::CameBack => "came back",
        Row::Disobeyed => "disobeyed",
        Row::Unproved => "unproved",
        Row::Above => "above",
        Row::CriticalToo { other_ladder: false, expected: false } => "critical",
        Row::CriticalToo { other_ladder: false, expected: true } => "critical, expected",
        Row::CriticalToo { other_ladder: true, expected: false } => "critical, other ladder",
        Row::CriticalToo { other_ladder: true, expected: true } => "critical, other ladder, expected",
        Row::Milder => "milder",
        Row::Hides => "hides",
        Row::Worse { matters: true } => "worse, matters",
        Row::Worse { matters: false } => "worse, below",
        Row::CauseReturned => "cause returned",
        Row::RankFell => "rank fell",
        Row::Answer => "answer",
        Row::Next { at_last: false } => "next",
        Row::Next { at_last: true } => "next at last",
        Row::RungDue => "rung due",
        Row::RungFailed { at_last: false } => "rung failed",
        Row::RungFailed { at_last: true } => "last rung failed",
        Row::LeaseEnded { only_quiet: false } => "lease ended",
        Row::LeaseEnded { only_quiet: true } => "lease ended, quiet",
        Row::Unrenewed => "unrenewed",
        Row::HoldOver => "hold over",
        Row::QuietOver { stands: true } => "quiet over, stands",
        Row::QuietOver { stands: false } => "quiet over, gone",
        Row::LastPutAside => "last put aside",
        Row::NothingStands { waits_for_morning: false } => "nothing stands",
        Row::NothingStands { waits_for_morning: true } => "nothing stands, for the morning",
        Row::Settled => "settled",
        Row::LatchedReturned { answered: false } => "latched",
        Row::LatchedReturned { answered: true } => "latched, answered",
        Row::Started => "started",
        Row::Dropped { forced: false } => "dropped",
        Row::Dropped { forced: true } => "dropped, forced",
        Row::DrillMustWait => "real one",
        Row::GoesDark => "dark",
    }
}

fn word(step: Move) -> &'static str {
    match step {
        Move::Nothing => "-",
        Move::GoesOn => "goes on",
        Move::Listed => "listed",
        Move::ListedSoon => "listed soon",
        Move::AllRungs => "all rungs",
        Move::TellsTold => "page to told",
        Move::BreaksThrough => "breaks through",
        Move::BeginsWithNews => "begins, news",
        Move::Begins => "begins",
        Move::RaisedLater => "raised later",
        Move::GoesOnMilder => "milder ladder",
        Move::Answers => "answered",
        Move::Replaces => "replaced",
        Move::NextRung => "next rung",
        Move::AllAgain => "all again",
        Move::RungAfter => "rung after",
        Move::RungAfterAndAllBefore => "rung after, all before",
        Move::TellsRung => "told",
        Move::Asks => "asks",
        Move::Holds => "holds",
        Move::ClimbsFromZero => "rung 0",
        Move::TellsMorning => "morning",
        Move::EndsPutAside => "put aside",
        Move::Settles => "settles",
        Move::AllClear => "all clear",
        Move::StateBefore => "state before",
        Move::StandsOn => "stands on",
        Move::IsCovered => "covered",
        Move::Waits => "waits",
        Move::Refuses => "refused",
        Move::PutsAside => "put aside now",
        Move::DrillWaits => "drill waits",
        Move::SaysDark => "says dark",
    }
}

#[test]
fn every_pair_of_stage_and_event_moves_as_the_page_says() {
    assert_eq!(PAGE.len(), Row::ALL.len());
    for event in Row::ALL {
        let columns = PAGE.iter().find(|(name, _)| *name == row(event)).map(|(_, columns)| columns);
        let columns = columns.expect("the page has the row");
        for (stage, expected) in Stage::ALL.iter().zip(columns) {
            assert_eq!(word(stage.after(event)), *expected, "{stage:?} when {event:?}");
        }
        assert_eq!(Stage::Over.after(event), Move::Nothing, "what is over stays over: {event:?}");
    }
}

#[test]
fn the_list_of_rows_names_each_once() {
    let names: std::collections::BTreeSet<_> = Row::ALL.iter().map(|event| row(*event)).collect();
    assert_eq!(names.len(), Row::ALL.len());
}
