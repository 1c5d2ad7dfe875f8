//! Counts and sums over rows; adding in any order gives the same.

use super::exact::Histogram;
use super::meta::{Meta, MetaSums, wilson};
use super::report::{
    GasCount, InstrumentReport, LineReport, NumberReport, Odd, TypeReport, UltravioletCounts,
};
use super::row::{Row, RowNumber};
use crate::bench::compare::stats::{holm, median, robust, student_above};
use crate::gases::Verdict;
use std::collections::{BTreeMap, BTreeSet};

/// Values kept at either end of a number, by name, so that odd ones can be told.
const ENDS: usize = 8;
/// Values this many standard deviations (by the median absolute deviation) from the median are odd: with
/// normal scatter one in a million (F. Hampel, J. Am. Stat. Assoc. 69 (1974) 383, for the measure).
const ODD_SIGMA: f64 = 5.0;
/// Standard error of a median over that of a mean of normal values, √(π/2).
const MEDIAN_ERROR: f64 = 1.253_314_137_315_500_3;
/// Instruments from which on their middle is what each is held against; below, it is the tables.
const CONSENSUS_FROM: usize = 5;
/// Lines that say where an instrument stands.
const FEWEST_LINES: usize = 3;

/// A number of one sort of thing.
#[derive(Debug, Clone, Default)]
struct Number {
    all: Histogram,
    without_u: u64,
    sums: MetaSums,
    lowest: BTreeSet<(i64, String, String)>,
    highest: BTreeSet<(i64, String, String)>,
}

/// All of one sort of thing.
#[derive(Debug, Clone, Default)]
struct Kind {
    records: u64,
    failed: u64,
    gases: BTreeMap<String, [u64; 5]>,
    /// By instrument: how often each gas is shown, of how many that decide.
    instruments: BTreeMap<String, BTreeMap<String, [u64; 2]>>,
    numbers: BTreeMap<String, Number>,
    ultraviolet: UltravioletCounts,
    by_gas: BTreeMap<String, [u64; 2]>,
}

/// All rows so far.
#[derive(Debug, Default)]
pub struct Tally {
    kinds: BTreeMap<(bool, String), Kind>,
    /// By species and wavelength in thousandths of nm, by instrument.
    lines: BTreeMap<(String, i64), BTreeMap<String, Histogram>>,
    records_of: BTreeMap<String, u64>,
}

fn shown(v: Verdict) -> bool {
    matches!(v, Verdict::Seen | Verdict::Likely)
}

/// A number in the order of values.
fn order(x: f64) -> i64 {
    let bits = x.to_bits() as i64;
    bits ^ (((bits >> 63) as u64) >> 1) as i64
}

/// The value of [`order`].
fn value(order: i64) -> f64 {
    f64::from_bits((order ^ (((order >> 63) as u64) >> 1) as i64) as u64)
}

impl Tally {
    /// Counts a row.
    pub fn add(&mut self, row: &Row) {
        let kind = self.kinds.entry((row.light, row.kind.clone())).or_default();
        kind.records += 1;
        kind.failed += u64::from(row.failed);
        let of_instrument = kind.instruments.entry(row.instrument.clone()).or_default();
        *self.records_of.entry(row.instrument.clone()).or_default() += 1;
        match row.ultraviolet.as_str() {
            "yes" => kind.ultraviolet.yes += 1,
            "no" => kind.ultraviolet.no += 1,
            "not-tried" => kind.ultraviolet.not_tried += 1,
            _ => kind.ultraviolet.not_told += 1,
        }
        for (gas, verdict) in &row.gases {
            let place = match verdict {
                Verdict::Seen => 0,
                Verdict::Likely => 1,
                Verdict::Undecided => 2,
                Verdict::NotSeen => 3,
                Verdict::OutOfReach => 4,
            };
            kind.gases.entry(gas.clone()).or_default()[place] += 1;
            let decides = shown(*verdict) || *verdict == Verdict::NotSeen;
            let counts = of_instrument.entry(gas.clone()).or_default();
            counts[0] += u64::from(shown(*verdict));
            counts[1] += u64::from(decides);
            if shown(*verdict) {
                let answers = kind.by_gas.entry(gas.clone()).or_default();
                answers[0] += u64::from(row.ultraviolet == "yes");
                answers[1] += u64::from(row.ultraviolet == "no");
            }
        }
        for (name, n) in &row.numbers {
            kind.numbers.entry(name.clone()).or_default().add(*n, row);
        }
        for l in &row.lines {
            let at = (l.species.clone(), (l.table_nm * 1e3).round() as i64);
            let of = self.lines.entry(at).or_default();
            of.entry(row.instrument.clone()).or_default().add(l.off_nm);
        }
    }

    /// Sorts of things, with what `again` gives once more for the means: every row, in any order.
    pub fn kinds(&self, means: &Means) -> Vec<TypeReport> {
        self.kinds.iter().map(|((light, name), kind)| kind.report(*light, name, means)).collect()
    }

    /// What the means still need of the rows, to be filled by [`Means::add`].
    pub fn means(&self) -> Means {
        Means::default()
    }

    /// Offsets of the instruments, by name.
    pub fn instruments(&self) -> Vec<InstrumentReport> {
        let mut of: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
        for by_instrument in self.lines.values() {
            for (name, h) in by_instrument {
                of.entry(name).or_default().push(h.median());
            }
        }
        let mut out: Vec<InstrumentReport> = of
            .into_iter()
            .filter(|(_, lines)| lines.len() >= FEWEST_LINES)
            .map(|(name, lines)| {
                let (offset, sigma) = robust(&lines);
                InstrumentReport {
                    name: name.into(),
                    records: self.records_of.get(name).copied().unwrap_or(0),
                    lines: lines.len(),
                    offset_nm: offset,
                    u_nm: MEDIAN_ERROR * sigma / (lines.len() as f64).sqrt(),
                    adjusted_p: 1.0,
                    stands_off: false,
                }
            })
            .collect();
        let middle = match out.len() >= CONSENSUS_FROM {
            true => median(&out.iter().map(|i| i.offset_nm).collect::<Vec<_>>()),
            false => 0.0,
        };
        let p: Vec<f64> = out
            .iter()
            .map(|i| {
                let t = (i.offset_nm - middle).abs() / i.u_nm.max(f64::MIN_POSITIVE);
                2.0 * student_above(t.min(1e9), i.lines as f64 - 1.0)
            })
            .collect();
        for (i, p) in out.iter_mut().zip(holm(&p)) {
            i.adjusted_p = p;
            i.stands_off = p < crate::bench::ALPHA;
        }
        out
    }

    /// Spread of each line over the instruments that have it, for those that at least two have.
    pub fn lines(&self) -> Vec<LineReport> {
        self.lines
            .iter()
            .filter(|(_, by)| by.len() > 1)
            .map(|((species, nm), by)| {
                let medians: Vec<f64> = by.values().map(Histogram::median).collect();
                let (off, spread) = robust(&medians);
                LineReport {
                    species: species.clone(),
                    table_nm: *nm as f64 / 1e3,
                    values: by.values().map(Histogram::count).sum(),
                    instruments: by.len(),
                    off_nm: off,
                    spread_nm: spread,
                }
            })
            .collect()
    }
}

impl Number {
    fn add(&mut self, n: RowNumber, row: &Row) {
        if !n.value.is_finite() {
            return;
        }
        self.all.add(n.value);
        match n.u.filter(|u| *u > 0.0) {
            Some(u) => self.sums.add(n.value, u),
            None => self.without_u += 1,
        }
        let named = (order(n.value), row.item.clone(), row.digest.clone());
        self.lowest.insert(named.clone());
        self.highest.insert(named);
        if self.lowest.len() > ENDS {
            self.lowest.pop_last();
        }
        if self.highest.len() > ENDS {
            self.highest.pop_first();
        }
    }

    fn report(&self, name: &str, records: u64, mean: Option<Meta>) -> NumberReport {
        let median = self.all.median();
        let sigma = crate::bench::compare::stats::MAD_TO_SIGMA * self.all.mad();
        let odd = |(v, item, digest): &(i64, String, String)| {
            let v = value(*v);
            let is = sigma > 0.0 && (v - median).abs() > ODD_SIGMA * sigma;
            is.then(|| Odd { item: item.clone(), digest: digest.clone(), value: v })
        };
        let all: BTreeSet<_> = self.lowest.union(&self.highest).collect();
        NumberReport {
            name: name.into(),
            values: self.all.count(),
            without_u: self.without_u,
            missing: records - self.all.count(),
            median,
            sigma,
            mean,
            odd: all.into_iter().filter_map(odd).collect(),
        }
    }
}

/// Second step of the means, which needs the rows once more.
#[derive(Debug, Default)]
pub struct Means(BTreeMap<(bool, String, String), Vec<(f64, f64)>>);

impl Means {
    /// A row once more.
    pub fn add(&mut self, row: &Row) {
        for (name, n) in &row.numbers {
            if let Some(u) = n.u {
                let key = (row.light, row.kind.clone(), name.clone());
                self.0.entry(key).or_default().push((n.value, u));
            }
        }
    }

    fn of(&self, light: bool, kind: &str, name: &str, sums: &MetaSums) -> Option<Meta> {
        let values = self.0.get(&(light, kind.into(), name.into()))?;
        sums.mean(values.iter().copied())
    }
}

impl Kind {
    fn report(&self, light: bool, name: &str, means: &Means) -> TypeReport {
        let gases = self
            .gases
            .iter()
            .map(|(gas, [seen, likely, undecided, not_seen, out_of_reach])| GasCount {
                gas: gas.clone(),
                seen: *seen,
                likely: *likely,
                undecided: *undecided,
                not_seen: *not_seen,
                out_of_reach: *out_of_reach,
                interval: wilson(seen + likely, seen + likely + not_seen),
            })
            .collect();
        let (pairs, same) = self.agreement();
        TypeReport {
            kind: name.into(),
            light,
            records: self.records,
            failed: self.failed,
            instruments: self.instruments.len(),
            instrument_pairs: pairs,
            agreeing_pairs: same,
            gases,
            numbers: self
                .numbers
                .iter()
                .map(|(n, v)| v.report(n, self.records, means.of(light, name, n, &v.sums)))
                .collect(),
            ultraviolet: self.ultraviolet.clone(),
            ultraviolet_by_gas: self
                .by_gas
                .iter()
                .filter(|(_, [yes, no])| yes + no > 0)
                .map(|(gas, [yes, no])| (gas.clone(), *yes, *no))
                .collect(),
        }
    }

    /// Pairs of instruments, and those of which most recordings show the same gases, among the gases that
    /// both decide.
    fn agreement(&self) -> (u64, u64) {
        let usual: Vec<BTreeMap<&str, bool>> = self
            .instruments
            .values()
            .map(|gases| {
                let decided = gases.iter().filter(|(_, [_, of])| *of > 0);
                decided.map(|(g, [shown, of])| (g.as_str(), 2 * shown > *of)).collect()
            })
            .collect();
        let (mut pairs, mut same) = (0, 0);
        for (i, a) in usual.iter().enumerate() {
            for b in &usual[i + 1..] {
                let both: Vec<bool> = a.iter().filter_map(|(g, v)| Some(b.get(g)? == v)).collect();
                if !both.is_empty() {
                    pairs += 1;
                    same += u64::from(both.iter().all(|s| *s));
                }
            }
        }
        (pairs, same)
    }
}
