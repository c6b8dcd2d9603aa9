//! A robust line through few points: Theil and Sen's estimator. Pure.
//!
//! Sen 1968, J Am Stat Assoc 63:1379-89 (M): the slope is the median of the slopes of all pairs of
//! points, and its confidence interval lies between two of these slopes. One wrong number among
//! many does not turn the line.

/// A line with the uncertainty of its slope. Units are those of the points.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Median of the slopes of all pairs.
    pub slope: f64,
    /// Lower end of the 95 % confidence interval of the slope.
    pub slope_low: f64,
    /// Upper end.
    pub slope_high: f64,
}

/// The line through `points` (x, y); None with fewer than two different x.
pub fn theil_sen(points: &[(f64, f64)]) -> Option<Line> {
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (position, (x, y)) in points.iter().enumerate() {
        for (other_x, other_y) in &points[position + 1..] {
            if x.total_cmp(other_x).is_ne() {
                slopes.push((other_y - y) / (other_x - x));
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    let (low, high) = interval(points, slopes.len());
    Some(Line {
        slope: median(&slopes)?,
        slope_low: *slopes.get(low)?,
        slope_high: *slopes.get(high)?,
    })
}

/// The standard normal deviate that leaves 2.5 % above it.
const Z_95: f64 = 1.959_963_984_540_054;

/// Positions, among `count` sorted slopes, of the ends of the interval: by the normal
/// approximation of Kendall's statistic with its variance corrected for ties.
fn interval(points: &[(f64, f64)], count: usize) -> (usize, usize) {
    let term = |size: usize| {
        let size = as_float(size);
        size * (size - 1.0) * (2.0 * size + 5.0)
    };
    let ties = |values: Vec<f64>| runs(values).into_iter().map(term).sum::<f64>();
    let x = ties(points.iter().map(|(x, _)| *x).collect());
    let y = ties(points.iter().map(|(_, y)| *y).collect());
    let sigma = ((term(points.len()) - x - y) / 18.0).max(0.0).sqrt();
    let position = |number: f64| (0..count).filter(|index| as_float(*index) < number).count();
    let low = ((as_float(count) - Z_95 * sigma) / 2.0).round_ties_even() - 1.0;
    let high = ((as_float(count) + Z_95 * sigma) / 2.0).round_ties_even();
    (position(low), position(high).min(count.saturating_sub(1)))
}

/// Lengths of the runs of equal values, for those that are repeated.
fn runs(mut values: Vec<f64>) -> Vec<usize> {
    values.sort_by(f64::total_cmp);
    values
        .chunk_by(|one, other| one.total_cmp(other).is_eq())
        .map(<[f64]>::len)
        .filter(|length| *length > 1)
        .collect()
}

fn median(sorted: &[f64]) -> Option<f64> {
    let middle = sorted.len() / 2;
    let upper = *sorted.get(middle)?;
    Some(match sorted.len() % 2 {
        0 => (sorted[middle - 1] + upper) / 2.0,
        _ => upper,
    })
}

/// Counts here are far below 2^32.
fn as_float(count: usize) -> f64 {
    f64::from(u32::try_from(count).unwrap_or(u32::MAX))
}
