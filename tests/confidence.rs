//! Whether the probabilities hold, over a population of tubes and other lights.

#[path = "confidence/ask.rs"]
mod ask;
#[path = "confidence/draw.rs"]
mod draw;

use ask::{Question, ask};
use draw::{Draw, Wish};
use glowtell::bench::Settings;
use glowtell::reference::Tables;
use rayon::prelude::*;
use std::fmt::Write;

fn number(variable: &str) -> Option<u64> {
    std::env::var(variable).ok().and_then(|t| t.parse().ok())
}

fn population(seeds: std::ops::Range<u64>, wish: &Wish) -> (Vec<Draw>, Vec<Question>) {
    let tables = Tables::bundled().unwrap();
    let settings = Settings::default();
    let first = seeds.start;
    let both: Vec<(Draw, Vec<Question>)> = seeds
        .into_par_iter()
        .map(|seed| {
            let mut draw = Draw::new(seed, &tables, wish);
            let questions = ask((seed - first) as usize, &draw, &tables, &settings);
            draw.truth.clear();
            (draw, questions)
        })
        .collect();
    let (draws, questions): (Vec<Draw>, Vec<Vec<Question>>) = both.into_iter().unzip();
    (draws, questions.concat())
}

#[test]
#[ignore = "takes minutes"]
fn dump() {
    let first = number("GLOWTELL_POPULATION_FIRST").unwrap_or(0);
    let n = number("GLOWTELL_POPULATION").unwrap_or(300);
    let (draws, questions) = population(first..first + n, &Wish::default());
    let mut t = String::from(
        "seed,kind,fwhm,snr,axis_error,calibrated,clipped,main,ratio,species,gas,truth,over,verdict,p,log_odds,nats,chance,shape_nats,free,sigma,share,in_range,by_shape,ion_alone,limit,reason\n",
    );
    for q in &questions {
        let (d, c) = (&draws[q.draw], &q.clues);
        let _ = writeln!(
            t,
            "{},{},{:.3},{:.1},{:.3},{},{},{},{:.5},{},{},{:?},{:.3},{:?},{:.6},{:.3},{:.3},{:.3},{:.3},{},{:.3},{:.5},{:.4},{},{},{:.3},{}",
            d.seed,
            d.kind.name(),
            d.fwhm_nm,
            d.snr,
            d.axis_error_nm,
            d.calibrated,
            d.clipped,
            d.main,
            d.ratio,
            q.species,
            q.gas,
            q.truth,
            q.over_limit,
            q.verdict,
            q.probability,
            c.log_odds,
            c.nats,
            c.chance,
            c.shape_nats,
            c.free_lines,
            c.template_sigma,
            c.share,
            c.in_range,
            c.by_shape,
            c.ion_alone,
            q.limit.unwrap_or(-1.0),
            q.reason.replace(',', ";")
        );
    }
    std::fs::write(std::env::var("GLOWTELL_QUESTIONS").unwrap(), t).unwrap();
}
