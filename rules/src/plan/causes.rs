//! Which alarms explain which: the keeper's `consequence-of`, and what a hazard names as its causes
//! in the same tank. All alarms flow in, each with names; they flow out with places in one list,
//! in which nothing is its own cause, not even by a long way round.

use super::alarm::{self, Explained, Read};
use super::{Alarm, AlarmId, HEALTH, TankId};
use crate::diagnostic::{Finding, Findings, did_you_mean};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// So many alarms of a plan may explain others, each counted once for each that it explains: a
/// hundred times what a large site has. Hazards name their causes for all alarms of a tank, so a
/// file could ask for the square of its alarms.
const MOST_LINKS: usize = 200_000;

/// So many circles are told, and so many alarms of each.
const MOST_CIRCLES: usize = 20;
const MOST_OF_CIRCLE: usize = 8;

/// All alarms in one list, each with those that explain it; nothing unless they are the whole.
pub(super) fn joined(
    mut alarms: Vec<Alarm>,
    mut explained: Vec<Explained>,
    added: Vec<Read>,
    mut names: Vec<String>,
    whole: bool,
    findings: &Findings,
) -> Option<Vec<Alarm>> {
    names.extend(added.iter().map(|added| added.alarm.name.clone()));
    let made = if whole { Made::of(&alarms) } else { Made::default() };
    let mut links = Links { index: BTreeMap::new(), names: &names, whole, said: BTreeSet::new(), findings };
    for (name, at) in names.iter().zip(0..) {
        links.index.entry(name.as_str()).or_insert(AlarmId(at));
    }
    let (mut places, mut count) = (Vec::with_capacity(names.len()), 0);
    alarms.reserve_exact(added.len());
    for read in added {
        alarms.push(read.alarm);
        explained.push(read.explained);
    }
    for (alarm, explained) in alarms.iter_mut().zip(explained) {
        let Explained { place, consequence_of, expected, because_of, .. } = explained;
        // What a hazard names as its causes is so in the same tank, or in the whole site.
        let of_hazards = made.causes(because_of, alarm.tank, MOST_LINKS - count);
        let mut known: BTreeSet<AlarmId> = of_hazards.iter().copied().collect();
        alarm.consequence_of = of_hazards;
        for cause in &consequence_of {
            let cause = links.find(alarm, cause);
            alarm.consequence_of.extend(cause.filter(|cause| known.insert(*cause)));
        }
        for cause in &expected {
            let id = links.index.get(cause.it.as_str()).filter(|id| known.contains(id)).copied();
            if id.is_none() && whole {
                let title = format!("`{}` is no consequence of `{}`", alarm.name, cause.it);
                let help = "`expected` is a part of `consequence-of`: name it there too";
                findings.push(
                    Finding::error(cause.span.clone(), title, "nothing that it follows from").help(help),
                );
            }
            alarm.expected.extend(id);
        }
        count += alarm.consequence_of.len();
        if count >= MOST_LINKS {
            let title = format!("more than {MOST_LINKS} times an alarm would explain another");
            let help = "say by `consequence-of` what explains what; without it a hazard's causes are all those of its tank";
            findings.push(Finding::error(place, title, "with this one").help(help));
            return None;
        }
        places.push(place);
    }
    if !whole {
        return None;
    }
    tell_circles(&alarms, &places, findings);
    Some(alarms)
}

/// The alarms that were made from hazards, by hazard and tank.
#[derive(Default)]
struct Made(BTreeMap<&'static str, BTreeMap<Option<TankId>, Vec<AlarmId>>>);

impl Made {
    fn of(alarms: &[Alarm]) -> Self {
        let mut made = Self::default();
        for (alarm, id) in alarms.iter().zip(0..) {
            if let Some(hazard) = alarm.hazard {
                made.0.entry(hazard).or_default().entry(alarm.tank).or_default().push(AlarmId(id));
            }
        }
        made
    }

    /// Those of these hazards in this tank or of the whole site, in the order of the file; for an
    /// alarm of the whole site those of all tanks. No more than `most`.
    fn causes(&self, hazards: &[String], tank: Option<TankId>, most: usize) -> Vec<AlarmId> {
        let theirs = hazards.iter().filter_map(|hazard| self.0.get(hazard.as_str())).flatten();
        let here = |of: &Option<TankId>| of.is_none() || tank.is_none() || *of == tank;
        let ids = theirs.filter(|(of, _)| here(of)).flat_map(|(_, ids)| ids).copied().take(most);
        ids.collect::<BTreeSet<_>>().into_iter().collect()
    }
}

/// Names of causes on their way to places.
struct Links<'n> {
    index: BTreeMap<&'n str, AlarmId>,
    names: &'n [String],
    whole: bool,
    /// What was said already: every alarm that the plan adds for lost sight has the same causes.
    said: BTreeSet<(usize, String)>,
    findings: &'n Findings,
}

impl Links<'_> {
    fn find(&mut self, alarm: &Alarm, cause: &crate::diagnostic::At<String>) -> Option<AlarmId> {
        if let Some(id) = self.index.get(cause.it.as_str()) {
            if cause.it != alarm.name {
                return Some(*id);
            }
            if alarm.sight.is_none() {
                let title = format!("`{}` can't be a consequence of itself", alarm.name);
                self.findings.push(Finding::error(cause.span.clone(), title, "its own name"));
            }
            return None;
        }
        // The names of added alarms are known only if all else was readable.
        let later = cause.it.starts_with(alarm::SIGHT) || cause.it.starts_with(HEALTH);
        if (!self.whole && later) || !self.said.insert((cause.span.start, cause.it.clone())) {
            return None;
        }
        let title = format!("there is no alarm `{}`", cause.it);
        let names = || self.names.iter().map(String::as_str);
        let help = self.findings.has_room().then(|| did_you_mean(&cause.it, names())).flatten();
        self.findings.push(Finding::error(cause.span.clone(), title, "not a known name").maybe_help(help));
        None
    }
}

fn tell_circles(alarms: &[Alarm], places: &[Range<usize>], findings: &Findings) {
    for circle in circles(alarms) {
        let named = circle.iter().filter_map(|index| Some(format!("`{}`", alarms.get(*index)?.name)));
        let mut path: Vec<_> = named.collect();
        if path.len() > MOST_OF_CIRCLE {
            let left = path.len() - MOST_OF_CIRCLE;
            path.splice(MOST_OF_CIRCLE / 2..MOST_OF_CIRCLE / 2 + left, [format!("… ({left} more) …")]);
        }
        let title = format!("alarms explain each other in a circle: {}", path.join(" because of "));
        let place = circle.first().and_then(|first| places.get(*first)).cloned().unwrap_or_default();
        findings.push(Finding::error(place, title, "which of them comes first?"));
    }
}

/// The circles of causes, each once, from its first alarm back to itself; the first of very many.
#[expect(
    clippy::indexing_slicing,
    reason = "indices are those of the alarms walked through, and of places in the way"
)]
fn circles(alarms: &[Alarm]) -> Vec<Vec<usize>> {
    let mut found: Vec<Vec<usize>> = Vec::new();
    let mut finished = vec![false; alarms.len()];
    // How many alarms were on the way before this one, if it is on it.
    let mut on_way: Vec<Option<usize>> = vec![None; alarms.len()];
    for start in 0..alarms.len() {
        // The way from `start`, with how many causes of each alarm on it have been followed.
        let mut way = vec![(start, 0)];
        on_way[start] = Some(0);
        while let Some((at, followed)) = way.last_mut() {
            let here = *at;
            let next = alarms[here].consequence_of.get(*followed).map(|id| id.index());
            *followed += 1;
            match next.filter(|_| !finished[here]) {
                None => {
                    finished[here] = true;
                    on_way[here] = None;
                    way.pop();
                }
                Some(next) => match on_way[next] {
                    Some(first) => {
                        let mut circle: Vec<_> = way[first..].iter().map(|(index, _)| *index).collect();
                        circle.push(next);
                        found.push(circle);
                        if found.len() == MOST_CIRCLES {
                            return found;
                        }
                    }
                    None => {
                        on_way[next] = Some(way.len());
                        way.push((next, 0));
                    }
                },
            }
        }
    }
    found
}
