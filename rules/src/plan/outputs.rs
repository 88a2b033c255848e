//! The register of every topic that the agent publishes on, over the rule file and the agent's own
//! configuration: relays, sirens, its sign of life, its loop-back, its check-ins. Outputs flow in,
//! each with its place; what collides flows out, and a register that knows whose a topic is. Two
//! outputs on one topic would have an air pump's "on" switch a heater, and so would words that say
//! the opposite of what they mean; so `check` refuses both, and nothing is published that the
//! register does not give to its publisher.

use std::collections::BTreeMap;
use std::fmt;

/// Who publishes.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Publisher {
    /// Commands to the relay of this name.
    Relay(String),
    /// A siren, by the name of its channel.
    Siren(String),
    /// What comes of a contact's answers, by the contact's name.
    Answers(String),
    /// The agent's sign of life on its broker.
    Status,
    /// The agent's state, kept by its broker for dashboards.
    State,
    /// The agent's message to itself.
    Loopback,
    /// This site's check-ins.
    CheckIns,
    /// The sign of life on the check-ins' broker.
    CheckInStatus,
    /// The message to itself through the check-ins' broker.
    CheckInLoopback,
}

impl fmt::Display for Publisher {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Relay(name) => write!(f, "relay `{name}`"),
            Self::Siren(name) => write!(f, "siren `{name}`"),
            Self::Answers(name) => write!(f, "the replies to answers of `{name}`"),
            Self::Status => f.write_str("the agent's status"),
            Self::State => f.write_str("the watch's state"),
            Self::Loopback => f.write_str("the agent's loop-back"),
            Self::CheckIns => f.write_str("the check-ins"),
            Self::CheckInStatus => f.write_str("the status beside the check-ins"),
            Self::CheckInLoopback => f.write_str("the loop-back beside the check-ins"),
        }
    }
}

/// The two payloads of what is switched.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Payloads {
    /// Switches on.
    pub on: String,
    /// Switches off.
    pub off: String,
    /// Whether the agent may switch it on at all: never what adds heat, water or light.
    pub may_switch_on: bool,
    /// The keeper says that the words mean the opposite on purpose.
    pub inverted: bool,
}

/// One topic that the agent publishes on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Output {
    /// Who.
    pub publisher: Publisher,
    /// Where to.
    pub topic: String,
    /// All that it may say, if it switches something.
    pub payloads: Option<Payloads>,
    /// Where this is written, for people: a key and its file.
    pub place: String,
}

/// Two outputs that must not be in one site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clash {
    /// The output that came first, by its place in the list.
    pub first: usize,
    /// The one that came later.
    pub second: usize,
    /// What they have in common.
    pub kind: ClashKind,
}

/// How two outputs collide.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClashKind {
    /// The very same topic.
    SameTopic,
    /// The same but for small and capital letters: most likely one was meant.
    LetterCase,
    /// What one says for on, the other says for off.
    OppositeWords,
}

/// Whose each topic is. Nothing else is ever published.
#[derive(Clone, Debug, Default)]
pub struct Register {
    /// By the topic without the case of its letters.
    outputs: BTreeMap<String, Output>,
}

/// A topic or word without the case of its letters: what differs in nothing else is taken for the
/// same.
pub(super) fn folded(text: &str) -> String {
    text.trim().to_lowercase()
}

impl Register {
    /// Registers the outputs, and tells which collide. Of two on one topic the first keeps it.
    pub fn new(outputs: &[Output]) -> (Self, Vec<Clash>) {
        let mut clashes = Vec::new();
        let mut topics: BTreeMap<String, usize> = BTreeMap::new();
        let mut words: BTreeMap<(String, String), usize> = BTreeMap::new();
        for (second, output) in outputs.iter().enumerate() {
            let topic = folded(&output.topic);
            match topics.get(&topic) {
                Some(first) => {
                    let same = outputs.get(*first).is_some_and(|first| first.topic == output.topic);
                    let kind = if same { ClashKind::SameTopic } else { ClashKind::LetterCase };
                    clashes.push(Clash { first: *first, second, kind });
                }
                None => drop(topics.insert(topic, second)),
            }
            if let Some(payloads) = output.payloads.as_ref().filter(|payloads| !payloads.inverted) {
                let (on, off) = (folded(&payloads.on), folded(&payloads.off));
                if let Some(first) = words.get(&(off.clone(), on.clone())) {
                    clashes.push(Clash { first: *first, second, kind: ClashKind::OppositeWords });
                }
                words.entry((on, off)).or_insert(second);
            }
        }
        let outputs = topics.into_iter().filter_map(|(topic, at)| Some((topic, outputs.get(at)?.clone())));
        (Self { outputs: outputs.collect() }, clashes)
    }

    /// Who publishes on this topic, whatever the case of its letters; nobody if nothing is
    /// returned.
    pub fn output(&self, topic: &str) -> Option<&Output> {
        self.outputs.get(&folded(topic))
    }

    /// Whether this publisher may say this here.
    ///
    /// # Errors
    /// Why not, in words for a person.
    pub fn permits(&self, publisher: &Publisher, topic: &str, payload: &[u8]) -> Result<(), String> {
        self.permits_whom(|its| its == publisher, &publisher.to_string(), topic, payload)
    }

    /// The same for any siren.
    ///
    /// # Errors
    /// Why not, in words for a person.
    pub fn permits_siren(&self, topic: &str, payload: &[u8]) -> Result<(), String> {
        self.permits_whom(|its| matches!(its, Publisher::Siren(_)), "a siren", topic, payload)
    }

    fn permits_whom(
        &self,
        is: impl Fn(&Publisher) -> bool,
        publisher: &str,
        topic: &str,
        payload: &[u8],
    ) -> Result<(), String> {
        let Some(output) = self.output(topic) else {
            return Err(format!("{publisher} has no right to `{topic}`: nobody is registered for it"));
        };
        if output.topic != topic || !is(&output.publisher) {
            return Err(format!("{publisher} has no right to `{topic}`: it belongs to {}", output.publisher));
        }
        let Some(payloads) = &output.payloads else { return Ok(()) };
        if payload == payloads.off.as_bytes() {
            return Ok(());
        }
        if payload != payloads.on.as_bytes() {
            return Err(format!("{publisher} says neither its word for on nor the one for off"));
        }
        match payloads.may_switch_on {
            true => Ok(()),
            false => Err(format!("{publisher} adds heat, water or light: it is never switched on")),
        }
    }
}

/// MQTT 5.0, 1.5.4: a text has at most this many bytes.
const LONGEST_TOPIC: usize = 65_535;

/// Signs that are not seen: two topics would look the same (Unicode 16.0, general category Cf, as
/// far as it is met in texts).
fn is_unseen(sign: char) -> bool {
    sign.is_control()
        || matches!(sign, '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}')
}

/// What keeps a text from being a topic that the agent publishes on: MQTT 5.0, 4.7, and what
/// would be a slip in any case.
pub fn output_topic_fault(topic: &str) -> Option<&'static str> {
    if topic.contains(['+', '#']) {
        Some("it has a wildcard, `+` or `#`: it must be one topic")
    } else if topic.starts_with('$') {
        Some("it begins with `$`, which is the broker's own")
    } else if topic.len() > LONGEST_TOPIC {
        Some("it is longer than 65535 bytes")
    } else if topic.contains(is_unseen) {
        Some("it has a sign that is not seen, like a NUL")
    } else if topic.split('/').any(|level| level.trim().is_empty()) {
        Some("a level of it is empty: `/` stands at an end, or twice")
    } else if topic.trim() != topic {
        Some("it has a blank at an end")
    } else {
        None
    }
}

/// Words that mean on, or off, whatever stands beside them. `open` is neither: a valve's is on, a
/// contact's is off.
const ON: [&str; 5] = ["on", "true", "start", "enable", "enabled"];
const OFF: [&str; 5] = ["off", "false", "stop", "disable", "disabled"];

/// Words that mean so beside each other: on, then off.
const PAIRS: [(&str, &str); 6] =
    [("on", "off"), ("yes", "no"), ("high", "low"), ("up", "down"), ("active", "inactive"), ("run", "halt")];

/// Whether two payloads mean the opposite of what they are declared for. They are compared word by
/// word, so that `{"state":"off"}` is understood too.
pub fn means_the_opposite(on: &str, off: &str) -> bool {
    let (on, off) = (on.to_lowercase(), off.to_lowercase());
    let (on, off) = (tokens(&on), tokens(&off));
    let differing: Vec<(&str, &str)> = if on.len() == off.len() {
        on.into_iter().zip(off).filter(|(on, off)| on != off).collect()
    } else {
        let only_on = on.iter().filter(|word| !off.contains(word)).map(|word| (*word, ""));
        let only_off = off.iter().filter(|word| !on.contains(word)).map(|word| ("", *word));
        only_on.chain(only_off).collect()
    };
    let opposite = differing.iter().any(|(on, off)| OFF.contains(on) || ON.contains(off));
    let right = differing.iter().any(|(on, off)| ON.contains(on) || OFF.contains(off));
    match differing.as_slice() {
        _ if opposite => true,
        [(on, off)] if !right => is_opposite_pair(on, off),
        _ => false,
    }
}

fn is_opposite_pair(on: &str, off: &str) -> bool {
    if let (Ok(on), Ok(off)) = (on.parse::<u64>(), off.parse::<u64>()) {
        return on == 0 && off > 0;
    }
    // `poweron` is one word to many devices.
    PAIRS.iter().any(|(is_on, is_off)| on.ends_with(is_off) && off.ends_with(is_on) && !off.ends_with(is_off))
}

fn tokens(payload: &str) -> Vec<&str> {
    payload.split(|sign: char| !sign.is_alphanumeric()).filter(|word| !word.is_empty()).collect()
}

/// Whether two payloads are the same to a device that looks at neither case nor blanks.
pub fn is_same_payload(on: &str, off: &str) -> bool {
    folded(on) == folded(off)
}
