//! What the register of outputs means for a rule file: relays that share a topic with each other or
//! with what the agent's configuration publishes on, words that mean the opposite, and sensors or
//! buttons that would hear the watch's own voice and take it for the world's. Each finding stands
//! at its place in the rule file and names the other.

use super::outputs::{Clash, ClashKind, Output, Payloads, Publisher, Register};
use super::relay::adds;
use super::watched::CHECK_INS;
use super::{Relay, Watched};
use crate::diagnostic::Finding;
use std::ops::Range;

/// Something that a topic feeds.
pub(super) struct Listener<'a> {
    /// As a finding names it: "sensor `mains`".
    pub(super) name: String,
    /// What it hears.
    pub(super) topic: &'a str,
    /// Where it is declared.
    pub(super) place: Range<usize>,
}

impl Relay {
    /// Its place in the register.
    pub fn output(&self) -> Output {
        Output {
            publisher: Publisher::Relay(self.name.clone()),
            topic: self.topic.clone(),
            payloads: Some(Payloads {
                on: self.on.clone(),
                off: self.off.clone(),
                may_switch_on: adds(self.moves).is_none(),
                inverted: self.inverted,
            }),
            place: format!("`relay.{}` in the rule file", self.name),
        }
    }
}

/// Every mistake that has a part in the rule file. `elsewhere` is what the agent's configuration
/// publishes on; what collides within it is not said here.
pub(super) fn findings(
    relays: &[(&Relay, Range<usize>)],
    listeners: &[Listener<'_>],
    watched: &[(&Watched, Range<usize>)],
    elsewhere: &[Output],
) -> Vec<Finding> {
    let own = relays.iter().map(|(relay, _)| relay.output());
    let outputs: Vec<Output> = elsewhere.iter().cloned().chain(own).collect();
    let (register, clashes) = Register::new(&outputs);
    let place_of = |at: usize| relays.get(at.checked_sub(elsewhere.len())?).map(|(_, place)| place.clone());
    let mut found = Vec::new();
    for clash in clashes {
        let (Some(first), Some(second)) = (outputs.get(clash.first), outputs.get(clash.second)) else {
            continue;
        };
        // Neither is in the rule file: the configuration's own check says it.
        let Some(place) = place_of(clash.second) else { continue };
        let finding = of_clash(clash, first, second, place);
        found.push(match place_of(clash.first) {
            Some(other) => finding.also(other, ""),
            None => finding,
        });
    }
    for (relay, place) in relays.iter().filter(|(relay, _)| below_check_ins(&relay.topic)) {
        let title = format!("relay `{}` is commanded where check-ins come in", relay.name);
        let label = format!("topics that begin with `{CHECK_INS}` are theirs");
        found.push(Finding::error(place.clone(), title, label));
    }
    for listener in listeners {
        found.extend(of_listener(listener, &register, relays));
    }
    for (site, place) in watched {
        let topic = format!("{CHECK_INS}{}", site.name);
        if let Some(output) = register.output(&topic).filter(|it| it.publisher == Publisher::CheckIns) {
            let title = format!("`{}` is this very site: it would be its own witness", site.name);
            let label = format!("its own check-ins go out under this name: {}", output.place);
            found.push(Finding::error(place.clone(), title, label));
        }
    }
    found
}

fn of_clash(clash: Clash, first: &Output, second: &Output, place: Range<usize>) -> Finding {
    let (one, other) = (&first.publisher, &second.publisher);
    match clash.kind {
        ClashKind::SameTopic => {
            let title = format!("{one} and {other} would be published on one topic");
            let label = format!("`{}` is taken: {}", second.topic, first.place);
            let help = "each output has a topic of its own: one would switch the other";
            Finding::error(place, title, label).help(help)
        }
        ClashKind::LetterCase => {
            let title = format!("the topics of {one} and {other} differ only in the case of letters");
            let label = format!("`{}` here, `{}` there: {}", second.topic, first.topic, first.place);
            let help = "most likely they are meant to be one topic, and each output has one of its own";
            Finding::error(place, title, label).help(help)
        }
        ClashKind::OppositeWords => {
            let title = format!("what switches {one} on switches {other} off");
            let words = second.payloads.as_ref();
            let words =
                words.map_or(String::new(), |it| format!("on is \"{}\", off is \"{}\"", it.on, it.off));
            let help = "one of the two has its words the wrong way round; if the load is wired so that on cuts \
                        it, say `inverted = true` in that relay's command";
            Finding::error(place, title, format!("{words} here; the reverse there: {}", first.place))
                .help(help)
        }
    }
}

fn of_listener(
    listener: &Listener<'_>,
    register: &Register,
    relays: &[(&Relay, Range<usize>)],
) -> Option<Finding> {
    let place = listener.place.clone();
    if below_check_ins(listener.topic) {
        let title = format!("{} would hear nothing on a topic of check-ins", listener.name);
        let label = format!("what begins with `{CHECK_INS}` is taken for another site's sign of life");
        return Some(Finding::error(place, title, label));
    }
    let output = register.output(listener.topic)?;
    let title = format!("{} would hear the watch itself", listener.name);
    let (label, help) = match &output.publisher {
        Publisher::Relay(_) => (
            format!("{} is commanded on `{}`", output.publisher, output.topic),
            "its own command would count as a proof: name the topic on which the device says its state",
        ),
        Publisher::Siren(_)
        | Publisher::Answers(_)
        | Publisher::Status
        | Publisher::State
        | Publisher::Loopback
        | Publisher::CheckIns
        | Publisher::CheckInStatus
        | Publisher::CheckInLoopback => (
            format!("`{}` is that of {}: {}", output.topic, output.publisher, output.place),
            "name the topic on which a device speaks",
        ),
    };
    let finding = Finding::error(place, title, label).help(help);
    let relay = relays.iter().find(|(relay, _)| output.publisher == Publisher::Relay(relay.name.clone()));
    Some(match relay {
        Some((_, other)) => finding.also(other.clone(), ""),
        None => finding,
    })
}

fn below_check_ins(topic: &str) -> bool {
    super::outputs::folded(topic).starts_with(CHECK_INS)
}

/// What is wrong between outputs of the agent's configuration alone, a line each.
pub fn clashes_in_words(outputs: &[Output]) -> Vec<String> {
    let line = |(output, said): (&Output, String)| format!("{}: {said}", output.place);
    clashes(outputs).into_iter().map(line).collect()
}

/// The same, each with the output at whose place it is to be mended.
pub fn clashes(outputs: &[Output]) -> Vec<(&Output, String)> {
    let (_, clashes) = Register::new(outputs);
    let words = |clash: &Clash| {
        let (first, second) = (outputs.get(clash.first)?, outputs.get(clash.second)?);
        let (one, other) = (&first.publisher, &second.publisher);
        let said = match clash.kind {
            ClashKind::SameTopic => format!("`{}` is the topic of {one} too", second.topic),
            ClashKind::LetterCase => {
                format!(
                    "`{}` differs from the topic of {one}, `{}`, only in the case of letters",
                    second.topic, first.topic
                )
            }
            ClashKind::OppositeWords => format!("what switches {one} on switches {other} off"),
        };
        Some((second, format!("{said} ({})", first.place)))
    };
    let theirs = |output: &&Output| below_check_ins(&output.topic) && !is_of_check_ins(&output.publisher);
    let stray = outputs
        .iter()
        .filter(theirs)
        .map(|output| (output, format!("topics that begin with `{CHECK_INS}` are for check-ins")));
    clashes.iter().filter_map(words).chain(stray).collect()
}

fn is_of_check_ins(publisher: &Publisher) -> bool {
    match publisher {
        Publisher::CheckIns | Publisher::CheckInStatus | Publisher::CheckInLoopback => true,
        Publisher::Relay(_)
        | Publisher::Siren(_)
        | Publisher::Answers(_)
        | Publisher::Status
        | Publisher::State
        | Publisher::Loopback => false,
    }
}
