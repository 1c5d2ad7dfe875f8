//! How strong the lines of a species are against each other.

use super::constants::per_cm_to_ev;
use super::{Line, Species};

/// Transition probability in 1/s below which a line is forbidden and no tube of ours shows it.
const MIN_A_PER_S: f64 = 1e3;
/// Table intensities are compressed on many scales: exponent by which they are used where a
/// species has no transition probabilities at all (common practice, no published source).
const INTENSITY_EXPONENT: f64 = 0.7;

/// False for lines whose transition probability says that they are forbidden.
pub(crate) fn is_allowed(line: &Line) -> bool {
    line.a_per_s.is_none_or(|a| a >= MIN_A_PER_S)
}

/// Strength of each line of a species, on a scale of its own, for level populations that follow
/// one excitation temperature `kt_ev` (eV): g A/λ · exp(−E/kT).
///
/// Lines without A take their table intensity, brought onto that scale by the species' own median
/// ratio. Forbidden lines have strength 0. Real discharges do not follow one temperature: the
/// values are a guide to within a factor of three at best.
pub fn line_strengths(species: &Species, kt_ev: f64) -> Vec<f64> {
    let known: Vec<Option<f64>> = species
        .lines
        .iter()
        .map(|l| {
            let (a, g, e) = (l.a_per_s?, l.g_upper?, l.e_upper_per_cm?);
            Some(g * a / l.wavelength_nm * (-per_cm_to_ev(e) / kt_ev).exp())
        })
        .collect();
    // Most species need no common scale.
    let mixed = species
        .lines
        .iter()
        .zip(&known)
        .any(|(l, s)| is_allowed(l) && s.is_none() && l.intensity.is_some());
    let scale = if mixed { median_ratio(species, &known) } else { None };
    species
        .lines
        .iter()
        .zip(&known)
        .map(|(l, s)| match (s, l.intensity, scale) {
            _ if !is_allowed(l) => 0.0,
            (Some(s), _, _) => *s,
            (None, Some(i), Some(r)) => i * r,
            (None, Some(i), None) => i.powf(INTENSITY_EXPONENT),
            (None, None, _) => 0.0,
        })
        .collect()
}

/// Median ratio of strength to table intensity over the lines that have both.
fn median_ratio(species: &Species, known: &[Option<f64>]) -> Option<f64> {
    let mut ratio: Vec<f64> = known
        .iter()
        .zip(&species.lines)
        .filter(|(_, l)| is_allowed(l))
        .filter_map(|(s, l)| Some((*s)? / l.intensity?))
        .filter(|r| r.is_finite() && *r > 0.0)
        .collect();
    let middle = ratio.len() / 2;
    (!ratio.is_empty()).then(|| *ratio.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reference::Tables;

    /// Balmer alpha over beta at one temperature: g A/λ·exp(−E/kT) with the NIST ASD values
    /// A = 4.4101e7 and 8.4193e6 1/s, g = 18 and 32, E = 12.0875 and 12.7485 eV (from memory).
    #[test]
    fn balmer_ratio_follows_boltzmann() {
        let tables = Tables::bundled().unwrap();
        let h = tables.get("H I").unwrap();
        let s = line_strengths(h, 1.0);
        let near = |nm: f64| {
            h.lines.iter().zip(&s).find(|(l, _)| (l.wavelength_nm - nm).abs() < 0.05).unwrap().1
        };
        let want =
            (18.0 * 4.4101e7 / 656.28) / (32.0 * 8.4193e6 / 486.13) * (12.7485f64 - 12.0875).exp();
        assert!((near(656.28) / near(486.13) / want - 1.0).abs() < 0.02);
    }
}
