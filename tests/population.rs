//! How often the blind calibration is right, over a population of instruments and lamps.
//!
//! `cargo test --release --test population -- --nocapture` judges a small sample; with
//! `--ignored` the whole population of `GLOWTELL_POPULATION` instruments (3000 where not set).
//! Each instrument is calibrated from its pixels alone with the lamp named, from its
//! pixels with the lamp not named (every third), and from a factory axis in nm that is wrong. Every
//! third is also given a lamp that it does not show, which must be refused.
//! `GLOWTELL_POPULATION_NAMED=1` leaves it at the first of these ways.
//!
//! Drawn are (`draw.rs`; all choices independent unless said):
//!
//! | what | how |
//! |---|---|
//! | lamp | fluorescent 1/2; Ne, Ar, He, Kr, Hg, Hg+Ar 1/12 each |
//! | FWHM | 0.3 to 6 nm, log-uniform; at the red end 0.8 to 1.25 times that at the blue end |
//! | pixels | 2048 in half, else 512, 1024, 3648 or 4096 |
//! | dispersion | 0.05 to 1.2 nm/px, log-uniform, such that a line is 2 to 30 pixels wide |
//! | range | anywhere in 200 to 1100 nm that holds four strong lines (a tenth of the strongest there and 0.03 of the lamp's strongest, by tables and response) at least 1.5 FWHM apart; of a fluorescent lamp four of mercury's 365, 405, 436, 546, 578 |
//! | curvature | grating (300 to 1800 grooves/mm, included angle 10 to 50°, tilt ±6°, half the detector at most 0.35 focal lengths) or polynomial (c2/c1 normal of 0.03, c3/c1 of 0.005, cut at two standard deviations), half each |
//! | direction | red end first in 3 of 10 |
//! | line shape | Lorentzian share 0 to 0.2 |
//! | signal-to-noise | strongest line 30 to 5000, log-uniform |
//! | clipped | strongest line 1.2 to 4 times beyond full scale in 1 of 5 |
//! | response | silicon in half, flat in 1/5, else five free points of 0.1 to 1 |
//! | fringes | in 1 of 4: 0.02 to 0.1, 5 to 30 µm |
//! | stray light | 0 to 0.05 of all light |
//! | second order | in 1 of 3: 0.003 to 0.03 of the light below 550 nm |
//! | detector | dark 0 to 3000 counts, slope ±100, read noise 5 to 30 electrons, unevenness 0.002 to 0.01 |
//! | hot pixels | in 1 of 5: one to three of 0.03 to 0.3 of the strongest line |
//! | foreign light | in 1 of 5: one to three lines of 0.03 to 0.3 of the strongest, or (gas lamps, half of these) room light of a fluorescent lamp, green line 0.03 to 0.3 of the strongest line |
//! | mercury in the fluorescent lamp | the usual light of each multiplet times 1/3 to 3 (log-uniform), of its lines 0.8 to 1.25 of that; one multiplet in ten missing, but not 404.66, 435.83 and 546.07, which no lamp lacks; glass edge 305 to 360 nm |
//! | its phosphors | whole 0.3 to 3 times the usual; each peak's light times 1/3 to 3, place within its table's u, width 0.8 to 1.25 times, one in ten missing |
//! | its argon | in 1 of 3: strongest line 0.03 to 0.5 of the green mercury line |
//! | gas lamps | kT 0.4 to 1.5 eV; each line's light scattered log-normally with the standard deviation of log-uniform 1/3 to 3; one line in ten missing; ion's lines of Ar and Kr 0.02 to 0.3 in 1 of 4; argon of Hg+Ar 0.1 to 1 of the mercury, by the strongest line of each from 350 to 1100 nm |
//! | factory axis | offset, tilt and curvature in free proportion, largest error 0 to 3 nm |

#[path = "population/dice.rs"]
mod dice;
#[path = "population/draw.rs"]
mod draw;
#[path = "population/judge.rs"]
mod judge;
#[path = "population/lamp.rs"]
mod lamp;
#[path = "population/table.rs"]
mod table;

use glowtell::reference::Tables;
use judge::{Outcome, Verdict, Way};
use rayon::prelude::*;

/// Variable that sets the size of the whole population.
const SIZE_VARIABLE: &str = "GLOWTELL_POPULATION";
/// Its size otherwise.
const SIZE: u64 = 3000;
/// Variable that sets the seed of the first instrument, to judge on fresh ones.
const FIRST_VARIABLE: &str = "GLOWTELL_POPULATION_FIRST";
/// Variable that, where set, leaves it at the pixels with the lamp named.
const NAMED_VARIABLE: &str = "GLOWTELL_POPULATION_NAMED";
/// Size of the sample that every run of the tests judges.
const SAMPLE: u64 = 40;

/// Share of instruments with lines up to [`FINE_NM`] wide that were right from their pixels with
/// the lamp named: 1,818 of 1,909 among seeds 128000 to 130999. The aim is 0.99.
const MEASURED_RIGHT: f64 = 0.952;
/// Line width up to which the aim holds, nm.
const FINE_NM: f64 = 2.0;

/// Three standard deviations of a share among so many.
fn three_sigma(share: f64, of: usize) -> f64 {
    3.0 * (share * (1.0 - share) / of as f64).sqrt()
}

fn number(variable: &str) -> Option<u64> {
    std::env::var(variable).ok().and_then(|t| t.parse().ok())
}

fn judged(seeds: std::ops::Range<u64>) -> Vec<Outcome> {
    let tables = Tables::bundled().unwrap();
    let named_only = std::env::var_os(NAMED_VARIABLE).is_some();
    seeds
        .into_par_iter()
        .flat_map_iter(|seed| {
            let draw = draw::Draw::new(seed, &tables);
            judge::judge(&draw, &tables, named_only)
        })
        .collect()
}

#[test]
fn a_sample_of_instruments() {
    let outcomes = judged(0..SAMPLE);
    println!("{}", table::print(&outcomes));
    let named: Vec<&Outcome> = outcomes.iter().filter(|o| o.way == Way::Named).collect();
    let fine: Vec<&&Outcome> = named.iter().filter(|o| o.fwhm_nm <= FINE_NM).collect();
    let right = fine.iter().filter(|o| o.solved()).count() as f64 / fine.len() as f64;
    assert!(right >= MEASURED_RIGHT - three_sigma(MEASURED_RIGHT, fine.len()), "{right}");
    // Six were among the 3,000 of those seeds.
    assert_eq!(named.iter().filter(|o| o.wrong()).count(), 0);
}

/// Instruments whose axis rests on one rule each; without the rule they were refused or wrong.
const BY_ONE_RULE: [(u64, &str); 11] = [
    (112_993, "an end is held against what its rival climbs to"),
    (
        107_088,
        "what the search found does not keep an end that another reading fits nearly as well",
    ),
    (105_002, "an end that only a bent axis meets earns its bend"),
    (112_597, "axes are told apart by the peaks that they hold"),
    (111_100, "a line has one peak, and none whose place is not known"),
    (104_899, "argon lines are found on the axis of a mercury and argon lamp"),
    (116_151, "a lamp that is named needs less evidence"),
    (116_465, "a lamp that is named needs less evidence"),
    (120_816, "where the first look does not tell clearly, a better axis is looked for deeper"),
    (122_692, "… and bent further"),
    (122_804, "… of a lamp of few lines with a cubic term"),
];
/// Lamps that must be refused, and why: without the rule their axes were wrong.
const REFUSED: [(u64, &str); 2] = [
    // Three lines alone carry an axis of 754 nm.
    (120_450, "leave the axis between them"),
    // Helium's ultraviolet lines in second order, in the red and infrared.
    (126_752, "in second order"),
];
/// A helium lamp in which neon's pattern passes what false lamps reach.
const MISNAMED: u64 = 104_100;

#[test]
fn axes_that_rest_on_one_rule() {
    let tables = Tables::bundled().unwrap();
    let judged: Vec<(u64, &str, Outcome)> = BY_ONE_RULE
        .par_iter()
        .map(|(seed, rule)| {
            let mut of = judge::judge(&draw::Draw::new(*seed, &tables), &tables, true);
            (*seed, *rule, of.remove(0))
        })
        .collect();
    for (seed, rule, outcome) in judged {
        assert!(outcome.solved(), "{seed}: {rule}: {outcome:?}");
    }
    for (seed, rule) in REFUSED {
        let of = judge::judge(&draw::Draw::new(seed, &tables), &tables, true);
        match &of[0].verdict {
            Verdict::Refused(why) => assert!(why.contains(rule), "{seed}: {why}"),
            other => panic!("{seed}: {other:?}"),
        }
    }
    let of = judge::judge(&draw::Draw::new(MISNAMED, &tables), &tables, false);
    let misnamed = of.iter().find(|o| o.way == Way::Misnamed).unwrap();
    match &misnamed.verdict {
        Verdict::Refused(why) => assert!(why.contains("helium lamp"), "{why}"),
        other => panic!("{other:?}"),
    }
}

#[test]
#[ignore = "takes minutes to an hour"]
fn the_whole_population() {
    let first = number(FIRST_VARIABLE).unwrap_or(0);
    let outcomes = judged(first..first + number(SIZE_VARIABLE).unwrap_or(SIZE));
    println!("{}", table::print(&outcomes));
    let named = outcomes.iter().filter(|o| o.way == Way::Named).count();
    assert!(named > 0);
}
