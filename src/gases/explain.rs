//! Species taken in one by one, the surest first, each explaining its peaks away for the others.

use super::GasSettings;
use super::bands::Shape;
use super::chance::{self, Chance};
use super::evidence::{Evidence, Scene, Showing, explains, weigh};
use super::pattern::Pattern;
use super::verdict::{self, Judged};

/// Most species that are taken to explain a recording.
const MAX_EXPLAINING: usize = 12;
/// Log odds (with the prior) from which a species takes part in explaining the others' peaks.
const EXPLAINS_FROM_NATS: f64 = 0.0;
/// The same for the shape of bands: `likely`, ln 9.
const SHAPE_EXPLAINS_FROM_NATS: f64 = 2.2;
/// Nats from which the measure of chance is worked out for a species.
const CHANCE_FROM_NATS: f64 = -1.0;

/// Takes species in, the surest first, until none is left that the recording asks for. Returns
/// for each pattern whether it is taken, and what each explains (the phosphor last). What bands
/// explain by their shape is explained from the start.
pub fn explain(
    patterns: &[Pattern],
    phosphor: &Pattern,
    met: &[Vec<Showing>],
    scene: &Scene,
    shapes: &[Option<Shape>],
) -> (Vec<bool>, Vec<Vec<f64>>) {
    let n = patterns.len();
    let all: Vec<&Pattern> = patterns.iter().chain(std::iter::once(phosphor)).collect();
    let mut taken = vec![false; n + 1];
    let mut explained = vec![vec![0.0; scene.peaks.len()]; n + 1];
    let mut open: Vec<f64> = vec![f64::INFINITY; n + 1];
    let by_shape = |k: usize| -> Vec<f64> {
        match shapes.get(k).and_then(Option::as_ref) {
            // What stands from the start must be surer than what is taken in by turns.
            Some(s)
                if verdict::odds_of_shape(all[k], s)
                    .is_some_and(|odds| odds > SHAPE_EXPLAINS_FROM_NATS) =>
            {
                s.share.iter().zip(scene.peaks).map(|(s, p)| s * p.height).collect()
            }
            _ => vec![0.0; scene.peaks.len()],
        }
    };
    for (k, e) in explained.iter_mut().enumerate() {
        *e = by_shape(k);
    }
    for _ in 0..MAX_EXPLAINING {
        let sum = total(&explained, scene, None);
        let mut best: Option<(usize, f64, Evidence)> = None;
        for k in 0..=n {
            // Evidence only shrinks as others explain more: skip what is behind already.
            if taken[k] || best.as_ref().is_some_and(|b| open[k] < b.1) || open[k] < -3.0 {
                continue;
            }
            // Its own bands must not count against it.
            let own = &explained[k];
            let others: Vec<f64> = sum.iter().zip(own).map(|(s, o)| (s - o).max(0.0)).collect();
            let e = weigh(&all[k].features, met[k].clone(), scene, &others);
            let odds = e.nats + verdict::prior_nats(all[k]);
            open[k] = odds;
            if best.as_ref().is_none_or(|b| odds > b.1) {
                best = Some((k, odds, e));
            }
        }
        let Some((k, odds, e)) = best else { break };
        if odds < EXPLAINS_FROM_NATS {
            break;
        }
        taken[k] = true;
        let lines = explains(all[k], &e, scene);
        explained[k] = by_shape(k).iter().zip(lines).map(|(a, b)| a.max(b)).collect();
    }
    taken.truncate(n);
    (taken, explained)
}

/// What all but one explain of each peak.
fn total(explained: &[Vec<f64>], scene: &Scene, but: Option<usize>) -> Vec<f64> {
    let mut sum = vec![0.0; scene.peaks.len()];
    for (k, e) in explained.iter().enumerate() {
        if Some(k) != but {
            for (s, v) in sum.iter_mut().zip(e) {
                *s += v;
            }
        }
    }
    sum
}

/// Sum of the log odds, nats, of all species that are more probable than not by their lines: how well a
/// correction of the axis brings them onto the recording.
pub fn odds_of_all(
    patterns: &[Pattern],
    phosphor: &Pattern,
    met: &[Vec<Showing>],
    scene: &Scene,
) -> f64 {
    let none: Vec<Option<Shape>> = patterns.iter().map(|_| None).collect();
    let (taken, explained) = explain(patterns, phosphor, met, scene, &none);
    let all = patterns.iter().chain(std::iter::once(phosphor));
    all.zip(met)
        .enumerate()
        .filter(|(k, _)| taken.get(*k).is_none_or(|taken| *taken))
        .map(|(k, (p, met))| {
            let others = total(&explained, scene, Some(k));
            verdict::log_odds(p, weigh(&p.features, met.clone(), scene, &others).nats).max(0.0)
        })
        .sum()
}

/// Each species against all the others that are taken, and against chance.
pub fn judge(
    patterns: &[Pattern],
    (met, shapes): (&[Vec<Showing>], &[Option<Shape>]),
    taken: &[bool],
    explained: &[Vec<f64>],
    scene: &Scene,
    range: (f64, f64),
    settings: &GasSettings,
) -> Vec<Judged> {
    patterns
        .iter()
        .enumerate()
        .map(|(k, p)| {
            let others = total(explained, scene, Some(k));
            let evidence = weigh(&p.features, met[k].clone(), scene, &others);
            let chance = if settings.chance || evidence.nats > CHANCE_FROM_NATS || taken[k] {
                chance::measure(p, scene, &others, range, settings.decoys, settings.seed)
            } else {
                Chance::default()
            };
            // Peaks on a band and its shape are the same light: the larger counts, not the sum.
            let by_lines = verdict::log_odds(p, evidence.nats - chance.level - scene.shift_cost);
            let by_shape = shapes[k]
                .as_ref()
                .and_then(|s| verdict::odds_of_shape(p, s))
                .unwrap_or(f64::NEG_INFINITY);
            let log_odds = by_lines.max(by_shape);
            let by_chance = chance
                .copies
                .iter()
                .map(|n| verdict::log_odds(p, n - chance.level - scene.shift_cost))
                .collect();
            Judged { evidence, chance: chance.level, by_lines, by_chance, others, log_odds }
        })
        .collect()
}
