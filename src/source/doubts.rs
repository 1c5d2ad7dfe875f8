//! What to beware of in a curve: clipped tops, rivals of the highest point, light elsewhere.

use super::curve::{Curve, Dark, FOOT_SIGMAS, LEAST_SIGNIFICANCE, SEARCH_SHARE, Top};

/// Points in a row at exactly the highest reading that make a flat top.
const FLAT_TOP: usize = 4;
/// Light outside the band is mentioned from this share of the band's height.
const OTHER_SHARE: f64 = 0.05;

impl Curve {
    /// First and last point of a clipped top.
    pub(super) fn flat_top(&self, at: usize, level: f64) -> Option<(usize, usize)> {
        let highest = self.y[at];
        let least = level + SEARCH_SHARE * (highest - level);
        let stretch = |ok: &dyn Fn(usize) -> bool| {
            let from = (0..=at).rev().take_while(|i| ok(*i)).last()?;
            let to = (at..self.len()).take_while(|i| ok(*i)).last()?;
            Some((from, to))
        };
        // Told by the import.
        let (a, b) = stretch(&|i| self.y[i] >= least)?;
        let flagged: Vec<usize> = (a..=b).filter(|i| self.saturated[*i]).collect();
        if let (Some(a), Some(b)) = (flagged.first(), flagged.last()) {
            return Some((*a, *b));
        }
        // Seen: the same highest reading several times over, and steps of more than the finest
        // step of the counts on both sides (a top that is only coarsely digitised falls by one).
        let most = self.y[a..=b].iter().copied().fold(f64::MIN, f64::max);
        let mut sorted = self.y.clone();
        sorted.sort_by(f64::total_cmp);
        let finest = sorted
            .windows(2)
            .map(|w| w[1] - w[0])
            .filter(|d| *d > 0.0)
            .fold(f64::INFINITY, f64::min);
        let from = (a..=b).find(|i| self.y[*i] == most)?;
        let to = (from..=b).take_while(|i| self.y[*i] == most).last()?;
        let drops = [from.checked_sub(1), Some(to + 1).filter(|i| *i < self.len())];
        let steep = drops.iter().flatten().all(|i| most - self.y[*i] > 2.0 * finest);
        (to + 1 - from >= FLAT_TOP && steep).then_some((from, to))
    }

    /// A sentence where another place of the band is as high within the scatter.
    pub(super) fn rival(&self, top: &Top, from: usize, to: usize) -> Option<String> {
        let u = 2f64.sqrt() * top.fit.value_u(top.sigma);
        let least = top.fit.value() - FOOT_SIGMAS * u;
        let at = self.x[top.at];
        let mut deepest = [f64::INFINITY; 2];
        let mut best: Option<(f64, f64)> = None;
        // Outwards to either side: a rival is as high again after a dip that is real.
        for (side, ids) in [(from..top.at).rev().collect::<Vec<_>>(), (top.at + 1..=to).collect()]
            .into_iter()
            .enumerate()
        {
            for i in ids {
                let value = self.quadratic(i, top.reach)?.value();
                deepest[side] = deepest[side].min(value);
                let dip = value - deepest[side] > FOOT_SIGMAS * u;
                if dip && value > least && best.is_none_or(|b| value > b.1) {
                    best = Some((self.x[i], value));
                }
            }
        }
        best.map(|(x, _)| {
            format!("within the scatter {x:.1} nm is as high as the highest point at {at:.1} nm")
        })
    }

    /// A sentence where there is more light outside the band.
    pub(super) fn other_light(
        &self,
        dark: &Dark,
        from: usize,
        to: usize,
        height: f64,
    ) -> Option<String> {
        let outside = |i: &usize| *i + 1 < from || *i > to + 1;
        let (i, y) = (0..self.len())
            .filter(outside)
            .filter_map(|i| Some((i, self.quadratic(i, 0.0)?.value() - dark.level)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let least = (OTHER_SHARE * height).max(LEAST_SIGNIFICANCE * dark.sigma);
        (y > least).then(|| {
            format!(
                "outside this band there is light of up to {:.0} % of its height, at {:.1} nm",
                100.0 * y / height,
                self.x[i]
            )
        })
    }
}
