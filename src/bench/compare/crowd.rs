//! Which tubes stand out of a drawer.

use super::stats::{MAD_TO_SIGMA, holm, median, robust, student_above};
use super::tube::Tube;
use super::{ALPHA, Pair};
use crate::gases::Verdict;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Tubes below which there is no crowd to stand out of.
pub const FEWEST: usize = 5;
/// Share of a drawer that makes a rule: half.
const RULE: f64 = 0.5;

/// Distance from the crowd, over the usual one, from which on the whole spectrum is tested: tubes of one
/// filling come to twice the usual (of 200 simulated drawers of 50, seeds from 7,000,000 on), further out than
/// a normal distribution has it.
const SHAPE_FACTOR: f64 = 3.0;

/// Efficiency of the median absolute deviation against the standard deviation of normal values: a spread from
/// it is as uncertain as one from so much fewer (P. Rousseeuw and C. Croux, J. Am. Stat. Assoc. 88 (1993) 1273).
const MAD_EFFICIENCY: f64 = 0.37;

/// What was tested.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StandoutTest {
    /// The light of one gas beside the main one.
    Ratio,
    /// A gas that most others do not show.
    Extra,
    /// A gas that most others show.
    Lacking,
    /// The whole spectrum.
    Shape,
}

/// A tube that stands out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standout {
    /// Index of the tube.
    pub tube: usize,
    /// What showed it.
    pub test: StandoutTest,
    /// In what, in one sentence.
    pub what: String,
    /// Probability of that by chance anywhere in the drawer (Holm).
    pub adjusted_p: f64,
}

/// A test of one tube.
struct Test {
    tube: usize,
    test: StandoutTest,
    what: String,
    p: f64,
}

/// Tubes that stand out, surest first, each once with what shows it best. `None` where there is no crowd to
/// stand out of: fewer than [`FEWEST`] tubes, or most would.
pub fn standouts(tubes: &[Tube<'_>], pairs: &[Pair]) -> Option<Vec<Standout>> {
    if tubes.len() < FEWEST {
        return None;
    }
    let beside = beside(tubes.len(), pairs);
    let mut tests = ratios(tubes, &beside);
    tests.extend(presence(tubes, &beside));
    tests.extend(shape(tubes, pairs));
    let adjusted = holm(&tests.iter().map(|t| t.p).collect::<Vec<_>>());
    let mut out: Vec<Standout> = tests
        .into_iter()
        .zip(adjusted)
        .filter(|(_, p)| *p < ALPHA)
        .map(|(t, adjusted_p)| Standout { tube: t.tube, test: t.test, what: t.what, adjusted_p })
        .collect();
    out.sort_by(|a, b| a.adjusted_p.total_cmp(&b.adjusted_p).then(a.tube.cmp(&b.tube)));
    let mut seen = BTreeSet::new();
    out.retain(|s| seen.insert(s.tube));
    (out.len() as f64 <= RULE * tubes.len() as f64).then_some(out)
}

/// Median distance of each tube to the others; not a number where there is none.
fn distances(n: usize, pairs: &[Pair]) -> Vec<f64> {
    (0..n)
        .map(|i| {
            let of: Vec<f64> = pairs
                .iter()
                .filter(|p| p.first == i || p.second == i)
                .filter_map(|p| p.distance.map(|d| d.share))
                .collect();
            median(&of)
        })
        .collect()
}

/// Two-sided probability of a value so far from the crowd, whose own spread is known from `n` values.
fn away(value: f64, middle: f64, spread: f64, n: usize) -> f64 {
    if spread.is_nan() || spread <= 0.0 {
        return 1.0;
    }
    2.0 * student_above((value - middle).abs() / spread, MAD_EFFICIENCY * (n as f64 - 1.0))
}

/// A tube against the one in the middle of the crowd.
struct Beside<'a> {
    tube: usize,
    /// 1 where it is the first of the pair, −1 where it is the second.
    sign: f64,
    pair: &'a Pair,
}

/// All tubes against the one that is nearest to most others.
fn beside<'a>(n: usize, pairs: &'a [Pair]) -> Vec<Beside<'a>> {
    let of = distances(n, pairs);
    let middle = (0..n).filter(|i| of[*i].is_finite()).min_by(|a, b| of[*a].total_cmp(&of[*b]));
    let Some(middle) = middle else { return Vec::new() };
    let with = |pair: &'a Pair| match (pair.first == middle, pair.second == middle) {
        (true, _) => Some(Beside { tube: pair.second, sign: -1.0, pair }),
        (_, true) => Some(Beside { tube: pair.first, sign: 1.0, pair }),
        _ => None,
    };
    pairs.iter().filter_map(with).collect()
}

/// Light of each gas beside the main one, against the tube in the middle of the crowd.
fn ratios(tubes: &[Tube<'_>], beside: &[Beside<'_>]) -> Vec<Test> {
    let mut gases: BTreeSet<&str> = BTreeSet::new();
    for b in beside {
        gases.extend(b.pair.ratios.gases.iter().map(|g| g.gas.as_str()));
    }
    let mut out = Vec::new();
    for gas in gases {
        // Tube, logarithm of its ratio over the middle tube's, uncertainty; against the same main gas.
        let mut mains: Vec<&str> = beside.iter().map(|b| b.pair.ratios.against.as_str()).collect();
        mains.sort_unstable();
        let Some(main) = mains.get(mains.len() / 2).copied() else { continue };
        let values: Vec<(usize, f64, f64)> = beside
            .iter()
            .filter(|b| b.pair.ratios.against == main)
            .filter_map(|b| {
                let r = b.pair.ratios.gases.iter().find(|r| r.gas == gas)?;
                Some((b.tube, b.sign * r.ln_ratio, r.u))
            })
            .collect();
        if (values.len() as f64) < RULE * tubes.len() as f64 || values.len() < FEWEST {
            continue;
        }
        let (centre, spread) = robust(&values.iter().map(|v| v.1).collect::<Vec<_>>());
        for (tube, v, u) in &values {
            let factor = (v - centre).exp();
            let (times, more) =
                if factor > 1.0 { (factor, "more") } else { (1.0 / factor, "less") };
            out.push(Test {
                tube: *tube,
                test: StandoutTest::Ratio,
                what: format!(
                    "{times:.1} times {more} light of {gas} beside {main} than the middle of the drawer"
                ),
                p: away(*v, centre, spread.hypot(*u), values.len()),
            });
        }
    }
    out
}

/// Gases that only few show, or only few lack, as the comparison with the middle tube has them.
fn presence(tubes: &[Tube<'_>], beside: &[Beside<'_>]) -> Vec<Test> {
    let shown = |v: Verdict| matches!(v, Verdict::Seen | Verdict::Likely);
    let half = RULE * tubes.len() as f64;
    let count = |gas: &str, test: &dyn Fn(Verdict) -> bool| {
        tubes.iter().filter_map(|t| t.verdict(gas)).filter(|(v, _)| test(*v)).count() as f64
    };
    let mut out = Vec::new();
    for b in beside {
        for d in &b.pair.differences {
            let Some((verdict, _)) = tubes[b.tube].verdict(&d.gas) else { continue };
            let often = count(&d.gas, &shown) > half;
            let (extra, lacking) = (shown(verdict) && !often, !shown(verdict) && often);
            let (test, what) = match (extra, lacking) {
                (true, _) => (
                    StandoutTest::Extra,
                    format!("{} is {} here, and not in most", d.gas, verdict.word()),
                ),
                (_, true) => (
                    StandoutTest::Lacking,
                    format!("{} is {} here, and seen in most", d.gas, verdict.word()),
                ),
                _ => continue,
            };
            out.push(Test { tube: b.tube, test, what, p: d.p });
        }
    }
    out
}

/// The light that a tube does not share with the rest.
fn shape(tubes: &[Tube<'_>], pairs: &[Pair]) -> Vec<Test> {
    let of = distances(tubes.len(), pairs);
    let logs: Vec<f64> = of.iter().filter(|d| **d > 0.0).map(|d| d.ln()).collect();
    // Distances are skewed: only those above the middle say how far above it is usual.
    let centre = median(&logs);
    let above: Vec<f64> = logs.iter().map(|d| d - centre).filter(|d| *d > 0.0).collect();
    let spread = MAD_TO_SIGMA * median(&above);
    (0..tubes.len())
        .filter(|i| of[*i].ln() - centre > SHAPE_FACTOR.ln())
        .map(|i| Test {
            tube: i,
            test: StandoutTest::Shape,
            what: format!(
                "{:.0} % of its light is not shared with the middle of the drawer, where {:.0} % is usual",
                100.0 * of[i],
                100.0 * centre.exp()
            ),
            p: away(of[i].ln(), centre, spread, above.len()),
        })
        .collect()
}
