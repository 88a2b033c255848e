//! A one-sided sequential test: evidence adds up, less a slack, and never falls below zero
//! (Page 1954). The height at which it speaks is set from how often it may speak falsely.

/// The evidence of one test, in the unit of what it is fed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cusum {
    /// Evidence so far.
    pub evidence: f64,
    /// Steps since there was none.
    pub steps: u32,
}

impl Cusum {
    /// Takes away what a change of state may have added falsely.
    pub fn allow(&mut self, for_change: f64) {
        self.evidence = (self.evidence - for_change).max(0.0);
    }

    /// Adds one deviation less its slack.
    pub fn add(&mut self, deviation: f64, slack: f64) {
        if deviation.is_finite() && slack.is_finite() {
            // Held to a height from which it returns within a day once the fault is gone.
            self.evidence = (self.evidence + deviation - slack).clamp(0.0, 5.0);
            self.steps = if self.evidence > 0.0 { self.steps.saturating_add(1) } else { 0 };
        }
    }
}

/// So much more than what came back by itself is news; and what is left of that after a cell: half
/// of it after three weeks.
const FURTHER: f64 = 1.2;
const FADES: f64 = 0.999_885;

/// The most evidence that was told and came back by itself. What goes no further is no news.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct UsualEvidence(f64);

impl UsualEvidence {
    /// The height of the next cell, from that of the test alone; `stands`: it is being told.
    pub(super) fn height(&mut self, height: f64, evidence: f64, stands: bool) -> f64 {
        self.0 = (self.0 * FADES).max(if stands { evidence } else { 0.0 });
        if stands { height } else { height.max(FURTHER * self.0) }
    }
}

/// The height for deviations of standard deviation `noise` with slack `slack` each, such that the
/// mean number of steps to a false alarm is `steps`: Siegmund's approximation (Sequential Analysis,
/// 1985), `(exp(2 d b) - 2 d b - 1) / (2 d²)` with `d` the slack and `b` the height plus 1.166, in
/// standard deviations.
pub fn height(noise: f64, slack: f64, steps: f64) -> f64 {
    let d = (slack / noise).max(1e-3);
    let run = |b: f64| ((2.0 * d * b).exp() - 2.0 * d * b - 1.0) / (2.0 * d * d);
    let (mut low, mut high) = (0.0, 700.0 / (2.0 * d));
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if run(middle) < steps { low = middle } else { high = middle }
    }
    ((low - 1.166) * noise).max(noise)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Average run lengths of a one-sided CUSUM for normal steps, from memory of the tables in
    /// Montgomery, Introduction to Statistical Quality Control: k 0.5, h 4: 336; h 5: 930 (one
    /// side).
    #[test]
    fn heights_give_the_run_lengths_of_the_tables() {
        for (steps, wanted) in [(336.0, 4.0), (930.0, 5.0)] {
            let found = height(1.0, 0.5, steps);
            assert!((found - wanted).abs() < 0.05, "{found} is not {wanted}");
        }
    }

    #[test]
    fn evidence_never_falls_below_zero_and_ignores_what_is_no_number() {
        let mut test = Cusum::default();
        test.add(-3.0, 0.1);
        assert_eq!(test.evidence, 0.0);
        test.add(f64::NAN, 0.1);
        test.add(0.5, 0.1);
        assert!((test.evidence - 0.4).abs() < 1e-12);
    }
}
