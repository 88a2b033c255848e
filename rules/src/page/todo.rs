//! What a page tells its reader to do. The cards' lines that help now flow in; out come the part
//! that stands before the answer, with the first act, what the watch could not do and what is done
//! already, and the later steps, those for anyone apart from those for who knows the tank.

use super::facts::{Facts, Matter, News, Outlook};
use super::helping;
use super::said::{PageLine, PageStep};
use crate::alarm::Priority;
use crate::card::{self, Act, Card, CardLine, LineKind, Step, Who};
use crate::words;
use std::collections::BTreeSet;

/// What a card says where somebody has to be called: the site's own number takes its place.
const CALL_FOR_HELP: &str = "call for help";
const CALL_EMERGENCY: &str = "call the emergency number";
/// What a card says where the temperature stands at which cooling stops, and warming.
const COOL_AGAIN: &str = "Cool again?";
const WARM_AGAIN: &str = "Warm again?";
/// What a card says of a thing that not every tank has.
const IF_ANY: [&str; 2] = [", if there is one", ", if there are any"];
/// So many steps stand on a page, of all cards together.
const STEPS: usize = 12;
/// How somebody finds a heater's plug who has never seen one.
const WHICH_HEATER: &str = "Heaters are rods of glass or metal in the water: follow each cable to its plug.";

/// The steps of one page, in the order of its numbers.
#[derive(Default)]
pub(super) struct Todo {
    /// The first act, what is to be looked at before it, and what is done.
    pub(super) first: Vec<PageLine>,
    /// All later steps for anyone.
    pub(super) then: Vec<PageLine>,
    /// All later steps for who knows the tank.
    pub(super) for_keeper: Vec<PageLine>,
    /// How things are left when it is over.
    pub(super) ending: Vec<PageLine>,
}

impl Todo {
    /// The step that comes after the answer, if one does that is for whoever reads.
    pub(super) fn goes_on(&self) -> Option<usize> {
        self.then.iter().find_map(|line| match line {
            PageLine::Step(number, _) => Some(*number),
            PageLine::Plain(_)
            | PageLine::First(_)
            | PageLine::Done(_)
            | PageLine::At(..)
            | PageLine::Link { .. } => None,
        })
    }
}

/// What has been said once on a page and is not said again.
#[derive(Default)]
pub(super) struct SaidOnce {
    /// Where things are, beside a step.
    pub(super) places: BTreeSet<String>,
    /// What words of the trade mean.
    pub(super) words: BTreeSet<&'static str>,
    /// The number of whom to call.
    number: bool,
}

impl Facts<'_> {
    /// The card of the news: of what the watch has left behind, once the alarm itself is over.
    fn card(&self) -> Option<&Card> {
        match self.news {
            News::HeatersCut(_) => card::find("heaters-cut"),
            News::Raised
            | News::StillOnIt
            | News::Worse
            | News::Undone(_)
            | News::GoesDark(_)
            | News::NobodyElse => self.lead.as_ref()?.alarm.map(|alarm| &alarm.response),
        }
    }

    /// The cards' steps that this reader may take: those of the news before those of older trouble
    /// that it did not bring about.
    pub(super) fn steps(&self) -> Vec<Step<'_>> {
        let mut steps: Vec<Step<'_>> = Vec::new();
        for card in self.card().into_iter().chain(self.older_cards()) {
            for step in card.steps(&self.situation).into_iter().filter(|it| it.is_for(self.is_helper())) {
                let again = |known: &Step<'_>| {
                    known.line.words == step.line.words
                        || (step.line.act.is_some() && known.line.act == step.line.act)
                };
                if steps.len() < STEPS && !steps.iter().any(again) {
                    steps.push(step);
                }
            }
        }
        steps
    }

    /// The cards of what else stands in the same tank, matters as much, and is no consequence of
    /// the news.
    fn older_cards(&self) -> impl Iterator<Item = &Card> {
        let lead = self.lead.as_ref().and_then(|lead| lead.alarm);
        let standing = |matter: &&Matter<'_>| matter.stands() && matter.priority >= Priority::High;
        self.others.iter().filter(standing).filter_map(move |matter| {
            let (alarm, lead) = (matter.alarm?, lead?);
            let follows = |cause: &crate::ids::AlarmId| self.plan.alarm(*cause).name == lead.name;
            let same = alarm.tank == lead.tank && alarm.response != lead.response;
            (same && !alarm.consequence_of.iter().any(follows)).then_some(&alarm.response)
        })
    }

    /// What stands before the answer, and what comes behind it.
    pub(super) fn todo(&self, steps: &[Step<'_>], once: &mut SaidOnce) -> Todo {
        let (endings, steps): (Vec<Step<'_>>, Vec<Step<'_>>) =
            steps.iter().copied().partition(|step| step.line.kind == LineKind::Ending);
        let steps = steps.as_slice();
        let (leads, later) = leading(steps);
        let mut todo = Todo::default();
        for (at, step) in leads.iter().enumerate() {
            let words = match step.line.who {
                Who::Keeper => format!("Keeper only: {}", self.step_in_words(step)),
                Who::Anyone => self.step_in_words(step),
            };
            let said = PageStep { own: step.line.words.clone(), said: words };
            let said = self.with_place(step.line, said, once, true);
            todo.first.push(match at {
                0 => PageLine::First(said),
                at => PageLine::Step(at + 1, said),
            });
            todo.first.extend(self.which_tank_first(step));
        }
        // A phone's first screen is small: why stands with what the watch has done, and where the
        // news is what a person has to do, a step that asks for an act says it already.
        let by_hand = self.by_hand.iter().map(|line| match line.split_once(" (") {
            Some((what, _)) => words::sentence(what),
            None => words::sentence(line),
        });
        let said = self.leads_with_a_hand() && leads.iter().any(|step| step.line.act.is_some());
        todo.first.extend(by_hand.filter(|_| !said).map(PageLine::Plain));
        todo.first.extend(self.done(steps));
        if todo.first.is_empty() && self.is_helper() {
            let nothing = "Nothing here is for a helper: call the keeper.".to_owned();
            todo.first.push(PageLine::First(PageStep { own: nothing.clone(), said: nothing }));
        }
        let (anyone, keeper): (Vec<&Step<'_>>, Vec<&Step<'_>>) =
            later.into_iter().partition(|step| step.line.who == Who::Anyone);
        // The answer stands between them, so that both are on the first screen.
        let numbered = (leads.len() + 1..).zip(anyone.iter().chain(&keeper));
        for (number, step) in numbered {
            let part = match step.line.who {
                Who::Anyone => &mut todo.then,
                Who::Keeper => &mut todo.for_keeper,
            };
            let said = PageStep { own: step.line.words.clone(), said: self.step_in_words(step) };
            let said = self.with_place(step.line, said, once, false);
            part.push(PageLine::Step(number, said));
            part.extend(self.which_tank_first(step));
        }
        let words = |step: &Step<'_>| PageLine::Plain(self.ending(&step.line.words, once));
        todo.ending = endings.iter().map(words).collect();
        todo
    }

    /// The step; where its order of tanks stands below it, they are not listed twice.
    fn step_in_words(&self, step: &Step<'_>) -> String {
        match (self.which_tank_first(step), step.left) {
            (Some(_), _) | (None, []) => step.line.words.clone(),
            (None, left) => {
                let left: Vec<String> = left.iter().map(|tank| self.known(tank)).collect();
                format!("{} Not done yet: {}.", step.line.words, left.join(", "))
            }
        }
    }

    /// The step with whom to call, and where to find what it names: each said once a page. A helper
    /// is told how to know a heater and its plug where nobody has written down where they are.
    fn with_place(&self, line: &CardLine, step: PageStep, once: &mut SaidOnce, leads: bool) -> PageStep {
        let step = PageStep { said: self.with_number(&step.said, once), ..step };
        let about = self.lead.as_ref().and_then(|lead| lead.alarm).and_then(|alarm| alarm.tank);
        let unknown = self.is_helper() && line.names_a_heater_plug();
        let places = helping::places_of(self.plan, about, &step.own, line.act == Some(Act::Air));
        // A phone's first screen is small. Who knows the house needs the place of the one thing
        // that the step is about, and who doesn't finds by its place what a word means.
        let one = leads && !self.is_helper();
        let mut more: Vec<String> = places.into_iter().take(if one { 1 } else { usize::MAX }).collect();
        // What has its place is there.
        let said = if more.is_empty() {
            step.said
        } else {
            IF_ANY.iter().fold(step.said, |said, it| said.replace(it, ""))
        };
        more.extend((more.is_empty() && unknown).then(|| WHICH_HEATER.to_owned()));
        // In brackets: what a thing is and where stands behind a step, and is no part of what is to
        // be done.
        more.retain(|more| once.places.insert(more.clone()));
        let found = |term: &str| more.iter().any(|place| place.to_lowercase().starts_with(term));
        let new = self.what_is_new(&said, once, |term| one || (leads && found(term)));
        for meant in new.into_iter().rev() {
            helping::explained(meant, &mut more);
        }
        let said = if more.is_empty() { said } else { format!("{said} ({})", more.join(" ")) };
        PageStep { said, ..step }
    }

    /// In which order tanks get air, where several have none: a house has one battery pump.
    fn which_tank_first(&self, step: &Step<'_>) -> Option<PageLine> {
        let gives_air = step.line.act == Some(Act::Air);
        let without = self.by_urgency().into_iter().filter(|it| it.breathless.is_some());
        let left = |it: &&Outlook| step.left.is_empty() || step.left.contains(&it.place);
        let tanks: Vec<&str> = without.filter(left).map(|it| it.place.as_str()).collect();
        let others = match tanks.as_slice() {
            [_, second] if gives_air => *second,
            [_, _, ..] if gives_air => "the others",
            [..] => return None,
        };
        let (first, rest) = tanks.split_first()?;
        let rest = rest.iter().map(|tank| self.known(tank)).collect::<Vec<_>>().join(", then ");
        let first = self.known(first);
        Some(PageLine::of(format!(
            "The pump goes to {first} and stays there. Another pump: {rest}. None? A jug for {others}, as below."
        )))
    }

    /// A tank by its title; and for a helper by its looks.
    fn known(&self, title: &str) -> String {
        let tank = self.plan.tanks.iter().find(|tank| tank.title == title).filter(|_| self.is_helper());
        tank.map_or_else(|| title.to_owned(), helping::known_by)
    }

    /// Help has a name and a number: whom somebody calls who may not go on, and who comes when
    /// people are hurt. Nobody is told to call themselves.
    fn with_number(&self, step: &str, once: &mut SaidOnce) -> String {
        let emergency = self.plan.help.emergency.as_ref().map(|phone| format!("call {}", phone.dialled()));
        let step = match emergency {
            Some(call) => step.replace(CALL_EMERGENCY, &call),
            None => step.to_owned(),
        };
        let step = match helping::keeper(self.plan, self.reader()) {
            Some(name) => step.replace(helping::KEEPER, name),
            None => step,
        };
        match helping::callees(self.plan, self.reader()).next().filter(|_| step.contains(CALL_FOR_HELP)) {
            // The gate stands right above the answer, with the number.
            Some(callee) if once.number || step == card::GATE => {
                step.replace(CALL_FOR_HELP, &format!("call {}", callee.name))
            }
            Some(callee) => {
                once.number = true;
                let call = format!("call {}: {}", callee.name, callee.phone.dialled());
                step.replace(CALL_FOR_HELP, &call)
            }
            None => step,
        }
    }

    /// How things are left: a card names no figure, since it is the tank's own.
    fn ending(&self, words: &str, once: &mut SaidOnce) -> String {
        let words = self.with_number(words, once);
        match self.good_again() {
            Some([warm, cool]) => words
                .replace(COOL_AGAIN, &format!("{cool} or less?"))
                .replace(WARM_AGAIN, &format!("{warm} or more?")),
            None => words,
        }
    }

    /// At what temperatures warming and cooling stop: a degree inside what is good, or in its
    /// middle.
    fn good_again(&self) -> Option<[String; 2]> {
        let tank = self.lead.as_ref()?.alarm?.tank?;
        let sensor = self.plan.sensor(self.plan.tank(tank).gear.water?);
        let (low, high) = sensor.limits?;
        let inside = ((high - low) / 2.0).min(1.0);
        Some([low + inside, high - inside].map(|at| words::value(&sensor.scale, at)))
    }

    /// What whoever calls is to say besides: who hears it then need not ask.
    pub(super) fn to_tell(&self, steps: &[Step<'_>]) -> String {
        let mut told: Vec<String> = steps.iter().filter_map(|step| step.line.tell.clone()).collect();
        told.dedup();
        if told.is_empty() { String::new() } else { format!("; and {}", words::list(&told)) }
    }

    /// Whether the page's own news says what a person has to do in the watch's place.
    fn leads_with_a_hand(&self) -> bool {
        match self.news {
            News::Undone(_) => true,
            News::Raised
            | News::StillOnIt
            | News::Worse
            | News::NobodyElse
            | News::HeatersCut(_)
            | News::GoesDark(_) => false,
        }
    }

    /// What the watch could not do, and why; and what it has done.
    pub(super) fn what_was_done(&self) -> Vec<PageLine> {
        self.by_hand.iter().chain(&self.done).map(PageLine::of).collect()
    }

    /// What need not be done any more, everywhere or in some tanks.
    fn done(&self, steps: &[Step<'_>]) -> Vec<PageLine> {
        let done = steps.iter().filter(|step| step.done).filter_map(|step| step.line.act);
        let done: Vec<&str> = done.map(Act::done).collect();
        let mut lines = Vec::new();
        lines.extend((!done.is_empty()).then(|| PageLine::Done(format!("{}.", done.join(", ")))));
        for act in steps.iter().filter(|step| !step.left.is_empty()).filter_map(|step| step.line.act) {
            if let Some(tanks) = self.situation.done_in.get(&act).filter(|tanks| !tanks.is_empty()) {
                lines.push(PageLine::Done(format!("in {} {}.", words::list(tanks), act.done())));
            }
        }
        lines
    }
}

/// The undone steps with which a page begins, and all others in their order: the first act, and
/// before it what has to be looked at first. What only forbids changes nothing, and so begins a
/// page only where there is no act.
fn leading<'s, 'c>(steps: &'s [Step<'c>]) -> (Vec<&'s Step<'c>>, Vec<&'s Step<'c>>) {
    let undone: Vec<&Step<'c>> = steps.iter().filter(|step| !step.done).collect();
    let act = undone.iter().position(|step| step.line.kind == LineKind::Act);
    let last = act.unwrap_or(0);
    let leads =
        |at: usize, step: &Step<'c>| at == last || (at < last && step.line.kind == LineKind::LookFirst);
    let (first, later): (Vec<_>, Vec<_>) =
        undone.into_iter().enumerate().partition(|(at, step)| leads(*at, step));
    let bare = |steps: Vec<(usize, &'s Step<'c>)>| steps.into_iter().map(|(_, step)| step).collect();
    (bare(first), bare(later))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::{Card, Situation};

    fn line(words: &str, kind: LineKind) -> CardLine {
        CardLine { kind, ..CardLine::plain(words) }
    }

    fn order(lines: Vec<CardLine>) -> (Vec<String>, Vec<String>) {
        let (card, now) = (Card { lines }, Situation::default());
        let steps = card.steps(&now);
        let (first, later) = leading(&steps);
        let words = |steps: Vec<&Step<'_>>| steps.iter().map(|step| step.line.words.clone()).collect();
        (words(first), words(later))
    }

    #[test]
    fn a_page_begins_with_an_act_and_with_what_is_to_be_looked_at_before_it() {
        use LineKind::{Act, LeaveAlone, LookFirst};
        let (first, later) = order(vec![
            line("no hands", LeaveAlone),
            line("wet?", LookFirst),
            line("air", Act),
            line("no food", LeaveAlone),
            line("look", Act),
        ]);
        assert_eq!(first, ["wet?", "air"]);
        assert_eq!(later, ["no hands", "no food", "look"]);
    }

    #[test]
    fn where_nothing_is_left_to_do_what_is_left_alone_leads() {
        let (first, later) =
            order(vec![line("no hands", LineKind::LeaveAlone), line("no food", LineKind::LeaveAlone)]);
        assert_eq!((first, later), (vec!["no hands".to_owned()], vec!["no food".to_owned()]));
        assert_eq!(order(vec![]), (vec![], vec![]));
    }
}
