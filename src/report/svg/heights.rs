//! How counts become heights on paper, and which of them stand at the axis.

use super::frame::round_steps;
use super::style::Scale;
use super::{MOST_COUNTS, curve};
use crate::report::format;

/// About one y tick for so many px.
pub const Y_TICK_PX: f64 = 56.0;
/// Share of the counts' lowest points that may fall below the foot of the plot.
const LOW_QUANTILE: f64 = 0.005;

/// How counts become heights in the coordinates that the plotting library is given.
pub struct Heights {
    scale: Scale,
    /// Counts at the foot of the curve.
    pub foot: f64,
    /// Highest count.
    pub peak: f64,
    /// Range of the axis in heights, headroom and strip included.
    pub range: (f64, f64),
    /// Height of the highest point.
    pub top: f64,
}

impl Heights {
    pub fn new(
        raw: &[Vec<(f64, f64)>],
        baseline: &[f64],
        scale: Scale,
        headroom: f64,
        strip: f64,
        area_h: f64,
    ) -> Self {
        let mut all: Vec<f64> = raw.iter().flatten().map(|p| p.1).collect();
        all.sort_by(f64::total_cmp);
        let lowest = all.get((all.len() as f64 * LOW_QUANTILE) as usize).copied().unwrap_or(0.0);
        let base = baseline.iter().copied().filter(|b| b.is_finite());
        // Bounds beyond any detector keep sums from overflowing.
        let bounded = |v: f64| v.clamp(-MOST_COUNTS, MOST_COUNTS);
        let foot = bounded(base.fold(lowest, f64::min));
        let peak = bounded(all.last().copied().unwrap_or(1.0));
        let peak = if peak > foot { peak } else { foot + foot.abs().max(1.0) };
        let mut h = Heights { scale, foot, peak, range: (0.0, 1.0), top: 1.0 };
        // Foot at 0; the strip below and the headroom above in the same unit.
        h.top = h.of(peak);
        let unit = h.top / (area_h - headroom - strip).max(1.0);
        h.range = (-strip * unit, h.top + headroom * unit);
        h
    }

    /// Height of a count; what is below the foot is drawn at the foot.
    pub fn of(&self, count: f64) -> f64 {
        let above = (count.min(MOST_COUNTS) - self.foot).max(0.0);
        match self.scale {
            Scale::Linear => above,
            Scale::SquareRoot => above.sqrt(),
        }
    }

    /// The pieces in heights, as they are drawn on a plotting area of `area_h` px: thinned where
    /// many share a column, and straightened by `tolerance` px.
    pub fn curves(
        &self,
        raw: &[Vec<(f64, f64)>],
        to_px: impl Fn(f64) -> f64,
        area_h: f64,
        tolerance: f64,
    ) -> Vec<Vec<(f64, f64)>> {
        let column = |x: f64| (to_px(x) * 2.0).floor() as i64;
        let px = area_h / (self.range.1 - self.range.0);
        let one = |piece: &Vec<(f64, f64)>| {
            let points: Vec<(f64, f64)> =
                curve::thinned(piece, column).iter().map(|(x, y)| (*x, self.of(*y))).collect();
            let on_paper: Vec<(f64, f64)> =
                points.iter().map(|(x, y)| (to_px(*x), y * px)).collect();
            curve::needed(&on_paper, tolerance).into_iter().map(|i| points[i]).collect()
        };
        raw.iter().map(one).collect()
    }

    /// Power of ten, a multiple of three, that keeps the numbers at the axis short.
    pub fn power(&self) -> i32 {
        /// Numbers in this range are written as they are.
        const PLAIN: std::ops::Range<f64> = 1e-2..1e5;
        let size = self.peak.abs().max(self.foot.abs());
        if PLAIN.contains(&size) || size == 0.0 {
            return 0;
        }
        format::exponent(size, 17).div_euclid(3) * 3
    }

    pub fn ticks(&self, area_h: f64, power: i32) -> Vec<(f64, String)> {
        let curve_px = area_h * self.top / (self.range.1 - self.range.0);
        let wanted = (curve_px / Y_TICK_PX).max(3.0);
        let (mut values, mut places) = round_steps(self.foot, self.peak, wanted as usize);
        if self.scale == Scale::SquareRoot {
            // Finer steps near the foot, where the scale is stretched.
            let first = values.iter().copied().find(|v| *v > self.foot).unwrap_or(self.peak);
            let (finer, p) = round_steps(self.foot, first, 5);
            places = places.max(p);
            values.retain(|v| *v > first * (1.0 + 1e-9));
            values.splice(0..0, finer);
        }
        let apart = (self.range.1 - self.range.0) * (Y_TICK_PX * 0.4 / area_h);
        let unit = power_of_ten(power);
        // From the top, so that the round numbers of the coarse steps stay.
        let mut last = f64::INFINITY;
        let mut kept = Vec::new();
        for v in values.into_iter().rev() {
            let at = self.of(v);
            if last - at >= apart {
                kept.push((at, v / unit));
                last = at;
            }
        }
        // No more decimals than the numbers that are left need.
        let full = places + power;
        let needed = (0..full)
            .find(|p| {
                let scale = power_of_ten(*p);
                kept.iter().all(|(_, v)| ((v * scale).round() - v * scale).abs() < TICK_ROUNDING)
            })
            .unwrap_or(full);
        kept.into_iter().map(|(at, v)| (at, format::decimals(v, needed))).collect()
    }
}

/// What computing may leave of a number that is round, in units of its last decimal.
const TICK_ROUNDING: f64 = 1e-6;

fn power_of_ten(power: i32) -> f64 {
    format!("1e{power}").parse().unwrap_or(1.0)
}

/// `10³`, `10⁻⁶`.
pub fn ten_to(power: i32) -> String {
    let raised = power.to_string();
    let raised = raised.chars().map(|c| match c {
        '0' => '⁰',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        '4' => '⁴',
        '5' => '⁵',
        '6' => '⁶',
        '7' => '⁷',
        '8' => '⁸',
        '9' => '⁹',
        _ => '⁻',
    });
    format!("10{}", raised.collect::<String>())
}
