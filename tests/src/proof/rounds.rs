//! Many rounds, a few side by side, for so long or so many kills; and what they come to together.

use super::lag::Lag;
use super::random::Random;
use super::round::{Came, play};
use super::script::{Script, possible};
use std::fmt;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// How much is to be tried.
#[derive(Clone, Copy, Debug)]
pub struct Extent {
    /// No round begins after this.
    pub time: Duration,
    /// Nor after so many kills.
    pub kills: usize,
    /// So many rounds at most.
    pub rounds: u64,
    /// Most of a round is waiting.
    pub side_by_side: usize,
}

/// What all rounds came to.
#[derive(Clone, Debug, Default)]
pub struct Sum {
    /// How many.
    pub rounds: usize,
    /// How often a watch was killed.
    pub kills: usize,
    /// Pages that arrived.
    pub pages: usize,
    /// Those of them that said they may be repeats.
    pub repeats: usize,
    /// From each beginning of a danger to the first page about it.
    pub first_pages: Vec<Duration>,
    /// Seeds of rounds, and what differed in each.
    pub differences: Vec<(u64, String)>,
}

impl Sum {
    fn add(&mut self, seed: u64, came: Came) {
        self.rounds += 1;
        self.kills += came.kills;
        self.pages += came.pages;
        self.repeats += came.repeats;
        self.first_pages.extend(came.first_pages);
        self.differences.extend(came.difference.map(|what| (seed, what)));
    }
}

impl fmt::Display for Sum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut first = self.first_pages.clone();
        first.sort_unstable();
        let at =
            |share: usize| first.get(first.len() * share / 100).or(first.last()).copied().unwrap_or_default();
        write!(
            f,
            "{} rounds, {} kills, {} pages ({} marked repeats); first page after {:.1} s (median), {:.1} s \
             (95 of 100), {:.1} s (longest, kills and faults among it); {} rounds that differ",
            self.rounds,
            self.kills,
            self.pages,
            self.repeats,
            at(50).as_secs_f64(),
            at(95).as_secs_f64(),
            first.last().copied().unwrap_or_default().as_secs_f64(),
            self.differences.len(),
        )
    }
}

/// The seed of each round in turn; the first is that of the run, so that one round is played again
/// by its own.
fn seeds(seed: u64) -> impl Fn(u64) -> u64 {
    move |nth| match nth {
        0 => seed,
        nth => Random(seed.wrapping_add(nth.wrapping_mul(0x2545_F491_4F6C_DD1D))).any(),
    }
}

/// Plays rounds until it is enough, or something differs; each is told as it ends.
///
/// # Panics
/// When the lock of the sum is poisoned, which no round does.
#[expect(clippy::print_stdout, reason = "a long run shows how far it is")]
pub fn run(program: &str, seed: u64, extent: Extent) -> Sum {
    let (lag, possible, seed_of) = (Lag::watch(), possible(), seeds(seed));
    let (next, sum, begun) = (AtomicU64::new(0), Mutex::new(Sum::default()), Instant::now());
    thread::scope(|scope| {
        for _ in 0..extent.side_by_side.max(1) {
            scope.spawn(|| {
                loop {
                    let nth = next.fetch_add(1, Ordering::Relaxed);
                    let enough = {
                        let sum = sum.lock().expect("no round panics in here");
                        sum.kills >= extent.kills || !sum.differences.is_empty()
                    };
                    if enough || nth >= extent.rounds || begun.elapsed() > extent.time {
                        return;
                    }
                    let script = Script::draw(seed_of(nth), &possible);
                    let from = Instant::now();
                    let came = play(program, &script, &lag);
                    let faults: Vec<&str> = script.faults.iter().map(|fault| fault.name()).collect();
                    let line = format!(
                        "round {nth:>4}  seed {:<20}  {:>2} kills  {:>3} pages  {:>3.0} s  {:<7} {}",
                        script.seed,
                        came.kills,
                        came.pages,
                        from.elapsed().as_secs_f64(),
                        if came.difference.is_some() { "DIFFERS" } else { "good" },
                        faults.join(" + "),
                    );
                    let mut sum = sum.lock().expect("nor here");
                    println!("{line}");
                    sum.add(script.seed, came);
                }
            });
        }
    });
    sum.into_inner().expect("nor here")
}
