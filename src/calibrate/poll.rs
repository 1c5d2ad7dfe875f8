//! The vote of the tall peaks on the curvature of an axis.

use super::marks::{Mark, SEEDS_IN_VIEW};
use super::search::Effort;

/// Step in the logarithm of strength from one list of an electorate to the next, and number of lists:
/// down to the faintest line of the tables.
const STRENGTH_STEP: f64 = 0.75;
const STRENGTH_STEPS: usize = 14;
/// Steps of wavelength by which an electorate finds who is in view, nm, and their number: beyond all
/// that an axis may reach.
const ROLL_STEP_NM: f64 = 4.0;
const ROLL_STEPS: usize = 600;
/// Steps below the strongest line in view down to which lines vote: a hundredth.
const DEPTH: usize = 6;
/// Most lines that vote, as far as they are told by strength: somewhat more than peaks.
const MOST_VOTED: usize = 24;
/// Most steps of the curvature between its limits.
const CURVATURES: usize = 512;
/// Least step of the curvature as a share of what a vote's tolerance leaves free.
const STEP_OF_TOLERANCE: f64 = 0.5;
/// A vote of the tallest peak in whole numbers.
const WHOLE_VOTE: f32 = 1024.0;
/// Product of the distances from the two starting peaks (in half recordings) below which a peak
/// says nothing of the curvature.
const MIN_LEVER: f64 = 0.01;
/// Loss of a vote's weight from one peak to the next lower.
const RANK_LOSS: f32 = 0.05;
/// Features that show less often are not voted for, nor fitted in the last round of the refinement.
pub const MIN_VOTED: f64 = 0.35;
/// Of two lines that start a search, one must show at least this often.
const SURE_SHOWS: f64 = 0.6;

/// The marks that vote, in lists that go the further down in strength.
pub struct Electorate {
    lists: Vec<Roll>,
}

/// Marks, ascending, with the number of those below each step of wavelength.
struct Roll {
    marks: Vec<Mark>,
    below: Vec<u16>,
}

impl Roll {
    fn new(marks: Vec<Mark>) -> Self {
        let steps = (0..=ROLL_STEPS).map(|k| k as f64 * ROLL_STEP_NM);
        let below = steps.map(|nm| marks.partition_point(|m| m.nm < nm) as u16).collect();
        Roll { marks, below }
    }

    /// Which of them lie in a range, nm, to the next step outwards.
    fn within(&self, (lo, hi): (f64, f64)) -> std::ops::Range<usize> {
        let step = |nm: f64| (nm.max(0.0) / ROLL_STEP_NM) as usize;
        let (from, to) = (step(lo).min(ROLL_STEPS), (step(hi) + 1).min(ROLL_STEPS));
        usize::from(self.below[from])..usize::from(self.below[to])
    }
}

impl Electorate {
    /// All marks that may ever vote.
    pub fn new<'a>(marks: impl Iterator<Item = &'a Mark>) -> Self {
        let marks: Vec<&Mark> =
            marks.filter(|m| m.rating.map_or(m.shows > MIN_VOTED, |r| !r.ion)).collect();
        let list = |k: usize| {
            let least = -(k as f64) * STRENGTH_STEP;
            let strong =
                |m: &&&Mark| m.rating.is_none_or(|r| m.ln_strength - r.ln_anywhere >= least);
            Roll::new(marks.iter().filter(strong).map(|m| **m).collect())
        };
        Electorate { lists: (0..STRENGTH_STEPS).map(list).collect() }
    }

    /// Those who vote on an axis over this range, nm: the strongest in view.
    pub fn in_view(&self, range: (f64, f64)) -> &[Mark] {
        let count = |list: &Roll| list.within(range).len();
        let first = self.lists.partition_point(|l| count(l) == 0);
        let deepest = self.lists.partition_point(|l| count(l) <= MOST_VOTED);
        let k = deepest.min(first + DEPTH + 1).clamp(1, self.lists.len()) - 1;
        &self.lists[k].marks[self.lists[k].within(range)]
    }
}

/// The poll of the tall peaks on the curvature of an axis through two of them.
pub struct Poll {
    /// Differences of the number of votes from step to step, in parts of [`WHOLE_VOTE`]: whole numbers
    /// add up four times faster.
    rise: [i32; CURVATURES + 2],
    /// Curvature, its tolerance and weight of each vote.
    votes: Vec<(f64, f64, i32)>,
}

impl Poll {
    /// An empty one.
    pub fn new() -> Self {
        Poll { rise: [0; CURVATURES + 2], votes: Vec::new() }
    }

    /// Number of votes for the best curvature d of λ = c0 + c1 t + (d + e t)(t − t1)(t − t2), and d.
    pub fn vote(
        &mut self,
        voters: &[f64],
        (p1, p2): (usize, usize),
        (c0, c1, e): (f64, f64, f64),
        marks: &[Mark],
        tolerance_nm: f64,
        effort: &Effort,
    ) -> (f32, f64) {
        // d is twice the second Chebyshev coefficient.
        let most = 0.5 * effort.curvature * c1.abs();
        // Steps of a fraction of the tolerance: fewer for broad lines.
        let wanted = (2.0 * most / (STEP_OF_TOLERANCE * tolerance_nm)) as usize;
        let steps = wanted.clamp(1, effort.steps.min(CURVATURES));
        let bin = 2.0 * most / steps as f64;
        let rise = &mut self.rise[..steps + 2];
        rise.fill(0);
        self.votes.clear();
        let mut level = 0;
        for (k, t) in voters.iter().enumerate() {
            if k == p1 || k == p2 {
                continue;
            }
            let lever = (t - voters[p1]) * (t - voters[p2]);
            let straight = c0 + t * (c1 + e * lever);
            // Taller peaks are more surely lines of the lamp.
            let weight = (WHOLE_VOTE / (1.0 + RANK_LOSS * k as f32)) as i32;
            if lever.abs() < MIN_LEVER {
                let at = marks.partition_point(|m| m.nm < straight - tolerance_nm);
                if marks.get(at).is_some_and(|m| m.nm <= straight + tolerance_nm) {
                    level += weight;
                }
                continue;
            }
            let reach = most * lever.abs() + tolerance_nm;
            let from = marks.partition_point(|m| m.nm < straight - reach);
            for m in marks[from..].iter().take_while(|m| m.nm <= straight + reach) {
                let d = (m.nm - straight) / lever;
                let tol = ((tolerance_nm + m.u_nm) / lever.abs()).min(most);
                let step = |d: f64| (((d + most) / bin) as usize).min(steps);
                rise[step(d - tol)] += weight;
                rise[step(d + tol) + 1] -= weight;
                self.votes.push((d, tol, weight));
            }
        }
        let (mut best, mut at, mut sum) = (i32::MIN, 0, 0);
        for (k, r) in rise.iter().enumerate() {
            sum += r;
            if sum > best {
                (best, at) = (sum, k);
            }
        }
        // Weighted mean of those who voted for it.
        let centre = (at as f64 + 0.5) * bin - most;
        let (mut s, mut w) = (0.0, 0.0);
        for (d, tol, weight) in &self.votes {
            if (d - centre).abs() <= tol + bin {
                let g = f64::from(*weight) / (tol * tol);
                s += g * d;
                w += g;
            }
        }
        ((best + level) as f32 / WHOLE_VOTE, if w > 0.0 { s / w } else { 0.0 })
    }
}

/// True where two marks may start the search on an axis that has these voters in view: both are strong
/// there, and one surely shows.
pub fn may_start(m1: &Mark, m2: &Mark, marks: &[Mark]) -> bool {
    let shows = |m: &Mark| {
        let Some(r) = m.rating else { return m.shows };
        let (mut top, mut stronger) = (m.ln_strength, 0);
        for o in marks.iter().filter(|o| o.group == m.group && o.ln_strength > m.ln_strength) {
            top = top.max(o.ln_strength);
            stronger += 1;
        }
        if stronger < SEEDS_IN_VIEW { r.shows(m.nm, m.ln_strength, top) } else { 0.0 }
    };
    let (a, b) = (shows(m1), shows(m2));
    a.max(b) >= SURE_SHOWS && a.min(b) >= MIN_VOTED
}

/// The same as far as the lines between them tell it.
pub fn may_start_together(m1: &Mark, m2: &Mark, marks: &[Mark]) -> bool {
    let few = |m: &Mark| {
        let stronger = |o: &&Mark| o.group == m.group && o.ln_strength > m.ln_strength;
        m.rating.is_none() || marks.iter().filter(stronger).count() < SEEDS_IN_VIEW
    };
    few(m1) && few(m2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::lamp::Lamp;
    use crate::calibrate::marks::in_view;
    use crate::calibrate::pattern::LampPattern;
    use crate::calibrate::search::QUICK;
    use crate::reference::Tables;

    /// Neon's red lines are a hundred times stronger than its blue ones: beside them the blue ones do
    /// not vote, by themselves they do (NIST ASD, by the bundled tables).
    #[test]
    fn who_votes_follows_from_what_is_in_view() {
        let tables = Tables::bundled().unwrap();
        let pattern = LampPattern::new(&Lamp::named("Ne", &tables).unwrap(), &tables);
        let marks = pattern.marks(0.5, 200.0);
        let electorate = Electorate::new(marks.iter());
        let blue = |range: (f64, f64)| {
            let view = electorate.in_view(range);
            assert!(view.len() <= MOST_VOTED && view.windows(2).all(|w| w[0].nm <= w[1].nm));
            view.iter().filter(|m| m.nm < 520.0).count()
        };
        assert!(blue((440.0, 520.0)) >= 10, "{}", blue((440.0, 520.0)));
        assert!(blue((440.0, 680.0)) <= 2, "{}", blue((440.0, 680.0)));
        // The same of the chance that a line shows.
        let shows = |range| {
            in_view(&marks, range).iter().find(|m| (m.nm - 478.9).abs() < 0.3).map(|m| m.shows)
        };
        let (alone, beside) = (shows((440.0, 520.0)).unwrap(), shows((440.0, 680.0)).unwrap());
        assert!(alone > 0.6 && beside < 0.5, "{alone} {beside}");
    }

    /// Two peaks and two marks set a straight axis; the third peak votes for the curvature that brings it
    /// onto the third mark.
    #[test]
    fn the_poll_finds_the_curvature() {
        let (c0, c1, d) = (600.0, 200.0, 9.0);
        let voters = [-0.6, 0.5, 0.0, 0.9];
        let nm = |t: f64| c0 + c1 * t + d * (t - voters[0]) * (t - voters[1]);
        let tables = Tables::bundled().unwrap();
        let pattern = LampPattern::new(&Lamp::mercury(), &tables);
        let mark = pattern.marks(1.0, 400.0)[0];
        let mut marks =
            voters.map(|t| crate::calibrate::marks::Mark { nm: nm(t), u_nm: 0.0, ..mark });
        marks.sort_by(|a, b| a.nm.total_cmp(&b.nm));
        let (votes, found) = Poll::new().vote(&voters, (0, 1), (c0, c1, 0.0), &marks, 0.5, &QUICK);
        assert!(votes > 1.5, "{votes}");
        assert!((found - d).abs() < 0.5, "{found}");
    }
}
