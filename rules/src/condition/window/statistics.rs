//! The statistics that need all parts of a window at once.

use super::WindowPart;

/// The middle of the parts' means, each with the weight of its known time; between two middle
/// ones halfway.
pub(super) fn median<'p>(parts: impl Iterator<Item = &'p WindowPart>) -> Option<f64> {
    let mut means: Vec<_> = parts.filter_map(|part| Some((part.mean()?, u64::from(part.known)))).collect();
    means.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half: u64 = means.iter().map(|(_, weight)| weight).sum();
    let mut below = 0;
    for (index, (mean, weight)) in means.iter().enumerate() {
        below += 2 * weight;
        match (below.cmp(&half), means.get(index + 1)) {
            (std::cmp::Ordering::Less, _) => {}
            (std::cmp::Ordering::Equal, Some((next, _))) => return Some(f64::midpoint(*mean, *next)),
            (std::cmp::Ordering::Equal | std::cmp::Ordering::Greater, _) => return Some(*mean),
        }
    }
    None
}

/// Per second, of the straight line that fits the parts' means best by least squares, each with
/// the weight of its known time.
pub(super) fn slope<'p>(parts: impl Iterator<Item = &'p WindowPart> + Clone, grain: f64) -> Option<f64> {
    let points = parts
        .enumerate()
        .filter_map(|(at, part)| Some((at as f64 * grain, part.mean()?, f64::from(part.known))));
    let (mut weight, mut x_mean, mut y_mean) = (0.0, 0.0, 0.0);
    for (x, y, w) in points.clone() {
        weight += w;
        x_mean += w * x;
        y_mean += w * y;
    }
    if weight == 0.0 {
        return None;
    }
    x_mean /= weight;
    y_mean /= weight;
    let (mut above, mut below) = (0.0, 0.0);
    for (x, y, w) in points {
        above += w * (x - x_mean) * (y - y_mean);
        below += w * (x - x_mean) * (x - x_mean);
    }
    (below > 0.0).then(|| above / below)
}
