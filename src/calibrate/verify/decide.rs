//! Stretches of an axis, and whether it keeps a tolerance.
//!
//! The decision is that of a guard band (JCGM 106:2012, 8.3.2 and 8.3.3): the expanded uncertainty
//! U = 2u is taken off the tolerance before an axis is accepted, and added before it is rejected.

use super::series::K;
use crate::Measured;
use serde::{Deserialize, Serialize};

/// Step at which the error of an axis is looked at, nm: finer than any smooth axis bends.
const STEP_NM: f64 = 1.0;
/// Length of a stretch, nm.
const STRETCH_NM: f64 = 50.0;
/// Stretches shorter than this join a neighbour, nm.
const SLIVER_NM: f64 = 12.0;
/// How far beyond the outermost lines the axis may be judged, as a share of the range between
/// them (common practice, no published source).
const BEYOND_SHARE: f64 = 0.1;
/// The same in nm, at most (common practice, no published source).
const BEYOND_NM: f64 = 25.0;
/// An uncertainty that would have to be smaller than this share of the present one is not asked
/// for.
const HOPELESS: f64 = 0.05;

/// What supports the axis along a stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Support {
    /// Lines of the lamp stand in it.
    Lines,
    /// It lies between lines.
    Between,
    /// It lies beyond the outermost line: extrapolated.
    Beyond,
}

impl Support {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Support::Lines => "by lines",
            Support::Between => "between lines",
            Support::Beyond => "not anchored: beyond the outermost line",
        }
    }
}

/// The error along a stretch of the judged axis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// Where it begins, nm on the judged axis.
    pub from_nm: f64,
    /// Where it ends, nm on the judged axis.
    pub to_nm: f64,
    /// Lines of the lamp in it.
    pub lines: usize,
    /// What supports the axis here.
    pub support: Support,
    /// Place at which |error| + 2u is largest, nm on the judged axis.
    pub worst_at_nm: f64,
    /// Error there (judged minus true) with its standard uncertainty, nm.
    pub error_nm: Measured,
    /// |error| + 2u there: a reading here is good to that, nm.
    pub good_to_nm: f64,
}

/// Answer to a claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Claim {
    /// It holds, uncertainty taken into account.
    #[serde(rename = "holds")]
    Holds,
    /// It does not, uncertainty taken into account.
    #[serde(rename = "does not hold")]
    DoesNotHold,
    /// The uncertainty does not allow an answer.
    #[serde(rename = "cannot be tested here")]
    CannotBeTested,
}

impl Claim {
    /// The word.
    pub fn word(self) -> &'static str {
        match self {
            Claim::Holds => "holds",
            Claim::DoesNotHold => "does not hold",
            Claim::CannotBeTested => "cannot be tested here",
        }
    }
}

/// A tolerance and whether the axis keeps it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tolerance {
    /// Largest error that is allowed, nm.
    pub within_nm: f64,
    /// Stretch of the judged axis that was asked about, nm.
    pub over_nm: [f64; 2],
    /// The answer.
    pub claim: Claim,
    /// Place that decides, nm on the judged axis.
    pub at_nm: Option<f64>,
    /// Error there with its standard uncertainty, nm.
    pub error_nm: Option<Measured>,
    /// Standard uncertainty there that would allow an answer, nm.
    pub needed_u_nm: Option<f64>,
    /// Why, one sentence.
    pub reason: String,
}

/// An axis under judgement: its range, that between the outermost lines, its error.
pub struct Ground<'a> {
    /// Ends of the axis, nm.
    pub range: [f64; 2],
    /// Outermost lines, nm.
    pub anchored: [f64; 2],
    /// Places of the lines, nm.
    pub lines: &'a [f64],
    /// Error at a place, nm.
    pub error: &'a dyn Fn(f64) -> Measured,
}

/// |error| + 2u.
pub fn good_to(error: Measured) -> f64 {
    error.value.abs() + K * error.u
}

impl Ground<'_> {
    /// Places from `a` to `b`, both included.
    fn places(a: f64, b: f64) -> impl Iterator<Item = f64> {
        let n = ((b - a) / STEP_NM).ceil().max(1.0) as usize;
        (0..=n).map(move |i| a + (b - a) * i as f64 / n as f64)
    }

    /// The place between `a` and `b` at which `key` is largest.
    fn worst(&self, a: f64, b: f64, key: impl Fn(Measured) -> f64) -> (f64, Measured) {
        let mut out = (a, (self.error)(a));
        for x in Self::places(a, b) {
            let e = (self.error)(x);
            if key(e) > key(out.1) {
                out = (x, e);
            }
        }
        out
    }

    /// The whole axis in stretches, cut at the outermost lines.
    pub fn stretches(&self) -> Vec<Stretch> {
        let fixed = [self.range[0], self.anchored[0], self.anchored[1], self.range[1]];
        let mut cuts: Vec<f64> = fixed.to_vec();
        let mut x = (self.range[0] / STRETCH_NM).ceil() * STRETCH_NM;
        while x < self.range[1] {
            if fixed.iter().all(|f| (f - x).abs() >= SLIVER_NM) {
                cuts.push(x);
            }
            x += STRETCH_NM;
        }
        cuts.sort_by(f64::total_cmp);
        let inside = |a: f64, b: f64| a >= self.anchored[0] - 1e-9 && b <= self.anchored[1] + 1e-9;
        cuts.windows(2)
            .filter(|w| w[1] - w[0] > 1e-6)
            .map(|w| {
                let last = w[1] >= self.anchored[1] - 1e-9;
                let lines = self
                    .lines
                    .iter()
                    .filter(|l| **l >= w[0] && (**l < w[1] || (last && **l <= w[1])))
                    .count();
                let support = match (inside(w[0], w[1]), lines) {
                    (false, _) => Support::Beyond,
                    (true, 0) => Support::Between,
                    (true, _) => Support::Lines,
                };
                let (at, error) = self.worst(w[0], w[1], good_to);
                Stretch {
                    from_nm: w[0],
                    to_nm: w[1],
                    lines: if support == Support::Beyond { 0 } else { lines },
                    support,
                    worst_at_nm: at,
                    error_nm: error,
                    good_to_nm: good_to(error),
                }
            })
            .collect()
    }

    /// Whether the error keeps within `within` over `over` (all between the outermost lines where
    /// `None`).
    pub fn decide(&self, within: f64, over: Option<[f64; 2]>) -> Tolerance {
        let asked = over.unwrap_or(self.anchored);
        let margin = (BEYOND_SHARE * (self.anchored[1] - self.anchored[0])).min(BEYOND_NM);
        let low = asked[0].max(self.anchored[0] - margin).max(self.range[0]);
        let high = asked[1].min(self.anchored[1] + margin).min(self.range[1]);
        let nm = |x: f64| format!("{x:.2}");
        let mut out = Tolerance {
            within_nm: within,
            over_nm: asked,
            claim: Claim::CannotBeTested,
            at_nm: None,
            error_nm: None,
            needed_u_nm: None,
            reason: format!(
                "lines of the lamp stand only from {} to {} nm",
                nm(self.anchored[0]),
                nm(self.anchored[1])
            ),
        };
        if low > high {
            return out;
        }
        let at = |out: &mut Tolerance, (x, e): (f64, Measured)| {
            out.at_nm = Some(x);
            out.error_nm = Some(e);
        };
        // Broken for certain somewhere?
        let sure = self.worst(low, high, |e| e.value.abs() - K * e.u);
        let worst = self.worst(low, high, good_to);
        if sure.1.value.abs() - K * sure.1.u > within {
            out.claim = Claim::DoesNotHold;
            at(&mut out, sure);
            out.reason = format!(
                "at {} nm the error is {} nm: |error| − 2u = {} nm is more than {} nm",
                nm(sure.0),
                signed(sure.1),
                digits(sure.1.value.abs() - K * sure.1.u),
                within
            );
        } else if good_to(worst.1) > within {
            at(&mut out, worst);
            let room = (within - worst.1.value.abs()).abs();
            out.needed_u_nm = Some(room / K);
            let needed = if room / K < HOPELESS * worst.1.u {
                "the error lies on the tolerance itself, no smaller u would settle it".into()
            } else {
                format!("u would have to be {} nm or less there", digits(room / K))
            };
            out.reason = format!(
                "at {} nm the error is {} nm: |error| + 2u = {} nm is more than {} nm, |error| − 2u \
                 is not; {needed}",
                nm(worst.0),
                signed(worst.1),
                digits(good_to(worst.1)),
                within,
            );
        } else if asked[0] < low - 1e-9 || asked[1] > high + 1e-9 {
            at(&mut out, worst);
            out.reason = format!(
                "{}; from {} to {} nm the tolerance is kept, beyond nothing checks the axis",
                out.reason,
                nm(low),
                nm(high)
            );
        } else {
            out.claim = Claim::Holds;
            at(&mut out, worst);
            out.reason = format!(
                "the worst place is {} nm: |error| + 2u = {} nm",
                nm(worst.0),
                digits(good_to(worst.1))
            );
        }
        out
    }
}

/// Enough decimals for a small number of nm.
fn digits(x: f64) -> String {
    if x.abs() < 0.0995 { format!("{x:.3}") } else { format!("{x:.2}") }
}

/// With its sign and uncertainty.
fn signed(e: Measured) -> String {
    let places = if e.u < 0.0995 { 3 } else { 2 };
    format!("{:+.places$} ± {:.places$}", e.value, e.u)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// A wider tolerance never gets a worse answer, and no answer contradicts the error.
        #[test]
        fn answers_follow_the_tolerance(
            offset in -2.0f64..2.0,
            tilt in -0.01f64..0.01,
            u in 0.001f64..0.5,
            within in 0.01f64..3.0,
            wider in 1.0f64..3.0,
        ) {
            let e = |x: f64| Measured::new(offset + tilt * (x - 500.0), u);
            let g = ground(&e);
            let rank = |c: Claim| match c {
                Claim::DoesNotHold => 0,
                Claim::CannotBeTested => 1,
                Claim::Holds => 2,
            };
            let first = g.decide(within, None);
            let second = g.decide(within * wider, None);
            prop_assert!(rank(first.claim) <= rank(second.claim));
            let largest = e(404.66).value.abs().max(e(579.07).value.abs());
            match first.claim {
                Claim::Holds => prop_assert!(largest + 2.0 * u <= within + 1e-9),
                Claim::DoesNotHold => prop_assert!(largest - 2.0 * u > within - 1e-9),
                Claim::CannotBeTested => prop_assert!(first.needed_u_nm.is_some_and(|n| n < u)),
            }
        }
    }

    fn ground(error: &dyn Fn(f64) -> Measured) -> Ground<'_> {
        Ground {
            range: [300.0, 900.0],
            anchored: [404.66, 579.07],
            lines: &[404.66, 435.83, 546.07, 579.07],
            error,
        }
    }

    #[test]
    fn all_three_answers() {
        let e = |_: f64| Measured::new(0.3, 0.05);
        let g = ground(&e);
        assert_eq!(g.decide(0.41, None).claim, Claim::Holds);
        assert_eq!(g.decide(0.19, None).claim, Claim::DoesNotHold);
        let open = g.decide(0.35, None);
        assert_eq!(open.claim, Claim::CannotBeTested);
        assert!((open.needed_u_nm.unwrap() - 0.025).abs() < 1e-12);
        let denied = g.decide(0.25, None);
        assert_eq!(denied.claim, Claim::CannotBeTested);
        assert!((denied.needed_u_nm.unwrap() - 0.025).abs() < 1e-12);
    }

    #[test]
    fn beyond_the_lines_nothing_holds() {
        let e = |_: f64| Measured::new(0.1, 0.01);
        let g = ground(&e);
        assert_eq!(g.decide(0.5, Some([400.0, 590.0])).claim, Claim::Holds);
        assert_eq!(g.decide(0.5, Some([400.0, 800.0])).claim, Claim::CannotBeTested);
        let nowhere = g.decide(0.5, Some([700.0, 800.0]));
        assert_eq!((nowhere.claim, nowhere.at_nm), (Claim::CannotBeTested, None));
        assert_eq!(g.decide(0.05, Some([400.0, 800.0])).claim, Claim::DoesNotHold);
    }

    #[test]
    fn stretches_cover_the_axis_and_are_cut_at_the_lines() {
        let e = |x: f64| Measured::new((x - 500.0) / 1000.0, 0.02);
        let all = ground(&e).stretches();
        assert_eq!((all[0].from_nm, all[all.len() - 1].to_nm), (300.0, 900.0));
        assert!(all.windows(2).all(|w| w[0].to_nm == w[1].from_nm));
        for s in &all {
            let beyond = s.from_nm < 404.0 || s.to_nm > 580.0;
            assert_eq!(s.support == Support::Beyond, beyond, "{s:?}");
            assert!(s.to_nm - s.from_nm >= 12.0, "{s:?}");
        }
        assert_eq!(all.iter().map(|s| s.lines).sum::<usize>(), 4);
        assert!(all.iter().any(|s| s.support == Support::Between));
        assert!((all[0].good_to_nm - 0.24).abs() < 1e-12, "{:?}", all[0]);
    }
}
