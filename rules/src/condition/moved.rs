//! What a window over a sensor's past says, for people: its value, and of a swing which way the
//! reading went.

use super::explain::ExplainedPart;
use super::{Aggregate, Formula, Window, World};
use crate::reading::Value;
use crate::words;

/// Within this share of a swing from one end of it the value has gone there.
const NEAR_AN_END: f64 = 0.25;

impl<W: World> ExplainedPart<'_, W> {
    /// `mean of water over 2 h: 24.1 °C`
    pub(super) fn window_in_words(&self, window: &Window, formula: &Formula, place: &str) -> String {
        let mut text = window.text.to_string();
        for id in formula.in_order() {
            let sensor = self.site.sensor(id);
            text = text.replace(&sensor.name, words::without_place(&sensor.title, place));
        }
        let value = words::for_people(&self.window(window, formula));
        let swing = text.strip_prefix("swing of ").and_then(|text| text.rsplit_once(" over "));
        match swing.filter(|_| window.what == Aggregate::Swing) {
            Some((what, length)) => self.moved(window, formula, what, length, &value),
            None => format!("{text}: {value}"),
        }
    }

    /// Which way it went, if one sensor did and still stands near one end: `pH 8.9: it rose
    /// by 0.4 pH within 1 h`.
    fn moved(&self, window: &Window, formula: &Formula, what: &str, length: &str, by: &str) -> String {
        // How much of the time was seen tells only a keeper something, who asks `explain`.
        let by = by.split(", seen for ").next().unwrap_or(by);
        let way = || {
            let &[id] = formula.in_order().as_slice() else { return None };
            let Some(Value::Number(now)) = self.present.world.value(id) else { return None };
            let (low, high) = self.present.memory.window(window.slot)?.span();
            let went = match (now - low) / (high - low) {
                share if share >= 1.0 - NEAR_AN_END => "rose",
                share if share <= NEAR_AN_END => "fell",
                _ => return None,
            };
            let now = words::named(what, &self.reading_in_words(id));
            Some(format!("{now}: it {went} by {by} within {length}"))
        };
        way().unwrap_or_else(|| format!("{what} moved by {by} within {length}"))
    }
}
