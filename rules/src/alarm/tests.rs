//! The lifecycle against a table written out a second time, as a reader of the standard would.

use super::*;
use State::*;
use std::collections::BTreeSet;

const STATES: [State; 9] = [
    Normal,
    Unacknowledged,
    Acknowledged,
    ReturnedUnacknowledged,
    LatchedUnacknowledged,
    LatchedAcknowledged,
    Shelved,
    SuppressedByDesign,
    OutOfService,
];

const EVENTS: [AlarmEvent; 11] = [
    AlarmEvent::Raise,
    AlarmEvent::Return { latching: false },
    AlarmEvent::Return { latching: true },
    AlarmEvent::Acknowledge,
    AlarmEvent::Reset,
    AlarmEvent::Shelve,
    AlarmEvent::Unshelve,
    AlarmEvent::Suppress,
    AlarmEvent::Unsuppress,
    AlarmEvent::TakeOut,
    AlarmEvent::PutBack,
];

/// The diagram of alarm states of ANSI/ISA-18.2-2016 (IEC 62682:2014 has the same), from memory,
/// with its letters: A normal, B unacknowledged, C acknowledged, D returned to normal
/// unacknowledged, E latched unacknowledged, F latched acknowledged, G shelved, H suppressed by
/// design, I out of service. Rows are states, columns are `EVENTS`.
///
/// A capital letter is a move of the diagram, a dot says that it knows none. A small letter is
/// our own decision where the standard leaves it open:
/// - what is latched and true again is raised afresh (e f, raise);
/// - a latch is reset before it can be shelved or suppressed (no move there; the standard lets
///   a site put aside any alarm). So neither time nor work resets what a person must;
/// - of the three ways to be put aside, out of service wins over the others, and a shelf over
///   suppression, since a person's word outlasts work;
/// - what is put aside comes back as normal and, if its condition holds, is raised at once; the
///   diagram lets it come back as whatever it would have been.
const TABLE: [(State, &str); 9] = [
    //                       raise ret  retL ack  reset shlv unsh supp unsu out  back
    (Normal, "                 B    .    .    .    .    G    .    H    .    I    ."),
    (Unacknowledged, "         .    D    E    C    .    G    .    H    .    I    ."),
    (Acknowledged, "           .    A    F    .    .    G    .    H    .    I    ."),
    (ReturnedUnacknowledged, " B    .    .    A    .    G    .    H    .    I    ."),
    (LatchedUnacknowledged, "  b    .    .    F    .    .    .    .    .    I    ."),
    (LatchedAcknowledged, "    b    .    .    .    A    .    .    .    .    I    ."),
    (Shelved, "                .    .    .    .    .    .    A    .    .    i    ."),
    (SuppressedByDesign, "     .    .    .    .    .    g    .    .    A    i    ."),
    (OutOfService, "           .    .    .    .    .    .    .    .    .    .    A"),
];

fn lettered(letter: &str) -> State {
    let at = "ABCDEFGHI".find(&letter.to_ascii_uppercase()).expect("a letter of the diagram");
    STATES[at]
}

fn everywhere() -> impl Iterator<Item = (State, AlarmEvent, State)> {
    STATES.into_iter().flat_map(|state| EVENTS.map(|event| (state, event, state.after(event))))
}

#[test]
fn every_state_meets_every_event_as_the_standard_has_it() {
    for (state, (row, letters)) in STATES.into_iter().zip(TABLE) {
        assert_eq!(state, row);
        let letters: Vec<_> = letters.split_whitespace().collect();
        assert_eq!(letters.len(), EVENTS.len(), "{state}");
        for (event, letter) in EVENTS.into_iter().zip(letters) {
            let wanted = if letter == "." { state } else { lettered(letter) };
            assert_eq!(state.after(event), wanted, "{state}, {event:?}");
        }
    }
}

#[test]
fn every_state_can_be_reached_from_every_other() {
    for from in STATES {
        let mut reached = BTreeSet::from([from]);
        while let Some(next) = reached
            .iter()
            .flat_map(|state| EVENTS.map(|event| state.after(event)))
            .find(|next| !reached.contains(next))
        {
            reached.insert(next);
        }
        assert_eq!(reached.len(), STATES.len(), "from {from}");
    }
}

#[test]
fn every_state_is_normal_open_or_aside_and_only_what_is_open_stands() {
    for state in STATES {
        let kinds = [state == Normal, state.is_open(), state.is_aside()];
        assert_eq!(kinds.into_iter().filter(|is| *is).count(), 1, "{state}");
        assert!(state.is_open() || !state.is_standing(), "{state}");
    }
}

#[test]
fn the_same_event_twice_is_the_same_event_once() {
    for (state, event, after) in everywhere() {
        assert_eq!(after.after(event), after, "{state}, {event:?}");
    }
}

#[test]
fn what_is_put_aside_stays_there_until_its_own_end_or_is_taken_out_of_service() {
    for (state, event, after) in everywhere().filter(|(state, ..)| state.is_aside()) {
        let own_end = match state {
            Shelved => AlarmEvent::Unshelve,
            SuppressedByDesign => AlarmEvent::Unsuppress,
            _ => AlarmEvent::PutBack,
        };
        let ends = event == own_end;
        assert_eq!(ends, !after.is_aside(), "{state}, {event:?}");
        assert!(!ends || after == Normal, "{state} comes back as {after}");
        assert!(state != OutOfService || ends || after == OutOfService, "{event:?}");
    }
}

#[test]
fn only_a_raise_makes_an_alarm_stand_and_only_a_person_answers_it() {
    for (state, event, after) in everywhere() {
        if !state.is_standing() {
            assert!(!after.is_standing() || event == AlarmEvent::Raise, "{state}, {event:?}");
        }
        let answered = |state| matches!(state, Acknowledged | LatchedAcknowledged);
        if answered(after) && !answered(state) {
            assert_eq!(event, AlarmEvent::Acknowledge, "{state}");
        }
        if event == AlarmEvent::Acknowledge {
            assert_eq!(after.is_standing(), state.is_standing(), "an answer ends nothing that stands");
        }
    }
}

#[test]
fn a_latch_yields_only_to_a_reset_a_new_raise_or_being_taken_out_of_service() {
    let latched = |state| matches!(state, LatchedUnacknowledged | LatchedAcknowledged);
    for (state, event, after) in everywhere().filter(|(state, ..)| latched(*state)) {
        let may = matches!(event, AlarmEvent::Reset | AlarmEvent::Raise | AlarmEvent::TakeOut);
        assert!(latched(after) || may, "{state}, {event:?}");
    }
    assert_eq!(
        LatchedUnacknowledged.after(AlarmEvent::Reset),
        LatchedUnacknowledged,
        "an answer comes first"
    );
}

#[test]
fn an_episode_ends_when_the_alarm_is_normal_or_put_aside_and_not_before() {
    let episode = Episode {
        id: 1,
        code: "ACDE".to_owned(),
        place: "lagoon".to_owned(),
        priority: Priority::High,
        onset: Moment(0),
        because: String::new(),
        raised: Moment(0),
        worse: false,
        blind: false,
        after_work: None,
    };
    for (state, event, after) in everywhere().filter(|(state, ..)| state.is_open()) {
        let mut life =
            AlarmState { state, episode: Some(Box::new(episode.clone())), ..AlarmState::default() };
        life.happen(event);
        assert_eq!(life.episode.is_some(), after.is_open(), "{state}, {event:?}");
    }
}

#[test]
fn no_more_raises_are_remembered_than_chattering_takes() {
    let mut life = AlarmState::default();
    for minute in 0..100 {
        life.note_raise(minute, Moment(minute as i64 * 60_000));
        assert!(life.raises.len() <= CHATTER_RAISES);
    }
    assert_eq!(life.rests_on(Moment(100 * 60_000)).count(), CHATTER_RAISES);
    life.note_raise(200, Moment(1_000 * 60_000));
    assert_eq!(life.raises, [(200, Moment(1_000 * 60_000))], "and none that is long past");
    assert_eq!(life.rests_on(Moment(2_000 * 60_000)).count(), 0);
}
