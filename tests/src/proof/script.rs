//! What is to happen in a round, drawn from its seed: dangers, faults singly and in pairs, kills at
//! any instant, answers. Drawn whole before the round begins, so that the seed alone says it again.

use super::danger::{DANGERS, Danger};
use super::fault::{DRAWN, Fault};
use super::random::Random;
use std::time::Duration;

/// So long dangers and faults come and go before it is waited for what is owed.
const ACTIVE: u64 = 12_000;

/// The longest that a fault lasts by itself.
const LONGEST_FAULT: u64 = 15_000;

/// A step of a round.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// A danger begins.
    Begin(Danger),
    /// It is over.
    End(Danger),
    /// A fault strikes.
    Strike(Fault),
    /// It is mended.
    Mend(Fault),
    /// The watch is killed, and started again so much later.
    Kill(Duration),
    /// Ines answers what she was told last.
    Answer,
}

/// Steps at their times from the beginning of a scene.
pub type Scene = Vec<(Duration, Step)>;

/// Dangers that come among faults and kills, and go among kills.
#[derive(Clone, Debug)]
pub struct Act {
    /// How it begins.
    pub begins: Scene,
    /// What stays broken while it is waited for what the other ways owe.
    pub stays: bool,
    /// How it ends, once all that was owed has come.
    pub ends: Scene,
}

/// A round.
#[derive(Clone, Debug)]
pub struct Script {
    /// What it was drawn from.
    pub seed: u64,
    /// None, one or two that can be had together.
    pub faults: Vec<Fault>,
    /// One after the other.
    pub acts: Vec<Act>,
}

fn millis(random: &mut Random, limit: u64) -> Duration {
    Duration::from_millis(random.below(limit))
}

impl Script {
    /// The round of this seed, with faults of `possible` alone.
    pub fn draw(seed: u64, possible: &[Fault]) -> Self {
        let mut random = Random(seed);
        let faults = draw_faults(&mut random, possible);
        let acts = 1 + random.below(2);
        // What comes twice within three hours settles for an hour: each danger comes once.
        let mut left = DANGERS.to_vec();
        let acts = (0..acts).map(|_| Act::draw(&mut random, &faults, &mut left)).collect();
        Self { seed, faults, acts }
    }

    /// How often the watch will be killed.
    pub fn kills(&self) -> usize {
        let steps = self.acts.iter().flat_map(|act| act.begins.iter().chain(&act.ends));
        steps.filter(|(_, step)| matches!(step, Step::Kill(_))).count()
    }

    /// Whether a danger comes, or a kill.
    pub fn has(&self, step: Step) -> bool {
        self.acts.iter().any(|act| act.begins.iter().chain(&act.ends).any(|(_, of)| *of == step))
    }
}

/// Those that this machine can make strike, each said once if it can't.
pub fn possible() -> Vec<Fault> {
    DRAWN.iter().copied().filter(|fault| fault.can_be_made()).collect()
}

fn draw_faults(random: &mut Random, possible: &[Fault]) -> Vec<Fault> {
    let many = match random.below(100) {
        0..15 => 0,
        15..50 => 1,
        _ => 2,
    };
    let mut faults: Vec<Fault> = Vec::new();
    // A few that can't be had together are drawn again.
    for _ in 0..20 {
        if faults.len() == many || possible.is_empty() {
            break;
        }
        let fault = random.one_of(possible);
        if faults.iter().all(|other| other.goes_with(fault)) {
            faults.push(fault);
        }
    }
    faults
}

impl Act {
    fn draw(random: &mut Random, faults: &[Fault], left: &mut Vec<Danger>) -> Self {
        let first = random.one_of(left);
        left.retain(|danger| *danger != first);
        let second = (left.len() > 1 && random.percent(50)).then(|| random.one_of(left));
        left.retain(|danger| Some(*danger) != second);
        let mut begins = vec![(millis(random, 4_000), Step::Begin(first))];
        if let Some(second) = second {
            begins.push((millis(random, ACTIVE), Step::Begin(second)));
        }
        for fault in faults.iter().copied() {
            if !random.percent(85) {
                continue;
            }
            let at = millis(random, ACTIVE);
            begins.push((at, Step::Strike(fault)));
            begins.push((at + Duration::from_millis(500 + random.below(LONGEST_FAULT)), Step::Mend(fault)));
        }
        // What the act is about is also that it goes on undisturbed.
        let kills = if random.percent(85) { 2 + random.below(8) } else { 0 };
        begins.extend(draw_kills(random, kills, ACTIVE));
        if random.percent(25) {
            begins.push((millis(random, ACTIVE), Step::Answer));
        }
        begins.sort_by_key(|(at, _)| *at);
        let stays = random.percent(50);
        if stays {
            begins.retain(|(_, step)| !matches!(step, Step::Mend(fault) if !fault.blinds()));
        }
        let mut ends: Scene = [Some(first), second]
            .into_iter()
            .flatten()
            .map(|danger| (millis(random, 3_000), Step::End(danger)))
            .collect();
        let kills = random.below(4);
        ends.extend(draw_kills(random, kills, 5_000));
        ends.sort_by_key(|(at, _)| *at);
        Self { begins, stays, ends }
    }
}

/// Lives of any length, so that a kill falls into a start, a page on its way, or calm.
fn draw_kills(random: &mut Random, many: u64, within: u64) -> Scene {
    (0..many)
        .map(|_| {
            let at = Duration::from_micros(random.below(within * 1_000));
            let longest = if random.percent(70) { 200 } else { 2_000 };
            (at, Step::Kill(millis(random, longest)))
        })
        .collect()
}
