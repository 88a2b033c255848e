//! What was heard, topic by topic, within bounds: a broker may carry thousands of topics and a
//! device may have gone mad.

use super::payload::{self, Beside, Form, PayloadPlace, PayloadSaid, PayloadValue};
use slackwater_rules::time::Span;
use std::collections::{BTreeMap, BTreeSet};

/// So many topics are kept, and of each payload so much is looked at.
const MOST_TOPICS: usize = 2_000;
const LONGEST_PAYLOAD: usize = 16 << 10;

/// Arrivals of a topic that are kept, for its rate and its sender.
const MOST_TIMES: usize = 64;

/// Different words of one value that are kept: what says more is no set of words.
pub(super) const MOST_WORDS: usize = 8;

/// All that was heard.
#[derive(Debug, Default)]
pub struct Observations {
    topics: BTreeMap<String, TopicHeard>,
    /// Messages on topics beyond the bound.
    beyond: u64,
    messages: u64,
}

/// What came on one topic.
#[derive(Debug)]
pub(super) struct TopicHeard {
    pub(super) form: Form,
    /// When live messages came, since the beginning.
    pub(super) live: Vec<Span>,
    pub(super) live_count: u64,
    /// Whether the broker kept one from before.
    pub(super) retained: bool,
    values: BTreeMap<PayloadPlace, ObservedValue>,
    /// The last payload, for descriptions.
    last: Vec<u8>,
}

/// What one value said.
#[derive(Clone, Debug, Default)]
pub(super) struct ObservedValue {
    pub(super) lowest: Option<f64>,
    pub(super) highest: Option<f64>,
    pub(super) unit: Option<String>,
    pub(super) words: BTreeSet<String>,
    pub(super) last: String,
    /// What stood beside it last.
    pub(super) beside: Beside,
}

impl Observations {
    /// A message that came `at` so long after the beginning.
    pub fn hear(&mut self, at: Span, topic: &str, payload: &[u8], retained: bool) {
        self.messages += 1;
        if !self.topics.contains_key(topic) && self.topics.len() >= MOST_TOPICS {
            self.beyond += 1;
            return;
        }
        let (form, values) = match payload.len() {
            ..=LONGEST_PAYLOAD => payload::read(payload),
            _ => (Form::Unread, Vec::new()),
        };
        let heard = self.topics.entry(topic.to_owned()).or_insert_with(|| TopicHeard {
            form,
            live: Vec::new(),
            live_count: 0,
            retained: false,
            values: BTreeMap::new(),
            last: Vec::new(),
        });
        heard.form = form;
        heard.last = payload.iter().take(LONGEST_PAYLOAD).copied().collect();
        match retained {
            true => heard.retained = true,
            false => {
                heard.live_count += 1;
                if heard.live.len() < MOST_TIMES {
                    heard.live.push(at);
                }
            }
        }
        for PayloadValue { place, said, beside } in values {
            let value = heard.values.entry(place).or_default();
            value.take(said);
            value.beside = beside;
        }
    }

    /// Messages so far, and topics.
    pub fn counts(&self) -> (u64, usize) {
        (self.messages, self.topics.len())
    }

    /// Messages on topics beyond the bound.
    pub fn beyond(&self) -> u64 {
        self.beyond
    }

    pub(super) fn topics(&self) -> impl Iterator<Item = (&str, &TopicHeard)> {
        self.topics.iter().map(|(topic, heard)| (topic.as_str(), heard))
    }
}

impl TopicHeard {
    pub(super) fn values(&self) -> impl Iterator<Item = (&PayloadPlace, &ObservedValue)> {
        self.values.iter()
    }

    pub(super) fn last(&self) -> &[u8] {
        &self.last
    }

    /// The usual time between two live messages: the middle one of all.
    pub(super) fn interval(&self) -> Option<Span> {
        let mut between: Vec<Span> =
            self.live.iter().zip(self.live.iter().skip(1)).map(|(one, next)| *next - *one).collect();
        between.sort();
        between.get(between.len() / 2).copied()
    }
}

impl ObservedValue {
    fn take(&mut self, said: PayloadSaid) {
        match said {
            PayloadSaid::Number(value, unit) => {
                self.lowest = Some(self.lowest.map_or(value, |lowest| lowest.min(value)));
                self.highest = Some(self.highest.map_or(value, |highest| highest.max(value)));
                self.unit = unit.or(self.unit.take());
                self.last = value.to_string();
                if self.words.len() <= MOST_WORDS {
                    self.words.insert(self.last.clone());
                }
            }
            PayloadSaid::Word(word) => {
                self.last.clone_from(&word);
                if self.words.len() <= MOST_WORDS {
                    self.words.insert(word);
                }
            }
        }
    }

    /// Whether every value so far was a number.
    pub(super) fn is_number(&self) -> bool {
        self.lowest.is_some() && self.words.iter().all(|word| word.parse::<f64>().is_ok())
    }
}
