//! What stands for a value in a story: a length of time, a quantity, a state of an alarm.

use super::line_part::LinePart;
use super::{LONGEST, Maybe};
use crate::alarm::State;
use crate::plan::Finding;
use crate::time::Span;
use crate::units::{Dimension, Quantity};

/// `5 min`, `1 h 30 min`.
pub(super) fn duration(said: LinePart<'_>) -> Maybe<Span> {
    let wrong = |why: String| {
        Finding::error(said.span(), "this is not a length of time", why)
            .help("one like `5 min` or `1 h 30 min` is expected")
    };
    let words: Vec<&str> = said.text.split_whitespace().collect();
    if words.is_empty() {
        return Err(wrong("nothing stands here".to_owned()));
    }
    let mut total = Span::ZERO;
    for pair in words.chunks(2) {
        let span = Quantity::parse(&pair.join(" "))
            .and_then(Quantity::span)
            .map_err(|error| wrong(error.to_string()))?;
        total = total + span;
    }
    match total >= Span::ZERO && total <= LONGEST {
        true => Ok(total),
        false => Err(wrong(format!("it is from 0 s to {LONGEST}"))),
    }
}

pub(super) fn quantity(said: LinePart<'_>, dimension: Dimension) -> Maybe<f64> {
    let parsed = Quantity::parse(said.text).and_then(|quantity| quantity.base(dimension));
    parsed.map_err(|error| Finding::error(said.span(), "this is not such a quantity", error.to_string()))
}

pub(super) fn known_state(said: LinePart<'_>) -> Maybe<String> {
    let states = [
        State::Normal,
        State::Unacknowledged,
        State::Acknowledged,
        State::ReturnedUnacknowledged,
        State::LatchedUnacknowledged,
        State::LatchedAcknowledged,
        State::Shelved,
        State::SuppressedByDesign,
        State::OutOfService,
    ]
    .map(|state| state.to_string());
    match states.iter().any(|state| state == said.text) {
        true => Ok(said.text.to_owned()),
        false => Err(Finding::error(
            said.span(),
            "an alarm has no such state",
            format!("one of these is expected: {}", states.join(" · ")),
        )),
    }
}
