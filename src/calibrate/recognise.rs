//! Whether a lamp's pattern is in a recording, and on which axis.

use super::lamp::Lamp;
use super::marks::Mark;
use super::octaves::Octaves;
use super::pattern::LampPattern;
use super::rival::Telling;
use super::score;
use super::search::{Effort, Ground, QUICK, REACH_NM, THOROUGH, Trial};
use crate::AxisKind;
use crate::reference::Tables;

/// Number of false lamps (patterns with displaced lines) that the true one must beat.
const FALSE_LAMPS: u64 = 48;
/// How many of them are tried first: they suffice where the case is clear.
const FIRST_FALSE_LAMPS: u64 = 16;
/// Scales above the median of the first false lamps outside which it is: half and twice what is asked
/// for, as sixteen tell the scale within a third.
const CLEAR_SCALES: (f64, f64) = (0.5 * MARGIN_SCALES, 2.0 * MARGIN_SCALES);
/// Nats by which a lamp must fit at least, and better than on another axis: odds of 50 to 1.
pub const MARGIN_NATS: f64 = 4.0;
/// Scales of the law that the false lamps' evidence follows by which the lamp must pass its median.
/// The largest of many follows Gumbel's law (Gumbel, Statistics of Extremes, 1958), which passes six
/// scales once in six hundred times; so did 25 of 14,304 false lamps, each held against the 47 others
/// of its recording (simulated recordings of 300 instruments).
const MARGIN_SCALES: f64 = 6.0;
/// The same where the user has named the lamp and the axis is from bare pixels: Gumbel's law passes four
/// and a half scales once in 130 times, and 96 of 12,960 false lamps did (simulated recordings of 250
/// instruments, a lamp named that it is and a lamp named that it is not). A name is seldom wrong, and
/// where it is, the lamp that it is fits better.
const NAMED_SCALES: f64 = 4.5;
/// The same from which a named lamp is not held against the other usual ones: one false lamp in 1,600
/// passes it by Gumbel's law.
const SURE_SCALES: f64 = 7.0;
/// The same below which a better axis is looked for, further and deeper: of wrong axes among simulated
/// instruments, those that the search had taken for want of the right one all lay below.
const LOOK_AGAIN_SCALES: f64 = 10.0;
/// How many of the tallest peaks are held against second order, from which chance of showing a line at
/// twice the wavelength counts, and how many of them make second order possible: two, as one may lie on a
/// strong line by chance. A choice, made on one simulated helium lamp.
const IMAGES: (f64, f64, usize) = (12.0, 0.6, 2);
/// Nats asked for besides where an axis was looked for in two ways: two chances to err.
const TWO_SEARCHES_NATS: f64 = std::f64::consts::LN_2;
/// Least that this scale is taken to be, nats: the upper half of 48 does not tell it better.
const LEAST_SCALE: f64 = 1.0;
/// Mean of the upper half of Gumbel's law above its median, in scales (by integration). The lower
/// half is left out: a false lamp may be left with hardly a line, which says nothing of chance.
const UPPER_HALF: f64 = 1.181;
/// How many of the lamps that fit best are held against chance.
const CONFIRMED: usize = 3;
/// Fewest lines that carry the correction of an axis in nm …
pub const MIN_ANCHORS: usize = 3;
/// … and an axis from bare pixels, of which nothing else is known.
pub const MIN_BLIND_ANCHORS: usize = 3;
/// A lamp's pattern on one axis.
#[derive(Clone)]
pub struct Recognised {
    /// The lamp's pattern.
    pub pattern: LampPattern,
    /// The axis.
    pub trial: Trial,
    /// Nats beyond what is asked for where nobody names the lamp; may be negative where somebody does.
    pub surplus: f64,
}

/// Finds the one axis on which a lamp's pattern lies, or says why there is none.
pub fn recognise(
    ground: &Ground,
    lamp: &Lamp,
    tables: &Tables,
    search_nm: f64,
) -> std::result::Result<Recognised, String> {
    let mut found = attempt(ground, lamp, tables, search_nm, &QUICK)?;
    let (mut chance, mut toll) = found.held_against_chance(ground, search_nm, true);
    if ground.kind == AxisKind::Nm || found.passes(&chance, SURE_SCALES) {
        return found.confirm(ground, &chance, MARGIN_SCALES, toll);
    }
    let others: Vec<Attempt> = Lamp::usual()
        .iter()
        .filter(|other| *other != lamp)
        .filter_map(|other| attempt(ground, other, tables, search_nm, &QUICK).ok())
        .collect();
    if found.join_relatives(ground, &others) {
        toll += TWO_SEARCHES_NATS;
        if found.passes(&chance, NAMED_SCALES) {
            chance = found.chance(ground, search_nm);
        }
    }
    // The name speaks for the lamp, unless another one is there rather.
    let strict = found.confirm(ground, &chance, MARGIN_SCALES, toll);
    let on_its_name =
        strict.clone().or_else(|_| found.confirm(ground, &chance, NAMED_SCALES, toll));
    if on_its_name.is_ok() {
        return match found.outdone_by(ground, &others) {
            None => on_its_name,
            Some(other) => Err(format!(
                "{} accounts for its lines better than {}",
                other.pattern.lamp.one(),
                lamp.one()
            )),
        };
    }
    by_its_discharge(ground, found.pattern, &others, search_nm).or(strict)
}

/// The axis of a fluorescent lamp by the discharge within it alone: mercury and argon, whose lines may
/// be many where the phosphor's peaks are few, merged or clipped.
fn by_its_discharge(
    ground: &Ground,
    fluorescent: LampPattern,
    others: &[Attempt],
    search_nm: f64,
) -> std::result::Result<Recognised, String> {
    let none = || Err("no fluorescent lamp".into());
    let discharge = others.iter().find(|o| o.pattern.lamp == Lamp::mercury_and_argon());
    let Some(found) = discharge.filter(|_| fluorescent.lamp == Lamp::Fluorescent) else {
        return none();
    };
    let chance = found.chance(ground, search_nm);
    let telling = found.telling(ground);
    let found = found.confirm(ground, &chance, MARGIN_SCALES, TWO_SEARCHES_NATS)?;
    // The phosphor has its say where the axis is the same.
    let octaves = Octaves::new(&fluorescent, ground);
    match ground.refine(&octaves, &[found.trial]).first() {
        Some(with_it) if !telling.tell_from(with_it) => Ok(Recognised {
            trial: ground.climb(&octaves, *with_it),
            pattern: fluorescent,
            surplus: found.surplus,
        }),
        _ => none(),
    }
}

/// Finds which of the usual lamps it is.
///
/// `again`: looks a second time, further and deeper, where none is found.
pub fn recognise_any(
    ground: &Ground,
    tables: &Tables,
    search_nm: f64,
    again: bool,
) -> std::result::Result<Recognised, String> {
    let lamps = Lamp::usual();
    // More lamps, more chances to err.
    let toll = (lamps.len() as f64).ln();
    let mut attempts: Vec<Attempt> = lamps
        .iter()
        .filter_map(|lamp| attempt(ground, lamp, tables, search_nm, &QUICK).ok())
        .collect();
    let quick = the_surest(ground, &mut attempts, search_nm, toll, again);
    if quick.is_ok() || !again || ground.kind == AxisKind::Nm {
        return quick.map_err(|why| none_of(&lamps, why));
    }
    for a in &mut attempts {
        a.look_again(ground, search_nm);
    }
    the_surest(ground, &mut attempts, search_nm, toll, again).map_err(|why| none_of(&lamps, why))
}

/// Why no lamp is recognised: two fit, or none does, with the reason of the nearest.
enum Why {
    Two(String),
    None(Option<String>),
}

fn none_of(lamps: &[Lamp], why: Why) -> String {
    match why {
        Why::Two(why) => why,
        Why::None(nearest) => {
            let names: Vec<String> = lamps.iter().map(Lamp::to_string).collect();
            format!(
                "its lines form the pattern of none of the lamps tried ({}){}",
                names.join(", "),
                nearest.map_or(String::new(), |w| format!("; the nearest: {w}"))
            )
        }
    }
}

/// The surest of several lamps.
fn the_surest(
    ground: &Ground,
    attempts: &mut [Attempt],
    search_nm: f64,
    toll: f64,
    again: bool,
) -> std::result::Result<Recognised, Why> {
    attempts.sort_by(|a, b| b.best().score.nats.total_cmp(&a.best().score.nats));
    let mut why = None;
    for k in 0..attempts.len().min(CONFIRMED) {
        let (chance, more) = attempts[k].held_against_chance(ground, search_nm, again);
        // Another lamp on another axis that fits nearly as well.
        let (this, others) = (&attempts[k], &attempts[k + 1..]);
        let telling = this.telling(ground);
        let rival = others.iter().find(|o| {
            o.best().score.nats > this.best().score.nats - MARGIN_NATS
                && telling.tell_from(o.best())
        });
        let confirmed = this.confirm(ground, &chance, MARGIN_SCALES, toll + more);
        match (confirmed, rival) {
            (Ok(_), Some(rival)) => {
                return Err(Why::Two(format!(
                    "it could be {} on an axis from {:.0} to {:.0} nm or {} from {:.0} to \
                     {:.0} nm",
                    this.pattern.lamp.one(),
                    this.best().nm(-1.0),
                    this.best().nm(1.0),
                    rival.pattern.lamp.one(),
                    rival.best().nm(-1.0),
                    rival.best().nm(1.0)
                )));
            }
            (Ok(found), None) => return Ok(found),
            (Err(reason), _) => why = why.or(Some(reason)),
        }
    }
    Err(Why::None(why))
}

/// The axes on which a lamp fits best, not yet held against chance.
#[derive(Clone)]
struct Attempt {
    pattern: LampPattern,
    /// Best first, never empty.
    trials: Vec<Trial>,
    /// How they were looked for.
    effort: &'static Effort,
}

fn attempt(
    ground: &Ground,
    lamp: &Lamp,
    tables: &Tables,
    search_nm: f64,
    effort: &'static Effort,
) -> std::result::Result<Attempt, String> {
    let pattern = LampPattern::new(lamp, tables);
    let words = lamp.one();
    let trials = ground.search(&Octaves::new(&pattern, ground), search_nm, effort);
    let Some(best) = trials.first() else {
        return Err(format!("no axis brings two of its lines onto those of {words}"));
    };
    // Where phosphors hide a line, it is found once the others have set the axis.
    let least = if *lamp == Lamp::Fluorescent { MIN_ANCHORS - 1 } else { MIN_ANCHORS };
    if best.score.met < least {
        return Err(format!(
            "no axis brings more than {} of its lines onto those of {words}, {least} are needed",
            best.score.met
        ));
    }
    Ok(Attempt { pattern, trials, effort })
}

impl Attempt {
    fn best(&self) -> &Trial {
        &self.trials[0]
    }

    /// True where its evidence passes the false lamps' median by so many scales.
    fn passes(&self, chance: &Chance, scales: f64) -> bool {
        self.best().score.nats >= chance.asked_for(scales)
    }

    /// What false lamps reach in its place, after a second look (`again`) for a better axis where the first
    /// does not tell clearly; and what is asked for besides for that, nats.
    fn held_against_chance(
        &mut self,
        ground: &Ground,
        search_nm: f64,
        again: bool,
    ) -> (Chance, f64) {
        let chance = self.chance(ground, search_nm);
        if !again
            || ground.kind == AxisKind::Nm
            || self.passes(&chance, LOOK_AGAIN_SCALES)
            || !self.look_again(ground, search_nm)
        {
            return (chance, 0.0);
        }
        // False lamps are looked for as far, where that may still tell.
        let chance = match self.passes(&chance, NAMED_SCALES) {
            true => self.chance(ground, search_nm),
            false => chance,
        };
        (chance, TWO_SEARCHES_NATS)
    }

    /// Looks for a better axis, further and deeper; true where there is one that is another or far better.
    fn look_again(&mut self, ground: &Ground, search_nm: f64) -> bool {
        if std::ptr::eq(self.effort, &THOROUGH) {
            return false;
        }
        let trials = ground.search(&Octaves::new(&self.pattern, ground), search_nm, &THOROUGH);
        let Some(t) = trials.first() else { return false };
        let gain = t.score.nats - self.best().score.nats;
        let another = gain > MARGIN_NATS || (gain > 0.0 && self.telling(ground).tell_from(t));
        if another {
            self.effort = &THOROUGH;
        }
        if gain > 0.0 {
            self.trials = trials;
        }
        another
    }

    /// The peaks by which its best axis is told from others.
    fn telling(&self, ground: &Ground) -> Telling {
        Telling::of(ground, &Octaves::new(&self.pattern, ground), self.best())
    }

    /// What lamps that do not exist reach in its place.
    fn chance(&self, ground: &Ground, search_nm: f64) -> Chance {
        Chance::of(ground, self, search_nm)
    }

    /// Tries the axes of lamps that share a gas with this one, which may have shown them better; true
    /// where one of them is the best now.
    fn join_relatives(&mut self, ground: &Ground, others: &[Attempt]) -> bool {
        let octaves = Octaves::new(&self.pattern, ground);
        let best = others
            .iter()
            .filter(|o| o.pattern.lamp.is_related(&self.pattern.lamp))
            .filter_map(|o| ground.refine(&octaves, &[*o.best()]).first().copied())
            .map(|t| ground.climb(&octaves, t))
            .max_by(|a, b| a.score.nats.total_cmp(&b.score.nats))
            .filter(|t| t.score.nats > self.best().score.nats);
        let Some(best) = best else { return false };
        self.trials.insert(0, best);
        true
    }

    /// The lamp among others that fits better by far on another axis, with no gas in common.
    fn outdone_by<'a>(&self, ground: &Ground, others: &'a [Attempt]) -> Option<&'a Attempt> {
        let telling = self.telling(ground);
        others.iter().find(|other| {
            other.best().score.nats > self.best().score.nats + MARGIN_NATS
                && telling.tell_from(other.best())
                && !other.pattern.lamp.is_related(&self.pattern.lamp)
        })
    }

    /// True where the lines may be images in second order: tall peaks that the axis leaves unexplained lie
    /// on strong lines of the lamp at twice the wavelength.
    fn may_be_images(&self, ground: &Ground) -> bool {
        let best = self.best();
        if ground.kind == AxisKind::Nm || 2.0 * best.range().1 > REACH_NM.1 {
            return false;
        }
        let twice = Trial { c: best.c.map(|c| 2.0 * c), ..*best };
        let octaves = Octaves::new(&self.pattern, ground);
        let dispersion = best.c[1].abs() / ground.half();
        let own = octaves.in_view(dispersion, best.range());
        let there = octaves.in_view(2.0 * dispersion, twice.range());
        let fwhm_nm = ground.fwhm_own * dispersion;
        let tall = ground.seen.iter().filter(|s| s.rank <= IMAGES.0 && !s.broad);
        let on_lines = tall
            .filter(|s| !own.iter().any(|m| ground.meets(best, m, s, fwhm_nm)))
            .filter(|s| {
                let strong = |m: &&Mark| m.line && m.shows >= IMAGES.1;
                there.iter().filter(strong).any(|m| ground.meets(&twice, m, s, 2.0 * fwhm_nm))
            })
            .count();
        on_lines >= IMAGES.2
    }

    /// Holds the best axis against lamps that do not exist, whose median it must pass by so many
    /// `scales`, and against the other axes; `toll` is asked for besides, nats.
    fn confirm(
        &self,
        ground: &Ground,
        chance: &Chance,
        scales: f64,
        toll: f64,
    ) -> std::result::Result<Recognised, String> {
        let words = self.pattern.lamp.one();
        let best = *self.best();
        let asked_for = chance.asked_for(scales) + toll;
        if best.score.nats < asked_for {
            return Err(format!(
                "its lines fit the pattern of {words} hardly better than that of lamps which do \
                 not exist (evidence {:.1} nats, made-up lamps reach {:.1}, {asked_for:.1} is asked \
                 for)",
                best.score.nats, chance.most
            ));
        }
        let telling = self.telling(ground);
        if let Some(rival) = self.trials.iter().find(|t| telling.tell_from(t))
            && rival.score.nats > best.score.nats - MARGIN_NATS
        {
            return Err(format!(
                "two axes fit {words} nearly as well ({:.0} to {:.0} nm and {:.0} to {:.0} nm)",
                best.nm(-1.0),
                best.nm(1.0),
                rival.nm(-1.0),
                rival.nm(1.0)
            ));
        }
        if self.may_be_images(ground) {
            return Err(format!(
                "the lines of {words} on an axis from {:.0} to {:.0} nm may be their images in second order \
                 on one from {:.0} to {:.0} nm, where other tall peaks lie on strong lines",
                best.nm(-1.0),
                best.nm(1.0),
                2.0 * best.nm(-1.0),
                2.0 * best.nm(1.0)
            ));
        }
        let surplus = best.score.nats - chance.asked_for(MARGIN_SCALES) - toll;
        Ok(Recognised { pattern: self.pattern.clone(), trial: best, surplus })
    }
}

/// What lamps that do not exist reach in the same recording.
struct Chance {
    most: f64,
    median: f64,
    scale: f64,
}

impl Chance {
    /// From as many false lamps as it takes to tell for a lamp of this evidence.
    fn of(ground: &Ground, of: &Attempt, search_nm: f64) -> Self {
        let lamp = Octaves::new(&of.pattern, ground);
        let evidence = of.best().score.nats;
        let mut nats: Vec<f64> = Vec::new();
        for (from, to) in [(0, FIRST_FALSE_LAMPS), (FIRST_FALSE_LAMPS, FALSE_LAMPS)] {
            nats.extend((from..to).filter_map(|seed| {
                let best = ground.search(&lamp.displaced(seed), search_nm, of.effort);
                best.first().map(|t| t.score.nats)
            }));
            let chance = Chance::from(nats.clone());
            let scales = (evidence - chance.median) / chance.scale.max(LEAST_SCALE);
            if !(CLEAR_SCALES.0..=CLEAR_SCALES.1).contains(&scales) {
                return chance;
            }
        }
        Chance::from(nats)
    }

    fn from(mut nats: Vec<f64>) -> Self {
        nats.sort_by(f64::total_cmp);
        let upper = &nats[nats.len() / 2..];
        let (Some(median), Some(most)) = (upper.first().copied(), upper.last().copied()) else {
            return Chance { most: f64::NEG_INFINITY, median: f64::NEG_INFINITY, scale: 0.0 };
        };
        let mean = upper.iter().sum::<f64>() / upper.len() as f64;
        Chance { most, median, scale: (mean - median) / UPPER_HALF }
    }

    /// Nats that a lamp must reach to pass the median by so many scales.
    fn asked_for(&self, scales: f64) -> f64 {
        (self.median + scales * self.scale.max(LEAST_SCALE)).max(MARGIN_NATS)
    }
}

/// Gases of the usual lamps whose lines stand beside those of the `known` ones: what a mixture holds
/// besides.
///
/// `place` gives the wavelength of each of `seen` and `taken` says which of them the lamp explains.
pub fn companions(
    seen: &[score::Seen],
    tables: &Tables,
    known: &[String],
    place: &[f64],
    taken: &[bool],
    fwhm_nm: f64,
) -> Vec<String> {
    let mut free: Vec<(f64, score::Seen)> = place
        .iter()
        .zip(seen)
        .zip(taken)
        .filter(|(_, taken)| !**taken)
        .map(|((nm, s), _)| (*nm, s.clone()))
        .collect();
    free.sort_by(|a, b| a.0.total_cmp(&b.0));
    // Ranks among what is free.
    let mut order: Vec<usize> = (0..free.len()).collect();
    order.sort_by(|a, b| free[*a].1.rank.total_cmp(&free[*b].1.rank));
    for (rank, k) in order.into_iter().enumerate() {
        free[k].1.rank = (rank + 1) as f64;
    }
    let (nm, seen): (Vec<f64>, Vec<score::Seen>) = free.into_iter().unzip();
    let (lo, hi) = place
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), nm| (lo.min(*nm), hi.max(*nm)));
    let range = (lo - 2.0 * fwhm_nm, hi + 2.0 * fwhm_nm);
    let here = Ground {
        seen: &[],
        range: [range.0, range.1],
        fwhm_own: fwhm_nm,
        kind: AxisKind::Nm,
        about: None,
    };
    let mut out = Vec::new();
    for gas in Lamp::usual().into_iter().chain([Lamp::mercury()]).filter_map(|l| match l {
        Lamp::Discharge(gases) => gases.into_iter().next(),
        Lamp::Fluorescent => None,
    }) {
        if known.contains(&gas) {
            continue;
        }
        let pattern = LampPattern::new(&Lamp::Discharge(vec![gas.clone()]), tables);
        let lamp = Octaves::new(&pattern, &here);
        let judge = |octaves: &Octaves| {
            score::score(
                &octaves.in_view(1.0, range),
                &seen,
                &nm,
                range,
                fwhm_nm,
                score::FITTED_PLACE_FWHM,
            )
        };
        let true_one = judge(&lamp);
        let false_ones: Vec<f64> =
            (0..FALSE_LAMPS).map(|seed| judge(&lamp.displaced(seed)).nats).collect();
        let chance = Chance::from(false_ones);
        if true_one.met >= MIN_ANCHORS && true_one.nats >= chance.asked_for(MARGIN_SCALES) {
            out.push(gas);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};

    #[test]
    fn the_scale_of_gumbels_law_comes_back() {
        // Quantiles of Gumbel's law by its inverse, scale 2.5.
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let nats = (0..20_000).map(|_| -2.5 * (-rng.random_range(1e-12..1.0f64).ln()).ln());
        let c = Chance::from(nats.collect());
        assert!((c.scale - 2.5).abs() < 0.1, "{}", c.scale);
        assert!((c.median - 2.5 * 0.3665).abs() < 0.1, "{}", c.median);
        // Hopeless false lamps do not move what is asked for.
        let few = |worst: f64| {
            Chance::from(vec![worst, 1.0, 2.0, 3.0, 4.0, 6.0]).asked_for(MARGIN_SCALES)
        };
        assert_eq!(few(0.0), few(-40.0));
        assert_eq!(Chance::from(Vec::new()).asked_for(MARGIN_SCALES), MARGIN_NATS);
    }
}
