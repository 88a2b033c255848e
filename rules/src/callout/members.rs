//! The members of a call-out, in the order in which they joined. Thousands may come in one moment,
//! so what is asked of all of them is counted as they change: what stands, for which rank, by which
//! ladder. A decision works on a copy, which shares what it doesn't change.

use super::member::Member;
use crate::alarm::Priority;
use crate::record::Seq;
use crate::time::Moment;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

/// All members of a call-out.
#[derive(Clone, Default)]
pub struct Members {
    kept: Arc<KeptMembers>,
    /// What a copy has changed or added, by place: only while something else shares what is kept.
    changed: BTreeMap<usize, Member>,
    /// How many there are.
    count: usize,
    tally: Tally,
}

/// Members, with their places by name and by episode.
#[derive(Clone, Default)]
struct KeptMembers {
    list: Vec<Member>,
    by_alarm: BTreeMap<String, usize>,
    by_episode: BTreeMap<Seq, usize>,
}

/// What is counted.
#[derive(Clone, Debug, Default)]
struct Tally {
    groups: Vec<Group>,
    /// Standing members that were answered for alone.
    own_answers: usize,
    /// Members that count as raised anew at some time.
    anew: usize,
    /// Members that come and go.
    flickers: usize,
}

/// Members of one rank and ladder.
#[derive(Clone, Debug)]
struct Group {
    rank: Priority,
    ladder: String,
    all: usize,
    standing: usize,
    /// Those of them that are no loss of sight.
    seen: usize,
}

impl Tally {
    fn count(&mut self, member: &Member, enters: bool) {
        let step = |count: &mut usize, by: bool| {
            let by = usize::from(by);
            *count = if enters { *count + by } else { count.saturating_sub(by) };
        };
        let stands = member.stands();
        step(&mut self.own_answers, stands && member.own_answer.is_some());
        step(&mut self.anew, member.anew.is_some());
        step(&mut self.flickers, member.flickers);
        let of = |group: &&mut Group| group.rank == member.rank && group.ladder == member.ladder;
        let group = match self.groups.iter_mut().find(of) {
            Some(group) => group,
            None => {
                let (rank, ladder) = (member.rank, member.ladder.clone());
                self.groups.push(Group { rank, ladder, all: 0, standing: 0, seen: 0 });
                let Some(group) = self.groups.last_mut() else { return };
                group
            }
        };
        step(&mut group.all, true);
        step(&mut group.standing, stands);
        step(&mut group.seen, stands && !member.sight);
    }
}

impl KeptMembers {
    fn put_at(&mut self, at: usize, change: impl FnOnce(&mut Member)) {
        let Some(member) = self.list.get_mut(at) else { return };
        let episode = member.episode;
        change(member);
        if member.episode != episode {
            let now = member.episode;
            self.by_episode.remove(&episode);
            self.by_episode.insert(now, at);
        }
    }

    fn push(&mut self, member: Member) {
        let at = self.list.len();
        self.by_alarm.insert(member.alarm.clone(), at);
        self.by_episode.insert(member.episode, at);
        self.list.push(member);
    }
}

impl Members {
    /// How many there are.
    pub fn len(&self) -> usize {
        self.count
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The member at a place in the order of joining.
    pub fn get(&self, at: usize) -> Option<&Member> {
        if !self.changed.is_empty()
            && let Some(changed) = self.changed.get(&at)
        {
            return Some(changed);
        }
        self.kept.list.get(at)
    }

    /// The first that joined.
    pub fn first(&self) -> Option<&Member> {
        self.get(0)
    }

    /// All of them.
    pub fn iter(&self) -> Iter<'_> {
        Iter { members: self, places: 0..self.count }
    }

    /// The one with this episode.
    pub fn of_episode(&self, episode: Seq) -> Option<&Member> {
        self.get(self.place_of_episode(episode)?)
    }

    /// The one of this alarm.
    pub fn of_alarm(&self, alarm: &str) -> Option<&Member> {
        self.get(self.place_of_alarm(alarm)?)
    }

    fn place_of_episode(&self, episode: Seq) -> Option<usize> {
        let changed = self.changed.iter().find(|(_, member)| member.episode == episode).map(|(at, _)| *at);
        let kept = || self.kept.by_episode.get(&episode).copied();
        changed.or_else(|| kept().filter(|at| !self.changed.contains_key(at)))
    }

    fn place_of_alarm(&self, alarm: &str) -> Option<usize> {
        let kept = self.kept.by_alarm.get(alarm).copied();
        kept.or_else(|| self.changed.iter().find(|(_, member)| member.alarm == alarm).map(|(at, _)| *at))
    }

    /// Whether any stands.
    pub fn stand(&self) -> bool {
        self.tally.groups.iter().any(|group| group.standing > 0)
    }

    /// Whether any counts as raised anew at some time.
    pub fn any_anew(&self) -> bool {
        self.tally.anew > 0
    }

    /// Whether any comes and goes.
    pub fn any_flickers(&self) -> bool {
        self.tally.flickers > 0
    }

    /// Whether any that stands was answered for alone.
    pub fn any_own_answer(&self) -> bool {
        self.tally.own_answers > 0
    }

    /// The ladders of all, whether they stand or not.
    pub fn ladders(&self) -> impl Iterator<Item = &str> {
        self.tally.groups.iter().filter(|group| group.all > 0).map(|group| group.ladder.as_str())
    }

    /// The ladders of those that stand.
    pub fn standing_ladders(&self) -> BTreeSet<&str> {
        let standing = self.tally.groups.iter().filter(|group| group.standing > 0);
        standing.map(|group| group.ladder.as_str()).collect()
    }

    /// The highest rank of all, whether they stand or not.
    pub fn highest(&self) -> Option<Priority> {
        self.tally.groups.iter().filter(|group| group.all > 0).map(|group| group.rank).max()
    }

    /// The highest rank of those that stand.
    pub fn standing_rank(&self) -> Option<Priority> {
        self.tally.groups.iter().filter(|group| group.standing > 0).map(|group| group.rank).max()
    }

    /// The highest rank for which people are to be asked at `now`.
    pub fn calling_rank(&self, now: Moment) -> Option<Priority> {
        match self.any_own_answer() {
            false => self.standing_rank(),
            true => self.iter().filter(|member| member.calls(now)).map(|member| member.rank).max(),
        }
    }

    /// The same but for lost sight.
    pub fn calling_rank_seen(&self, now: Moment) -> Option<Priority> {
        if self.any_own_answer() {
            let seen = self.iter().filter(|member| member.calls(now) && !member.sight);
            return seen.map(|member| member.rank).max();
        }
        self.tally.groups.iter().filter(|group| group.seen > 0).map(|group| group.rank).max()
    }

    /// How many there are of this rank for which people are to be asked at `now`.
    pub fn calling(&self, rank: Priority, now: Moment) -> usize {
        if self.any_own_answer() {
            return self.iter().filter(|member| member.calls(now) && member.rank == rank).count();
        }
        self.tally.groups.iter().filter(|group| group.rank == rank).map(|group| group.standing).sum()
    }

    /// The ladders of those of this rank for which people are to be asked at `now`.
    pub fn calling_ladders(&self, rank: Priority, now: Moment) -> BTreeSet<String> {
        if self.any_own_answer() {
            let asked = self.iter().filter(|member| member.calls(now) && member.rank == rank);
            return asked.map(|member| member.ladder.clone()).collect();
        }
        let asked = self.tally.groups.iter().filter(|group| group.standing > 0 && group.rank == rank);
        asked.map(|group| group.ladder.clone()).collect()
    }

    /// One joins; in the place of an earlier episode of its alarm, if there is one.
    pub fn join(&mut self, member: Member) {
        self.settle();
        match self.place_of_alarm(&member.alarm) {
            Some(at) => self.change_at(at, |known| {
                *known = Member { awaits_hand: known.awaits_hand, ..member };
            }),
            None => {
                self.tally.count(&member, true);
                match Arc::get_mut(&mut self.kept).filter(|_| self.changed.is_empty()) {
                    Some(kept) => kept.push(member),
                    None => drop(self.changed.insert(self.count, member)),
                }
                self.count += 1;
            }
        }
    }

    /// The one with this episode leaves.
    pub fn leave(&mut self, episode: Seq) {
        let left = self.iter().filter(|member| member.episode != episode).cloned().collect::<Vec<_>>();
        *self = Self::default();
        left.into_iter().for_each(|member| self.join(member));
    }

    /// Changes the one with this episode; its alarm stays.
    pub fn change(&mut self, episode: Seq, change: impl FnOnce(&mut Member)) {
        self.settle();
        if let Some(at) = self.place_of_episode(episode) {
            self.change_at(at, change);
        }
    }

    /// Changes the one of this alarm.
    pub fn change_alarm(&mut self, alarm: &str, change: impl FnOnce(&mut Member)) {
        self.settle();
        if let Some(at) = self.place_of_alarm(alarm) {
            self.change_at(at, change);
        }
    }

    /// Changes those of which this is true.
    pub fn change_those(&mut self, which: impl Fn(&Member) -> bool, change: impl Fn(&mut Member)) {
        self.settle();
        for at in 0..self.count {
            if self.get(at).is_some_and(&which) {
                self.change_at(at, &change);
            }
        }
    }

    fn change_at(&mut self, at: usize, change: impl FnOnce(&mut Member)) {
        // Counted apart, since the member is borrowed from what the tally stands beside.
        let mut tally = std::mem::take(&mut self.tally);
        if let Some(member) = self.get(at) {
            tally.count(member, false);
        }
        match Arc::get_mut(&mut self.kept).filter(|_| self.changed.is_empty()) {
            Some(kept) => kept.put_at(at, change),
            None => {
                let kept = &self.kept;
                if let Some(known) = kept.list.get(at) {
                    change(self.changed.entry(at).or_insert_with(|| known.clone()));
                } else if let Some(added) = self.changed.get_mut(&at) {
                    change(added);
                }
            }
        }
        if let Some(member) = self.get(at) {
            tally.count(member, true);
        }
        self.tally = tally;
    }

    /// What was changed while something else shared what is kept goes where it belongs.
    fn settle(&mut self) {
        if self.changed.is_empty() {
            return;
        }
        if let Some(kept) = Arc::get_mut(&mut self.kept) {
            for (at, member) in std::mem::take(&mut self.changed) {
                if at < kept.list.len() {
                    kept.put_at(at, |known| *known = member);
                } else {
                    kept.push(member);
                }
            }
        }
    }
}

impl fmt::Debug for Members {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_list().entries(self).finish()
    }
}

impl PartialEq for Members {
    fn eq(&self, other: &Self) -> bool {
        self.count == other.count && self.iter().eq(other.iter())
    }
}

/// Members, the first that joined first.
#[derive(Clone)]
pub struct Iter<'a> {
    members: &'a Members,
    places: Range<usize>,
}

impl<'a> Iterator for Iter<'a> {
    type Item = &'a Member;

    fn next(&mut self) -> Option<&'a Member> {
        self.places.next().and_then(|at| self.members.get(at))
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        self.places.size_hint()
    }
}

impl DoubleEndedIterator for Iter<'_> {
    fn next_back(&mut self) -> Option<Self::Item> {
        self.places.next_back().and_then(|at| self.members.get(at))
    }
}

impl<'a> IntoIterator for &'a Members {
    type Item = &'a Member;
    type IntoIter = Iter<'a>;

    fn into_iter(self) -> Iter<'a> {
        self.iter()
    }
}
