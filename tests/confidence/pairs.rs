//! Helium in neon and neon in helium.

use crate::ask::ask;
use crate::draw::{Draw, Kind, Wish};
use glowtell::bench::Settings;
use glowtell::gases::Verdict;
use glowtell::reference::Tables;
use rayon::prelude::*;
use std::fmt::Write;

/// Light ratios of the weaker gas.
const RATIOS: [f64; 5] = [1.0, 0.3, 0.1, 0.03, 0.01];
/// Line widths, nm.
const WIDTHS_NM: [f64; 4] = [0.5, 1.0, 2.0, 3.0];
/// Signal-to-noise ratios of the highest point.
const SNRS: [f64; 3] = [20.0, 200.0, 2000.0];
/// Tubes of each sort.
const EACH: u64 = 6;
/// First seed.
const FIRST: u64 = 3_000_000;

/// Table of the verdicts on the weaker gas, and the number of false `seen`.
pub fn helium_and_neon() -> (usize, String) {
    let tables = Tables::bundled().unwrap();
    let settings = Settings::default();
    let mut t = String::from(
        "verdicts on the weaker gas: seen, likely, undecided, not seen, out of reach\n",
    );
    let mut false_seen = 0;
    for (main, second) in [("Ne", "He"), ("He", "Ne")] {
        for fwhm in WIDTHS_NM {
            let _ = writeln!(t, "\n{second} in {main}, FWHM {fwhm} nm");
            let _ = write!(t, "{:>8}", "S/N");
            RATIOS.iter().for_each(|r| {
                let _ = write!(t, " {r:>12}");
            });
            t.push('\n');
            for snr in SNRS {
                let _ = write!(t, "{snr:>8}");
                for ratio in RATIOS {
                    let all: Vec<(Vec<Verdict>, usize)> = (0..EACH)
                        .into_par_iter()
                        .map(|k| {
                            let wish = Wish {
                                kind: Some(Kind::Mixture),
                                gases: Some((main, second, ratio)),
                                fwhm_nm: Some(fwhm),
                                snr: Some(snr),
                                wide: true,
                                ..Wish::default()
                            };
                            let draw = Draw::new(FIRST + k, &tables, &wish);
                            let q = ask(0, &draw, &tables, &settings);
                            let it = format!("{second} I");
                            (
                                q.iter().filter(|q| q.species == it).map(|q| q.verdict).collect(),
                                q.iter()
                                    .filter(|q| {
                                        q.verdict == Verdict::Seen
                                            && !draw.truth.iter().any(|(n, _)| *n == q.species)
                                    })
                                    .count(),
                            )
                        })
                        .collect();
                    false_seen += all.iter().map(|a| a.1).sum::<usize>();
                    let n = |v: Verdict| {
                        all.iter().flat_map(|a| &a.0).filter(|w| **w == v).count().to_string()
                    };
                    let cell: Vec<String> = [
                        Verdict::Seen,
                        Verdict::Likely,
                        Verdict::Undecided,
                        Verdict::NotSeen,
                        Verdict::OutOfReach,
                    ]
                    .map(n)
                    .into();
                    let _ = write!(t, " {:>12}", cell.join(" "));
                }
                t.push('\n');
            }
        }
    }
    let _ = writeln!(t, "\nfalse seen: {false_seen}");
    (false_seen, t)
}
