//! First-aid cards: what to do, one action a line, the most urgent first, safe for a neighbour who
//! has never kept fish. The built-in ones stand as data in `cards/*.toml`, each line with its
//! source; the keeper's own become the same lines. In goes the present [`Situation`], out come the
//! steps that help now: what would do harm is left out, what is done and proved is ticked.
//!
//! Cautions come before actions: water and mains kill people, and no tank is worth one.

use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

/// So many letters has a step in a text at most: a text of 160 has room for what is wrong too.
pub const TEXT_LETTERS: usize = 60;

/// What is looked at before anything else: water and mains kill people.
pub const GATE: &str = "At the room's door: floor and plugs dry? If not: keep out, call for help. Hands dry, never in the water.";

/// Who may do what a line says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Who {
    /// Whoever comes.
    #[default]
    Anyone,
    /// Only who knows this tank: it resets, doses, tops up, mends or reaches into the water.
    Keeper,
}

/// What a line wants of its reader.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineKind {
    /// Something to do.
    #[default]
    Act,
    /// Something to look at before any act, since it may be wrong to act at all: it leads to
    /// nothing without the act behind it, and so the two stand together.
    LookFirst,
    /// Something not to do: no first step, since it changes nothing.
    LeaveAlone,
    /// What comes when it is over, and how things are left: no step.
    Ending,
}

/// An act that may be done already, by the watch or by a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    /// Bubbles or moving water: oxygen.
    Air,
    /// The heaters draw nothing.
    HeatOff,
    /// The lamp is dark.
    LightOff,
    /// No automatic feeder feeds.
    FeederOff,
}

/// What a line needs to be of use: the same act helps against one of these and harms in the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Harm {
    /// The water is, or will be, too cold.
    Cold,
    /// The water is, or will be, too warm.
    Warm,
}

impl Who {
    /// By the names that files use.
    pub const ALL: [(&'static str, Self); 2] = [("anyone", Self::Anyone), ("keeper", Self::Keeper)];
}

impl LineKind {
    /// By the names that files use.
    pub const ALL: [(&'static str, Self); 4] = [
        ("act", Self::Act),
        ("look-first", Self::LookFirst),
        ("leave-alone", Self::LeaveAlone),
        ("ending", Self::Ending),
    ];
}

impl Act {
    /// By the names that files use.
    pub const ALL: [(&'static str, Self); 4] = [
        ("air", Self::Air),
        ("heat-off", Self::HeatOff),
        ("light-off", Self::LightOff),
        ("feeder-off", Self::FeederOff),
    ];

    /// That it is done, as a page says it.
    pub fn done(self) -> &'static str {
        match self {
            Self::Air => "water gets air",
            Self::HeatOff => "heaters off",
            Self::LightOff => "light off",
            Self::FeederOff => "feeder off",
        }
    }
}

impl Harm {
    /// By the names that files use.
    pub const ALL: [(&'static str, Self); 2] = [("cold", Self::Cold), ("warm", Self::Warm)];
}

/// One line: one action.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct CardLine {
    /// As a page says it.
    pub words: String,
    /// As a text says it: at most [`TEXT_LETTERS`] plain letters. It includes the caution that
    /// stands before it on the card, since a text has no room for both.
    pub text: Option<String>,
    /// Who may do it.
    #[serde(rename = "for", default)]
    pub who: Who,
    /// What it wants.
    #[serde(default)]
    pub kind: LineKind,
    /// The act that it is, if the watch can know of it.
    pub act: Option<Act>,
    /// The act that it undoes: a card that may end the air ticks no air.
    pub ends: Option<Act>,
    /// The act in whose place it stands: left out once that is proved, and until then whoever takes
    /// it has to stay with it.
    pub instead_of: Option<Act>,
    /// What whoever calls is to say besides, so that one call carries it: `how the fish breathe`.
    pub tell: Option<String>,
    /// Shown only against this harm.
    pub needs: Option<Harm>,
    /// It names a heater's plug: who has never seen one is told how to know it. What turns heat off
    /// always does.
    #[serde(default)]
    pub heater_plug: bool,
    /// Shown only while the sensor that the alarm is about speaks and is not believed.
    #[serde(default)]
    pub disbelieved: bool,
    /// Where it comes from; none for the keeper's own lines.
    pub source: Option<String>,
}

/// What to do, the most urgent first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Card {
    /// One action each.
    pub lines: Vec<CardLine>,
}

/// What is known of the place where the card is to be used.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Situation {
    /// The harms that are there or foretold; none if nothing is known of them, and then every line
    /// is shown: unknown is not false.
    pub harms: Option<BTreeSet<Harm>>,
    /// Acts that are proved, each with the tanks in which it is left to do: empty if it is done.
    pub acts: BTreeMap<Act, Vec<String>>,
    /// The tanks in which each of them is proved.
    pub done_in: BTreeMap<Act, Vec<String>>,
    /// The sensor that the alarm is about speaks, and is not believed.
    pub disbelieved: bool,
}

/// A line as it stands now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step<'a> {
    /// What is to be done.
    pub line: &'a CardLine,
    /// It is done and proved: shown as done, not as an order.
    pub done: bool,
    /// Done elsewhere, and left to do in these tanks.
    pub left: &'a [String],
}

impl CardLine {
    /// A line for whoever comes, and nothing else known of it: the keeper's own words.
    pub fn plain(words: impl Into<String>) -> Self {
        Self { words: words.into(), ..Self::default() }
    }

    /// Whether its reader has to find the plug of a heater.
    pub fn names_a_heater_plug(&self) -> bool {
        self.heater_plug || self.act == Some(Act::HeatOff)
    }

    /// The words for a text, if they are short and plain enough.
    fn short(&self) -> Option<&str> {
        self.text.as_deref().or(Some(&*self.words).filter(|words| is_plain(words)))
    }
}

/// Whether a text can carry it as a step, each letter in one place of the GSM 7-bit alphabet.
pub fn is_plain(text: &str) -> bool {
    let costs_one = |sign: char| (sign == ' ' || sign.is_ascii_graphic()) && !"[]{}\\^~|`".contains(sign);
    text.chars().count() <= TEXT_LETTERS && text.chars().all(costs_one)
}

impl Card {
    /// A card of plain lines.
    pub fn plain<W: Into<String>>(lines: impl IntoIterator<Item = W>) -> Self {
        Self { lines: lines.into_iter().map(CardLine::plain).collect() }
    }

    /// Lines of this program's own. Whoever is sent to a tank passes the same gate first, whatever
    /// has happened there: no card can be without it, and none words it in its own way.
    pub fn gated(mut lines: Vec<CardLine>) -> Self {
        if lines.iter().any(|line| line.who == Who::Anyone) {
            let source = Some("flood".to_owned());
            lines.insert(0, CardLine { kind: LineKind::LookFirst, source, ..CardLine::plain(GATE) });
        }
        Self { lines }
    }

    /// The words of all lines.
    pub fn words(&self) -> Vec<&str> {
        self.lines.iter().map(|line| line.words.as_str()).collect()
    }

    /// The lines that help now, in their order.
    pub fn steps<'a>(&'a self, now: &'a Situation) -> Vec<Step<'a>> {
        let threatens = |harm: Harm| now.harms.as_ref().is_none_or(|harms| harms.contains(&harm));
        let is_done = |act: Act| now.acts.get(&act).is_some_and(Vec::is_empty);
        let helps = |line: &&CardLine| {
            line.needs.is_none_or(threatens)
                && !line.instead_of.is_some_and(is_done)
                && (now.disbelieved || !line.disbelieved)
        };
        let step = |line: &'a CardLine| {
            let lasts = |act: &Act| !self.lines.iter().any(|line| line.ends == Some(*act));
            let left = line.act.filter(lasts).and_then(|act| now.acts.get(&act));
            Step { line, done: left.is_some_and(Vec::is_empty), left: left.map_or(&[], Vec::as_slice) }
        };
        self.lines.iter().filter(helps).map(step).collect()
    }

    /// The step for a text that whoever knows the tank gets now.
    pub fn text<'a>(&'a self, now: &'a Situation) -> Option<&'a str> {
        Self::first_text(&self.steps(now))
    }

    /// The first of these steps that is not done, whole and in at most [`TEXT_LETTERS`] letters:
    /// one that is worded for texts, or else one whose own words are short enough.
    pub fn first_text<'a>(steps: &[Step<'a>]) -> Option<&'a str> {
        let open = steps.iter().filter(|step| !step.done).map(|step| step.line);
        let mut open = open.filter(|line| line.kind != LineKind::Ending);
        open.clone().find_map(|line| line.text.as_deref()).or_else(|| open.find_map(CardLine::short))
    }
}

impl Step<'_> {
    /// Whether this reader may take it: a helper leaves the keeper's lines alone, and is not shown
    /// them.
    pub fn is_for(&self, helper: bool) -> bool {
        match self.line.who {
            Who::Anyone => true,
            Who::Keeper => !helper,
        }
    }
}

/// A built-in card.
#[derive(Clone, Debug)]
pub struct BuiltIn {
    /// As rule files name it.
    pub name: String,
    /// Its lines.
    pub card: Card,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CardTable {
    name: String,
    /// The harm that is there wherever this card is used.
    harm: Option<Harm>,
    lines: Vec<CardLine>,
}

#[derive(Deserialize)]
struct CardFile {
    card: Vec<CardTable>,
}

static FILES: [&str; 4] = [
    include_str!("../cards/power.toml"),
    include_str!("../cards/water.toml"),
    include_str!("../cards/heat.toml"),
    include_str!("../cards/rest.toml"),
];
static SOURCES: &str = include_str!("../cards/sources.toml");

/// All built-in cards. A file of them that can't be read would be a mistake of this program, which
/// a test finds; here it adds nothing.
pub fn built_in() -> &'static [BuiltIn] {
    static CARDS: OnceLock<Vec<BuiltIn>> = OnceLock::new();
    CARDS.get_or_init(|| {
        let files = FILES.iter().filter_map(|text| toml::from_str::<CardFile>(text).ok());
        files.flat_map(|file| file.card).map(CardTable::read).collect()
    })
}

impl CardTable {
    fn read(self) -> BuiltIn {
        let Self { name, harm, mut lines } = self;
        for line in &mut lines {
            line.needs = line.needs.filter(|needs| Some(*needs) != harm);
        }
        BuiltIn { name, card: Card::gated(lines) }
    }
}

/// A built-in card.
pub fn find(name: &str) -> Option<&'static Card> {
    built_in().iter().find(|known| known.name == name).map(|known| &known.card)
}

/// The names of all built-in cards.
pub fn names() -> impl Iterator<Item = &'static str> {
    built_in().iter().map(|known| known.name.as_str())
}

/// The source that a line names, in words.
pub fn source(key: &str) -> Option<&'static str> {
    static KNOWN: OnceLock<BTreeMap<String, String>> = OnceLock::new();
    KNOWN.get_or_init(|| toml::from_str(SOURCES).unwrap_or_default()).get(key).map(String::as_str)
}

#[cfg(test)]
mod tests {
    use super::{
        Act, BuiltIn, Card, CardFile, CardLine, FILES, GATE, Harm, LineKind, SOURCES, Situation, Who,
        built_in, find, is_plain,
    };
    use std::collections::{BTreeMap, BTreeSet};

    /// Every situation that a card can tell apart.
    fn situations() -> Vec<Situation> {
        let acts = [Act::Air, Act::HeatOff, Act::LightOff, Act::FeederOff];
        let harms = [None, Some(vec![]), Some(vec![Harm::Cold]), Some(vec![Harm::Warm])];
        let sets = (0..1 << acts.len()).map(|bits: usize| {
            let done = acts.iter().enumerate().filter(|(at, _)| bits >> at & 1 == 1);
            done.map(|(_, act)| (*act, Vec::new())).collect::<BTreeMap<_, _>>()
        });
        let sets: Vec<_> = sets.collect();
        let pairs = harms.into_iter().flat_map(|harms| {
            let harms: Option<BTreeSet<Harm>> = harms.map(|harms| harms.into_iter().collect());
            sets.iter().map(move |acts| Situation {
                harms: harms.clone(),
                acts: acts.clone(),
                ..Situation::default()
            })
        });
        pairs.collect()
    }

    #[test]
    fn every_file_of_cards_can_be_read_and_no_name_stands_twice() {
        let read: usize = FILES
            .iter()
            .map(|text| toml::from_str::<CardFile>(text).expect("a file of cards").card.len())
            .sum();
        let names: BTreeSet<&str> = built_in().iter().map(|known| known.name.as_str()).collect();
        assert_eq!(names.len(), read);
    }

    #[test]
    fn every_line_is_short_and_plain_and_says_where_it_comes_from() {
        let sources: BTreeMap<String, String> = toml::from_str(SOURCES).expect("sources");
        let mut used = BTreeSet::new();
        for BuiltIn { name, card } in built_in() {
            assert!((1..=12).contains(&card.lines.len()), "{name} has {} lines", card.lines.len());
            for line in &card.lines {
                let words = &line.words;
                let plain = words.chars().all(|sign| sign == '°' || sign == ' ' || sign.is_ascii_graphic());
                assert!(words.len() <= 110 && plain && words.ends_with(['.', '?']), "{name}: {words}");
                let source = line.source.as_ref().unwrap_or_else(|| panic!("{name}: {words}: no source"));
                assert!(sources.contains_key(source), "{name}: {words}: no source `{source}`");
                used.insert(source.clone());
            }
        }
        assert_eq!(used.len(), sources.len(), "a source that no line uses");
    }

    #[test]
    fn every_card_has_a_step_for_texts_of_at_most_60_letters_whatever_is_done_already() {
        for BuiltIn { name, card } in built_in() {
            let texts = card.lines.iter().filter_map(|line| line.text.as_deref());
            for text in texts {
                assert!(is_plain(text), "{name}: {} letters: {text}", text.len());
            }
            for now in situations() {
                if card.steps(&now).iter().any(|step| !step.done) {
                    assert!(card.text(&now).is_some_and(is_plain), "{name}: no step for {now:?}");
                }
            }
        }
    }

    #[test]
    fn a_helper_is_never_told_to_reset_dose_top_up_or_reach_in() {
        let keepers =
            ["reset", "top up", "rinse it", "put the probe back", "generator", "clean", "mend", "fasten"];
        for BuiltIn { name, card } in built_in() {
            for line in card.lines.iter().filter(|line| line.who == Who::Anyone) {
                let said = format!("{} {}", line.words, line.text.clone().unwrap_or_default()).to_lowercase();
                // What a line forbids it may name.
                let asked = said.split(['.', ':', ',', '?']).filter(|part| {
                    !["not ", "no ", "never ", "nothing ", "until "]
                        .iter()
                        .any(|no| format!("{} ", part.trim()).contains(no))
                });
                let wrong: Vec<_> =
                    asked.filter(|part| keepers.iter().any(|word| part.contains(word))).collect();
                assert!(wrong.is_empty(), "{name}: {wrong:?}");
            }
        }
    }

    #[test]
    fn what_is_to_be_looked_at_first_has_an_act_behind_it() {
        for BuiltIn { name, card } in built_in() {
            let kinds: Vec<LineKind> = card.lines.iter().map(|line| line.kind).collect();
            assert!(kinds.contains(&LineKind::Act), "{name} has no act");
            let last = kinds.iter().rposition(|kind| *kind == LineKind::LookFirst).unwrap_or_default();
            assert!(kinds.iter().skip(last).any(|kind| *kind == LineKind::Act), "{name}");
            let forbids = ["Do not", "No grill", "Never", "Hands stay", "Keep hands", "Add no"];
            for line in card.lines.iter().filter(|line| line.kind == LineKind::Act) {
                assert!(!forbids.iter().any(|no| line.words.starts_with(no)), "{name}: {}", line.words);
            }
        }
    }

    #[test]
    fn every_card_that_sends_anyone_anywhere_begins_with_the_same_gate_and_none_has_another() {
        for BuiltIn { name, card } in built_in() {
            let sends = card.lines.iter().any(|line| line.who == Who::Anyone);
            let gates = card.lines.iter().filter(|line| line.words == GATE).count();
            assert_eq!(gates, usize::from(sends), "{name}");
            assert!(!sends || card.lines[0].words == GATE, "{name}");
            for line in card.lines.iter().filter(|line| line.words != GATE) {
                let own = ["loor and plugs dry", "loor dry", "tay out, and", "touch nothing"];
                assert!(!own.iter().any(|it| line.words.contains(it)), "{name}: {}", line.words);
            }
        }
        for words in [
            "At the room's door: floor and plugs dry?",
            "keep out, call for help.",
            "Hands dry, never in the water.",
        ] {
            assert!(GATE.contains(words), "{words}");
        }
    }

    #[test]
    fn a_text_that_has_no_gate_says_dry_where_a_plug_is_pulled_or_a_jug_lifted() {
        for BuiltIn { name, card } in built_in() {
            for text in card.lines.iter().filter_map(|line| line.text.as_deref()) {
                let pulls = text.to_lowercase().split([' ', ',', ':', '.']).any(|word| word == "unplug");
                assert!(!pulls || text.contains("dry"), "{name}: {text}");
                assert!(!text.contains("jug") || text.contains("loor dry"), "{name}: {text}");
            }
        }
    }

    #[test]
    fn the_feeder_comes_before_the_lid_that_it_stands_on() {
        for BuiltIn { name, card } in built_in() {
            let lid = card.lines.iter().position(|line| line.words.contains("open its lid"));
            let feeder = card.lines.iter().position(|line| line.act == Some(Act::FeederOff));
            assert!(lid.is_none() || feeder < lid, "{name}");
        }
    }

    #[test]
    fn what_a_card_switches_off_by_hand_has_an_ending() {
        for BuiltIn { name, card } in built_in() {
            let anyone = || card.lines.iter().filter(|line| line.who == Who::Anyone);
            let off = anyone().any(|line| {
                line.kind != LineKind::Ending
                    && line.act == Some(Act::HeatOff)
                    && line.words.contains("nplug")
            });
            let on_again = anyone()
                .any(|line| line.kind == LineKind::Ending || line.words.contains("Plug the heater in again"));
            assert!(!off || on_again, "{name}");
        }
    }

    #[test]
    fn a_card_that_may_end_the_air_orders_it_though_it_runs() {
        let now = Situation { acts: BTreeMap::from([(Act::Air, Vec::new())]), ..Situation::default() };
        let leak = find("water-on-floor").expect("a card");
        assert!(leak.steps(&now).iter().all(|step| !step.done));
        let still = find("no-flow").expect("a card");
        assert!(still.steps(&now).iter().any(|step| step.done));
    }

    #[test]
    fn whoever_is_sent_to_unplug_a_heater_is_told_how_to_know_its_plug() {
        for line in built_in().iter().flat_map(|built_in| &built_in.card.lines) {
            let sent = line.kind == LineKind::Act && line.words.to_lowercase().contains("unplug ");
            let of_heat = line.words.contains("heater");
            assert!(!(sent && of_heat) || line.names_a_heater_plug(), "{}", line.words);
        }
    }

    #[test]
    fn a_line_for_what_is_not_believed_is_shown_only_then() {
        let line = CardLine { disbelieved: true, ..CardLine::plain("Unplug the heaters.") };
        let card = Card { lines: vec![line, CardLine::plain("Read another thermometer.")] };
        let shown = |disbelieved| card.steps(&Situation { disbelieved, ..Situation::default() }).len();
        assert_eq!((shown(false), shown(true)), (1, 2));
    }

    #[test]
    fn air_that_is_proved_is_ticked_and_the_next_step_leads_the_text() {
        let card = find("no-power").expect("a card");
        let mut now = Situation::default();
        assert_eq!(card.text(&now), Some("Floor dry? Start the battery air pump. Floor wet: stay out."));
        now.acts.insert(Act::Air, vec!["harbour".to_owned()]);
        let steps = card.steps(&now);
        assert_eq!((steps[1].done, steps[1].left), (false, &["harbour".to_owned()][..]));
        now.acts.insert(Act::Air, vec![]);
        assert!(card.steps(&now)[1].done);
        assert_eq!(card.text(&now), Some("Do not feed. Switch automatic feeders off."));
        assert!(card.steps(&now).iter().all(|step| !step.line.words.contains("jug")));
    }

    #[test]
    fn blankets_are_left_out_in_a_heat_wave_and_shown_when_nothing_is_known() {
        let blankets = |card: &Card, harms: Option<&[Harm]>| {
            let now = Situation {
                harms: harms.map(|harms| harms.iter().copied().collect()),
                ..Situation::default()
            };
            card.steps(&now).iter().any(|step| step.line.words.contains("lankets"))
        };
        let dark = find("no-power").expect("a card");
        assert!(blankets(dark, None) && blankets(dark, Some(&[Harm::Cold])));
        assert!(!blankets(dark, Some(&[Harm::Warm])) && !blankets(dark, Some(&[])));
        // Where it is too cold, cold is the harm whatever is foretold.
        assert!(blankets(find("too-cold").expect("a card"), Some(&[])));
    }

    #[test]
    fn a_line_of_the_keeper_is_a_step_for_texts_if_it_is_short() {
        let own = Card::plain([
            "Ring the neighbour, and tell her that the lagoon in the living room is losing water.",
            "Close the valve.",
        ]);
        assert_eq!(own.text(&Situation::default()), Some("Close the valve."));
        assert_eq!(CardLine::plain("x".repeat(61)).short(), None);
        assert_eq!(CardLine::plain("26 °C").short(), None);
    }
}
