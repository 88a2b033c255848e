//! What falls silent: a switch that says nothing for three of its minutes is lost, and what it
//! would show is not known from then on. Silence alone waits; what it hides decides for how long.

use super::Account;
use super::call::{Call, Member, Phase};
use super::house::{MINUTE, board};

/// How often a switch speaks.
const EVERY: i64 = MINUTE;
/// It is lost once three of them have gone by.
const STALE: i64 = 3 * EVERY + 1;
const PATIENCE: (i64, i64) = (15 * MINUTE, 120 * MINUTE);

/// What is known of one switch.
#[derive(Clone, Copy, Debug)]
pub(super) struct Voice {
    /// It spoke then, and each minute after.
    pub(super) since: i64,
    /// What it said last, if it says nothing any more.
    pub(super) last: Option<i64>,
    on: bool,
    /// It was heard since the watch began.
    heard: bool,
}

impl Voice {
    pub(super) fn at_first() -> Self {
        Self { since: -5 * MINUTE, last: None, on: false, heard: true }
    }
}

impl Account<'_> {
    pub(super) fn says(&mut self, switch: usize, on: bool) {
        self.voices[switch] = Voice { since: self.now, last: None, on, heard: true };
    }

    /// When it was heard last.
    fn heard(&self, switch: usize) -> i64 {
        let Voice { since, last, .. } = self.voices[switch];
        last.unwrap_or(since + (self.now - since).div_euclid(EVERY) * EVERY)
    }

    pub(super) fn falls_silent(&mut self, switch: usize) {
        let last = self.heard(switch);
        self.voices[switch].last = Some(last);
        if let Some(loss) = self.loss_of(switch) {
            self.true_since[loss] = Some(last + STALE);
        }
    }

    pub(super) fn speaks(&mut self, switch: usize) {
        let on = self.voices[switch].on;
        self.says(switch, on);
        if let Some(loss) = self.loss_of(switch) {
            self.true_since[loss] = None;
            if std::mem::take(&mut self.raised[loss]) {
                self.ends(loss);
            }
        }
        for alarm in self.house.watching(switch).filter(|_| on).collect::<Vec<_>>() {
            self.true_since[alarm] = self.true_since[alarm].or(Some(self.now));
        }
    }

    /// The watch begins: who is silent has its time again, and what it shows is not known.
    pub(super) fn sight_restarts(&mut self) {
        for switch in 0..self.voices.len() {
            let voice = &mut self.voices[switch];
            if voice.last.is_none() {
                voice.since = self.now + 1;
                continue;
            }
            (voice.last, voice.heard) = (Some(self.now), false);
            self.is_blind(switch);
            if let Some(loss) = self.loss_of(switch).filter(|loss| !self.raised[*loss]) {
                self.true_since[loss] = Some(self.now + 3 * EVERY);
            }
        }
    }

    /// When all will have been heard, if nothing is silent.
    pub(super) fn has_listened_by(&self) -> Option<i64> {
        let heard: Option<Vec<i64>> =
            self.voices.iter().map(|voice| voice.heard.then_some(voice.since)).collect();
        Some(heard?.into_iter().max().unwrap_or(self.now))
    }

    /// When it is not known any more what a switch shows.
    pub(super) fn goes_blind(&self, switch: usize) -> Option<i64> {
        let at = self.voices[switch].last? + STALE;
        let waits = |alarm: usize| self.true_since[alarm].is_some() && !self.raised[alarm];
        self.house.watching(switch).any(waits).then_some(at)
    }

    /// What was about to be raised is not.
    pub(super) fn is_blind(&mut self, switch: usize) {
        for alarm in self.house.watching(switch).filter(|alarm| !self.raised[*alarm]).collect::<Vec<_>>() {
            self.true_since[alarm] = None;
        }
    }

    fn loss_of(&self, switch: usize) -> Option<usize> {
        self.house.alarms.iter().position(|alarm| alarm.blind && alarm.switch == switch)
    }

    /// Until when a loss may wait: a quarter of the time that what it hides would need.
    pub(super) fn may_wait(&self, alarm: usize) -> Option<i64> {
        let of = &self.house.alarms[alarm];
        let lost = self.true_since[alarm].filter(|_| of.blind)?;
        let quarter = of.respond.map(|hours| hours * 60 * MINUTE / 4);
        Some(lost + quarter.unwrap_or(0).clamp(PATIENCE.0, PATIENCE.1))
    }

    /// Whether a loss is the sight of something that stands, or one with another loss.
    pub(super) fn loss_belongs(&self, call: &Call, alarm: usize) -> bool {
        call.members.iter().any(|it| self.loss_is_kin_of(it, alarm))
    }

    pub(super) fn loss_is_kin_of(&self, it: &Member, alarm: usize) -> bool {
        let (of, other) = (&self.house.alarms[alarm], &self.house.alarms[it.alarm]);
        of.blind
            && match other.blind {
                false => it.stands() && other.switch == of.switch,
                true => {
                    board(other.switch) == board(of.switch)
                        && (self.heard(other.switch) - self.heard(of.switch)).abs() <= EVERY
                }
            }
    }

    /// A loss joins what waits for losses alone, and waits with it; what quiet holds shortens no
    /// wait.
    pub(super) fn waits_with_losses(&mut self, at: usize, alarm: usize) -> bool {
        let (Phase::ForSight(until), Some(may)) = (self.calls[at].phase, self.may_wait(alarm)) else {
            return false;
        };
        let may = self.is_held(alarm, self.now).map_or(may, |quiet| may.max(quiet));
        let stands = self.calls[at].members.iter().any(Member::stands);
        self.adds(at, alarm, true);
        self.calls[at].phase = Phase::ForSight(if stands { until.min(may) } else { may });
        true
    }

    /// Whether a loss hides something that stands in this call-out.
    pub(super) fn hides(&self, at: usize, alarm: usize) -> bool {
        let of = &self.house.alarms[alarm];
        let hidden = |it: &Member| {
            let other = &self.house.alarms[it.alarm];
            it.stands() && !other.blind && other.switch == of.switch
        };
        of.blind && of.rank > 0 && self.calls[at].members.iter().any(hidden)
    }
}
