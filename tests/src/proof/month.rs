//! Thirty days in virtual time: fifty messages a second go through the engine and a journal on the
//! disk, while ways fail, the broker goes, the clock lies, floods come, the plan is reloaded and
//! the watch dies and begins again from its journal. Memory, disk and times of each day flow out,
//! and every danger that nobody was told of. What takes a real server or a real disk that fails is
//! played in the rounds instead.

mod site;
mod world;

use super::flat::{Times, load, mebibytes, on_disk};
use super::random::Random;
use slackwater::journal::writer::Keeper;
use slackwater::journal::{BootId, JournalLimits};
use slackwater_rules::engine::{Engine, Input, Turn};
use slackwater_rules::time::{Moment, Now, Span, Wall};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use world::World;

const DAY: i64 = 24 * 3_600_000;

/// What a day came to.
#[derive(Clone, Debug, Default)]
pub struct Day {
    /// Each turn of the engine, with its records on the disk.
    pub turns: Times,
    /// Those that paged.
    pub paging: Times,
    /// At its end, MiB of this process's own.
    pub memory: f64,
    /// At its end, MiB of the journal.
    pub disk: f64,
    /// Pages, and restarts.
    pub pages: u64,
    /// How often the watch died.
    pub deaths: u64,
    /// How long it took.
    pub took: Duration,
}

/// What all days came to.
#[derive(Clone, Debug, Default)]
pub struct Month {
    /// One after the other.
    pub days: Vec<Day>,
    /// Dangers that were judged.
    pub dangers: u64,
    /// What differs from what was called for.
    pub differences: Vec<String>,
}

struct Watch {
    engine: Engine,
    /// None while the watch is dead.
    keeper: Option<Keeper>,
    path: PathBuf,
    now: Now,
    world: World,
    day: Day,
}

fn limits() -> JournalLimits {
    JournalLimits::default()
}

fn boot() -> BootId {
    BootId("a month".to_owned())
}

/// Lets so many days pass with so many messages a second; each day is told as it ends.
///
/// # Errors
/// When the journal can't be kept.
#[expect(clippy::print_stdout, reason = "a long run shows how far it is")]
pub fn run(folder: &Path, days: u32, per_second: u32, seed: u64) -> io::Result<Month> {
    let path = folder.join("journal.sqlite");
    // 2026-03-02, 12:00 UTC.
    let now = Now { mono: Moment(1_000_000), wall: Wall(1_772_452_800_000), wall_trusted: true };
    let plan = site::plan(site::SENSORS);
    let (keeper, left) =
        Keeper::open(path.clone(), boot(), limits(), &plan.site, &now).map_err(io::Error::other)?;
    let engine = Engine::new(plan, left.seed, left.next_seq, now);
    let world = World::new(Random(seed), now.mono, per_second);
    let keeper = Some(keeper);
    let mut watch = Watch { engine, keeper, path, now, world, day: Day::default() };
    watch.take(Input::Started { version: "month".to_owned(), gap: None });
    let mut month = Month::default();
    println!("load {}; {} sensors, {per_second} messages a second", load(), site::SENSORS);
    for nth in 1..=days {
        let begun = Instant::now();
        let end = watch.now.mono + Span(DAY);
        while watch.now.mono < end {
            watch.go_on();
        }
        let mut day = std::mem::take(&mut watch.day);
        (day.memory, day.disk) = (mebibytes("self", "RssAnon"), on_disk(folder));
        day.took = begun.elapsed();
        println!(
            "day {nth:>3}: {:>9} turns in {:>5.1} s, own memory {:>5.1} MiB, journal {:>6.2} MiB, {} pages, {} deaths\n         \
             a turn {}\n         a turn that pages {}",
            day.turns.count(),
            day.took.as_secs_f64(),
            day.memory,
            day.disk,
            day.pages,
            day.deaths,
            day.turns,
            day.paging
        );
        month.days.push(day);
    }
    (month.dangers, month.differences) = watch.world.judged();
    Ok(month)
}

impl Watch {
    /// To the next thing that happens, and through it.
    fn go_on(&mut self) {
        let due = self.engine.next_deadline().map(|(at, _)| at);
        let kept = self.keeper.as_ref().and_then(Keeper::due);
        let next = self.world.due().min(due.into_iter().chain(kept).min().unwrap_or(Moment(i64::MAX)));
        self.now = self.world.clock(next.max(self.now.mono));
        if due.is_some_and(|due| due <= self.now.mono) {
            self.take(Input::Tick);
        }
        if let Some(keeper) = &mut self.keeper {
            keeper.tend(&self.now);
        }
        while let Some(thing) = self.world.next(self.now.mono) {
            match thing {
                world::Thing::Input(input) => self.take(input),
                world::Thing::Dies => self.begin_again(),
                world::Thing::Reload => {
                    let sensors = site::SENSORS - usize::from(self.world.reloads() % 2 == 1);
                    let turn = self.engine.adopt(self.now, site::plan(sensors));
                    self.gather(turn, Instant::now());
                }
            }
        }
    }

    fn take(&mut self, input: Input) {
        let begun = Instant::now();
        let turn = self.engine.step(self.now, input);
        self.gather(turn, begun);
    }

    fn gather(&mut self, turn: Turn, begun: Instant) {
        let Turn { records, effects, samples, .. } = turn;
        if let Some(keeper) = &mut self.keeper {
            keeper.sample(&samples);
            if !records.is_empty() {
                keeper.keep(records, || self.engine.horizon(), &self.now);
            }
        }
        let took = begun.elapsed();
        self.day.turns.push(took);
        let now = self.now.mono;
        let pages =
            effects.into_iter().map(|effect| u64::from(self.world.carry_out(now, effect))).sum::<u64>();
        if pages > 0 {
            self.day.pages += pages;
            self.day.paging.push(took);
        }
    }

    /// Nothing is written that was not written yet.
    fn begin_again(&mut self) {
        self.day.deaths += 1;
        let plan = slackwater_rules::plan::Plan::clone(self.engine.plan());
        let away = self.world.is_away();
        self.now = self.world.clock(self.now.mono + away);
        // What is in memory is lost; the file is free again.
        drop(self.keeper.take());
        let opened = Keeper::open(self.path.clone(), boot(), limits(), &plan.site, &self.now);
        let (keeper, left) = opened.expect("its own journal, which nobody else has");
        self.keeper = Some(keeper);
        self.engine = Engine::new(plan, left.seed, left.next_seq, self.now);
        self.engine.restore(&left.records);
        self.world.begins_again(self.now.mono);
        self.take(Input::Started { version: "month".to_owned(), gap: left.gap });
    }
}
