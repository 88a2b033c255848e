//! Recursive least squares with forgetting that never forgets its prior. Equations
//! `y = x · theta` with weights flow in one by one; the constants and their spread flow out.
//!
//! It keeps the normal equations rather than their inverse: each step ages them by
//! `memory` and adds back as much of the prior as ageing took. So what has not been seen for weeks
//! falls back to the prior instead of running away (the wind-up of the textbook form), and
//! with `memory` 1 and no prior it ends exactly at the batch result.

#![expect(
    clippy::indexing_slicing,
    reason = "indices run below the size of the arrays, which their type says"
)]

/// `N` constants learned from a stream of equations.
#[derive(Clone, Debug, PartialEq)]
pub struct Regression<const N: usize> {
    /// Weighted sum of `x xT`, with the prior.
    pub(super) information: [[f64; N]; N],
    /// Weighted sum of `x y`, with the prior.
    pub(super) target: [f64; N],
    /// Diagonal of the prior's information, and its centre.
    pub(super) prior: [(f64, f64); N],
    memory: f64,
    /// The constants: they are asked for far more often than anything is learned.
    pub(super) solved: [f64; N],
}

impl<const N: usize> Regression<N> {
    /// `prior`: for each constant its standard deviation and its likely value, against
    /// equations of standard deviation `noise`. `memory`: what an equation still weighs one
    /// equation later, 0.9 to 1.
    pub fn new(prior: [(f64, f64); N], noise: f64, memory: f64) -> Self {
        let prior = prior.map(|(deviation, likely)| ((noise / deviation).powi(2), likely));
        let mut information = [[0.0; N]; N];
        let mut target = [0.0; N];
        for (i, (weight, likely)) in prior.iter().enumerate() {
            information[i][i] = *weight;
            target[i] = weight * likely;
        }
        let mut new = Self { information, target, prior, memory: memory.clamp(0.9, 1.0), solved: [0.0; N] };
        new.refresh();
        new
    }

    /// Takes one equation. One that is not finite is left out.
    pub fn learn(&mut self, x: &[f64; N], y: f64, weight: f64) {
        if !y.is_finite() || !weight.is_finite() || x.iter().any(|x| !x.is_finite()) {
            return;
        }
        for i in 0..N {
            for j in 0..N {
                self.information[i][j] = self.memory * self.information[i][j] + weight * x[i] * x[j];
            }
            self.target[i] = self.memory * self.target[i] + weight * x[i] * y;
            let (prior, likely) = self.prior[i];
            self.information[i][i] += (1.0 - self.memory) * prior;
            self.target[i] += (1.0 - self.memory) * prior * likely;
        }
        self.refresh();
    }

    /// The constants.
    pub fn constants(&self) -> [f64; N] {
        self.solved
    }

    /// Standard deviation of `x · theta` for equations of standard deviation `noise`, as if the
    /// equations were independent and the model right: a floor, not the uncertainty.
    pub fn deviation(&self, x: &[f64; N], noise: f64) -> f64 {
        let solved = solve(&self.factor(), *x);
        x.iter().zip(solved).map(|(x, z)| x * z).sum::<f64>().max(0.0).sqrt() * noise
    }

    /// Solves for the constants anew.
    pub(super) fn refresh(&mut self) {
        self.solved = solve(&self.factor(), self.target);
    }

    /// Cholesky's factor of the information; a pivot that has vanished counts as nothing known.
    fn factor(&self) -> [[f64; N]; N] {
        let mut lower = [[0.0; N]; N];
        for i in 0..N {
            for j in 0..=i {
                let sum: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
                let rest = self.information[i][j] - sum;
                lower[i][j] = if i != j {
                    part(rest, lower[j][j])
                } else if rest > 1e-14 * self.information[i][i] {
                    rest.sqrt()
                } else {
                    0.0
                };
            }
        }
        lower
    }
}

/// Solves `information * z = right` by the information's factor.
fn solve<const N: usize>(lower: &[[f64; N]; N], right: [f64; N]) -> [f64; N] {
    let mut z = [0.0; N];
    for i in 0..N {
        let sum: f64 = (0..i).map(|k| lower[i][k] * z[k]).sum();
        z[i] = part(right[i] - sum, lower[i][i]);
    }
    for i in (0..N).rev() {
        let sum: f64 = (i + 1..N).map(|k| lower[k][i] * z[k]).sum();
        z[i] = part(z[i] - sum, lower[i][i]);
    }
    z
}

fn part(value: f64, pivot: f64) -> f64 {
    if pivot > 0.0 { value / pivot } else { 0.0 }
}
