//! Two tubes against each other.

use super::regression::{Fitted, fit};
use super::stats::robust;
use super::tube::{Line, Tube, matched};
use super::{Difference, RatioOfGas, Ratios};
use crate::Measured;
use crate::gases::{GasVerdict, Verdict};
use std::collections::BTreeMap;

/// Factor by which the light of one gas may change beside that of another while the filling stays: glow
/// discharges of one filling differ in current, pressure and temperature, and the gas with the lower
/// excitation energy takes over (common practice, no published source). Taken for twice the standard deviation
/// of its logarithm: among very many pairs some of one filling differ by more.
pub const CONDITIONS_FACTOR: f64 = 3.0;
/// Standard deviation of the logarithm of that light: half of ln 3.
const CONDITIONS_SIGMA: f64 = 0.549_306_144_334_054_8;
/// Standard deviations of the scatter beyond which a line is left out as blended or wrongly named.
const STRAY: f64 = 5.0;
/// Lines that a smooth part of the next higher order needs beyond its coefficients.
const LINES_PER_ORDER: usize = 6;
/// Orders of the smooth part: exposure, then slope and bend of two different responses.
const MOST_ORDERS: usize = 3;
/// Scale of the wavelength in the smooth part, nm: half of what such an instrument sees.
const HALF_RANGE_NM: f64 = 200.0;
/// Middle of that range, nm.
const MIDDLE_NM: f64 = 600.0;

/// What the ratios of two tubes come to, beside what is reported.
#[derive(Debug)]
pub struct Compared {
    /// Reported.
    pub ratios: Ratios,
    /// Coefficients of the smooth part, logarithm of first over second.
    pub smooth: Vec<f64>,
    /// Axis of the second ahead of the first, nm.
    pub shift: f64,
}

/// A power of the scaled wavelength.
fn powers(nm: f64, orders: usize) -> impl Iterator<Item = f64> {
    let t = (nm - MIDDLE_NM) / HALF_RANGE_NM;
    (0..orders).map(move |k| t.powi(k as i32))
}

impl Compared {
    /// Logarithm of first over second that is common to all lines, at a wavelength, nm.
    pub fn common(&self, nm: f64) -> f64 {
        powers(nm, self.smooth.len()).zip(&self.smooth).map(|(t, c)| t * c).sum()
    }
}

/// Whether two lines are of the same gas, and of its neutral atoms in both.
fn common_gas(a: &Line, b: &Line) -> Option<String> {
    match (&a.gas, &b.gas) {
        (Some((g, true)), Some((h, true))) if g == h => Some(g.clone()),
        _ => None,
    }
}

/// Ratios of the lines that two tubes have in common, by gas.
pub fn ratios(a: &Tube<'_>, b: &Tube<'_>) -> Compared {
    let (pairs, shift) = matched(a, b);
    let mut of_gas: BTreeMap<String, Vec<(f64, f64, f64)>> = BTreeMap::new();
    for (i, k) in &pairs {
        let (p, q) = (&a.lines[*i], &b.lines[*k]);
        if let Some(gas) = common_gas(p, q) {
            of_gas.entry(gas).or_default().push((p.nm, p.ln - q.ln, p.u_ln.hypot(q.u_ln)));
        }
    }
    // A line that is far from the rest of its gas is somebody else's.
    let mut stray = 0;
    for list in of_gas.values_mut() {
        let values: Vec<f64> = list.iter().map(|l| l.1).collect();
        let (middle, spread) = robust(&values);
        let before = list.len();
        if before > 4 {
            list.retain(|l| (l.1 - middle).abs() <= STRAY * spread.hypot(l.2));
        }
        stray += before - list.len();
    }
    let lines: usize = of_gas.values().map(Vec::len).sum();
    // The gas with most lines is what the others are held against.
    let main = of_gas.iter().max_by_key(|(g, l)| (l.len(), std::cmp::Reverse((*g).clone())));
    let main = main.map(|(g, _)| g.clone());
    let others: Vec<&String> = of_gas.keys().filter(|g| Some(*g) != main.as_ref()).collect();
    let orders =
        (1..=MOST_ORDERS).rev().find(|k| lines >= others.len() + k * LINES_PER_ORDER).unwrap_or(1);
    let rows: Vec<(f64, f64, Vec<f64>)> = of_gas
        .iter()
        .flat_map(|(gas, list)| {
            let others = &others;
            list.iter().map(move |(nm, y, u)| {
                let steps = others.iter().map(|g| f64::from(u8::from(*g == gas)));
                (*y, *u, powers(*nm, orders).chain(steps).collect())
            })
        })
        .collect();
    let y: Vec<f64> = rows.iter().map(|r| r.0).collect();
    let u: Vec<f64> = rows.iter().map(|r| r.1).collect();
    let x: Vec<Vec<f64>> = rows.into_iter().map(|r| r.2).collect();
    let fitted: Option<Fitted> = if lines == 0 { None } else { fit(&y, &u, &x) };
    let (of_gas, others) = (&of_gas, &others);
    let gases = fitted.iter().flat_map(|f| {
        others.iter().enumerate().map(move |(k, gas)| {
            let at = orders + k;
            RatioOfGas {
                gas: gas.to_string(),
                ln_ratio: f.beta[at],
                u: f.u[at],
                lines: of_gas[*gas].len(),
                p: f.p_beyond(at, CONDITIONS_SIGMA),
                at_most: f.at_most(at, super::ALPHA).exp(),
            }
        })
    });
    let smooth = match &fitted {
        Some(f) => f.beta[..orders].to_vec(),
        None => vec![robust(&y).0].into_iter().filter(|v| v.is_finite()).collect(),
    };
    Compared {
        ratios: Ratios {
            lines,
            against: main.unwrap_or_default(),
            gases: gases.collect(),
            scatter: fitted.as_ref().map(|f| f.scatter),
            left_out: stray,
            orders: smooth.len(),
        },
        smooth,
        shift,
    }
}

/// Gases that one tube shows and the other does not. That there is a difference is tested on the gas's own
/// lines, by what is read of the other at the same places: is it less than the first makes expected? That it is
/// this gas rests on the verdict.
pub fn presence(a: &Tube<'_>, b: &Tube<'_>, compared: &Compared) -> Vec<Difference> {
    let one_way = |with: &Tube<'_>, without: &Tube<'_>, sign: f64| -> Vec<Difference> {
        let shown = |v: Verdict| matches!(v, Verdict::Seen | Verdict::Likely);
        let test = |g: &GasVerdict| {
            let (verdict, _) = without.verdict(&g.gas)?;
            if !shown(g.verdict) || shown(verdict) {
                return None;
            }
            let mut tests: Vec<(f64, f64, Measured, f64)> = with
                .own_lines(&g.gas)
                .into_iter()
                .filter_map(|(nm, height)| {
                    let scale = (sign * compared.common(nm)).exp();
                    let expected = Measured::new(height.value * scale, height.u * scale);
                    let here = without.reading(nm)?;
                    Some((p_so_low(here, expected), nm, here, expected.value))
                })
                .collect();
            tests.sort_by(|p, q| p.0.total_cmp(&q.0));
            // The middle one of some lines: no single line, blended or wrongly named, decides.
            let (p, nm, here, expected) = *tests.get(tests.len() / 2)?;
            Some(Difference {
                gas: g.gas.clone(),
                what: format!(
                    "{}: {} in {}; its line at {nm:.1} nm would have {expected:.0} counts in {}, where {} are \
                     read",
                    g.gas,
                    g.verdict.word(),
                    with.name,
                    without.name,
                    words(here)
                ),
                p,
                adjusted_p: 1.0,
            })
        };
        with.gases.gases.iter().filter_map(test).collect()
    };
    [one_way(a, b, -1.0), one_way(b, a, 1.0)].concat()
}

/// Value and uncertainty in whole counts.
fn words(m: Measured) -> String {
    format!("{:.0} ± {:.0}", m.value, m.u)
}

/// Probability of a reading that is so low where so much is expected, the light of one filling varying as
/// [`CONDITIONS_FACTOR`] says.
fn p_so_low(here: Measured, expected: Measured) -> f64 {
    /// Steps of the sum over that variation, and how far it goes, standard deviations.
    const STEPS: i32 = 48;
    const REACH: f64 = 6.0;
    let (mut sum, mut weights) = (0.0, 0.0);
    for k in -STEPS..=STEPS {
        let t = REACH * f64::from(k) / f64::from(STEPS);
        let factor = (t * CONDITIONS_SIGMA).exp();
        let z = (here.value - expected.value * factor) / here.u.hypot(expected.u * factor);
        let weight = (-0.5 * t * t).exp();
        sum += weight * 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2);
        weights += weight;
    }
    sum / weights
}

/// Gases that one tube shows while the other does not decide, with the reason there.
pub fn open(a: &Tube<'_>, b: &Tube<'_>) -> Vec<(String, String)> {
    let shown = |v: Verdict| matches!(v, Verdict::Seen | Verdict::Likely);
    [(a, b), (b, a)]
        .into_iter()
        .flat_map(|(with, without)| {
            with.gases.gases.iter().filter(move |g| shown(g.verdict)).filter_map(move |g| {
                let (verdict, _) = without.verdict(&g.gas)?;
                let why = match verdict {
                    v if shown(v) => return None,
                    Verdict::NotSeen => {
                        "its limit there is no lower than what the other shows".into()
                    }
                    _ => {
                        let there = without.gases.gases.iter().find(|x| x.gas == g.gas)?;
                        there.reason.clone()
                    }
                };
                let text = format!(
                    "{}: {} in {}, {} in {} ({why})",
                    g.gas,
                    g.verdict.word(),
                    with.name,
                    verdict.word(),
                    without.name
                );
                Some((g.gas.clone(), text))
            })
        })
        .collect()
}
