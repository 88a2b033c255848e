//! Figures of several rounds, told as a median with its spread.

/// What was measured, once a round.
#[derive(Default)]
pub(crate) struct Figures(Vec<f64>);

impl Figures {
    pub(crate) fn push(&mut self, figure: f64) {
        self.0.push(figure);
    }

    /// The middle of them; of an even number, the mean of the two in the middle.
    pub(crate) fn median(&self) -> f64 {
        let sorted = self.sorted();
        let half = sorted.len() / 2;
        match sorted.len() {
            0 => f64::NAN,
            n if n % 2 == 1 => sorted[half],
            _ => f64::midpoint(sorted[half - 1], sorted[half]),
        }
    }

    fn sorted(&self) -> Vec<f64> {
        let mut sorted = self.0.clone();
        sorted.sort_by(f64::total_cmp);
        sorted
    }

    /// Each of ours by the baseline of the same round.
    pub(crate) fn ratios(&self, baseline: &Self) -> Self {
        Self(self.0.iter().zip(&baseline.0).map(|(ours, bare)| ours / bare).collect())
    }
}

pub(crate) fn title(text: &str) {
    println!("\n{text}\n{}", "-".repeat(text.chars().count()));
}

/// One line: the median, and from the lowest to the highest.
pub(crate) fn line(what: &str, figures: &Figures, unit: &str) {
    let sorted = figures.sorted();
    let (Some(low), Some(high)) = (sorted.first(), sorted.last()) else { return };
    println!(
        "  {what:<44} {:>10} {unit:<8} ({} to {}, {} rounds)",
        shown(figures.median()),
        shown(*low),
        shown(*high),
        sorted.len()
    );
}

/// One line with one figure.
pub(crate) fn single(what: &str, figure: f64, unit: &str) {
    println!("  {what:<44} {:>10} {unit}", shown(figure));
}

/// The power of the size with which a cost grows: fitted to the logarithms of both.
pub(crate) fn exponent(costs: &[(f64, f64)]) -> f64 {
    let logs: Vec<(f64, f64)> = costs.iter().map(|(size, cost)| (size.ln(), cost.max(1e-9).ln())).collect();
    let n = logs.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| logs.iter().map(of).sum::<f64>() / n;
    let (x, y) = (mean(|it| it.0), mean(|it| it.1));
    let shared: f64 = logs.iter().map(|it| (it.0 - x) * (it.1 - y)).sum();
    shared / logs.iter().map(|it| (it.0 - x).powi(2)).sum::<f64>()
}

fn shown(figure: f64) -> String {
    match figure.abs() {
        0.0..10.0 => format!("{figure:.2}"),
        10.0..1_000.0 => format!("{figure:.1}"),
        _ => format!("{figure:.0}"),
    }
}
