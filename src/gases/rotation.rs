//! Shape of a molecular band: its rotational lines, gathered into a head and a flank, as an
//! instrument of a given line width draws them.
//!
//! Positions and strengths: G. Herzberg, Spectra of Diatomic Molecules (1950), IV.2 to IV.4.
//! Constants: K. P. Huber and G. Herzberg, Constants of Diatomic Molecules (1979), from memory.

use crate::reference::Shading;
use crate::reference::constants::{BOLTZMANN_EV_PER_K, PER_CM_PER_EV};
use crate::signal::fit::pseudo_voigt;

/// Boltzmann constant in cm⁻¹ for each K.
pub(super) const PER_CM_PER_K: f64 = BOLTZMANN_EV_PER_K * PER_CM_PER_EV;
/// Highest rotational number that is drawn: beyond it rigid constants are no longer good.
const MOST_J: u32 = 120;
/// Lines weaker than this share of the strongest are not drawn.
const FAINTEST: f64 = 1e-4;
/// Steps of a drawn band within one line width.
const STEPS_PER_FWHM: f64 = 6.0;
/// A line is drawn to this distance, in widths.
const DRAWN_FWHM: f64 = 4.0;
/// Farthest that a flank is drawn, nm.
const LONGEST_FLANK_NM: f64 = 25.0;
/// nm in a cm.
const NM_PER_CM: f64 = 1e7;

/// Rotational temperatures in K that cool discharges span (nuisance; common practice).
const COOL_K: [f64; 5] = [300.0, 550.0, 1000.0, 1800.0, 3200.0];
/// The same for radicals that arcs and flames make.
const HOT_K: [f64; 5] = [500.0, 1000.0, 2000.0, 3500.0, 6000.0];

/// How the rotational lines of a system run.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Build {
    /// One set of P, (Q,) R branches of rigid rotors, repeated at each distance in `spin_per_cm`.
    Simple {
        /// `Be`, `αe` of the upper state, cm⁻¹.
        upper: (f64, f64),
        /// The same of the lower state.
        lower: (f64, f64),
        /// Strength of the Q branch over that of P and R together.
        q: f64,
        /// Distances of the spin components' heads from the longest one, cm⁻¹.
        spin_per_cm: &'static [f64],
    },
    /// `²Σ⁺–²Π` of a hydride with its spin components (OH A-X).
    SigmaPi,
}

/// A band system whose shape is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct System {
    /// Species as the line tables name it.
    pub name: &'static str,
    /// Rotational temperatures that are tried, K.
    pub temperatures_k: [f64; 5],
    /// Share of the evidence that counts: 1 where the structure of the bands is known, a half where
    /// it is rough.
    pub trust: f64,
    build: Build,
}

impl System {
    /// Side to which its bands fade at low v.
    pub fn shading(&self) -> Shading {
        match self.build {
            Build::Simple { upper, lower, .. } if upper.0 > lower.0 => Shading::Violet,
            _ => Shading::Red,
        }
    }
}

const ONE: &[f64] = &[0.0];

/// Systems with known shapes. Rotational constants from memory of Huber and Herzberg (1979); the
/// distances of the spin components are rough (from the spin-orbit constants, from memory).
const SYSTEMS: [System; 8] = [
    System {
        name: "N2 (C-B)",
        temperatures_k: COOL_K,
        trust: 1.0,
        build: Build::Simple {
            upper: (1.8247, 0.0187),
            lower: (1.6375, 0.0179),
            q: 0.0,
            // Heads of the three components lie within some 5 cm⁻¹: the spin-orbit constants 39
            // and 42 cm⁻¹ nearly cancel.
            spin_per_cm: &[0.0, 2.5, 5.0],
        },
    },
    System {
        name: "N2 (B-A)",
        temperatures_k: COOL_K,
        trust: 0.5,
        build: Build::Simple {
            upper: (1.6375, 0.0179),
            lower: (1.4546, 0.0180),
            q: 0.5,
            // Spin-orbit constant of the upper state.
            spin_per_cm: &[0.0, 42.0, 84.0],
        },
    },
    System {
        name: "N2+ (B-X)",
        temperatures_k: COOL_K,
        trust: 1.0,
        build: Build::Simple {
            upper: (2.0746, 0.024),
            lower: (1.9318, 0.0188),
            q: 0.0,
            spin_per_cm: ONE,
        },
    },
    System {
        name: "CN (B-X)",
        temperatures_k: HOT_K,
        trust: 1.0,
        build: Build::Simple {
            upper: (1.973, 0.023),
            lower: (1.8998, 0.0174),
            q: 0.0,
            spin_per_cm: ONE,
        },
    },
    System {
        name: "C2 (d-a)",
        temperatures_k: HOT_K,
        trust: 1.0,
        build: Build::Simple {
            upper: (1.7527, 0.0161),
            lower: (1.6324, 0.0166),
            q: 0.0,
            spin_per_cm: &[0.0, 2.0, 4.0],
        },
    },
    System {
        name: "CO (B-A)",
        temperatures_k: COOL_K,
        trust: 1.0,
        build: Build::Simple {
            upper: (1.9612, 0.0261),
            lower: (1.6115, 0.0233),
            q: 1.0,
            spin_per_cm: ONE,
        },
    },
    System {
        name: "CO (C-A)",
        temperatures_k: COOL_K,
        trust: 1.0,
        build: Build::Simple {
            upper: (1.9533, 0.0196),
            lower: (1.6115, 0.0233),
            q: 1.0,
            spin_per_cm: ONE,
        },
    },
    System { name: "OH (A-X)", temperatures_k: HOT_K, trust: 1.0, build: Build::SigmaPi },
];

/// The system of a species, where its shape is known.
pub fn system(species: &str) -> Option<&'static System> {
    SYSTEMS.iter().find(|s| s.name == species)
}

/// Rotational lines of a band: distance from its head in cm⁻¹ (positive: to higher wavenumbers)
/// and relative light.
#[derive(Debug, Clone, PartialEq)]
pub struct Sticks {
    lines: Vec<(f64, f64)>,
    /// Side to which the band fades.
    pub shading: Shading,
}

/// The rotational lines of the band (v′, v″) at a temperature.
pub fn sticks(system: &System, v: (u32, u32), temperature_k: f64) -> Sticks {
    let kt = PER_CM_PER_K * temperature_k;
    let (mut lines, head, shading) = match system.build {
        Build::Simple { upper, lower, q, spin_per_cm } => {
            simple(rotational(upper, v.0), rotational(lower, v.1), q, spin_per_cm, kt)
        }
        Build::SigmaPi => sigma_pi(v, kt),
    };
    let top = lines.iter().map(|l| l.1).fold(0.0, f64::max);
    lines.retain(|l| l.1 > FAINTEST * top);
    for l in &mut lines {
        l.0 -= head;
    }
    Sticks { lines, shading }
}

fn rotational((b, alpha): (f64, f64), v: u32) -> f64 {
    b - alpha * (f64::from(v) + 0.5)
}

/// P, Q and R lines of rigid rotors: lines, place of the head, side of the flank.
fn simple(
    upper: f64,
    lower: f64,
    q: f64,
    spin: &[f64],
    kt: f64,
) -> (Vec<(f64, f64)>, f64, Shading) {
    // ν = ν₀ + (B′+B″) m + (B′−B″) m², m = −J in P, J+1 in R; its turning point is the head.
    let (sum, change) = (upper + lower, upper - lower);
    let head = -sum * sum / (4.0 * change);
    let shading = if change > 0.0 { Shading::Violet } else { Shading::Red };
    let population = |j: f64| (-upper * j * (j + 1.0) / kt).exp();
    let mut one = Vec::new();
    for j in 0..=MOST_J {
        let j = f64::from(j);
        if j >= 1.0 {
            one.push((-sum * j + change * j * j, j * population(j - 1.0)));
            one.push((change * j * (j + 1.0), q * (2.0 * j + 1.0) * population(j)));
        }
        let m = j + 1.0;
        one.push((sum * m + change * m * m, m * population(m)));
    }
    let towards = if change > 0.0 { 1.0 } else { -1.0 };
    let all =
        spin.iter().flat_map(|s| one.iter().map(move |(nu, w)| (nu + towards * s, *w))).collect();
    (all, head, shading)
}

/// Rotational constant and its centrifugal correction for v = 0, and the fall of the former with
/// each v, of OH A²Σ⁺, cm⁻¹ (from memory).
const OH_UPPER: (f64, f64, f64) = (16.961, 2.04e-3, 0.83);
/// The same of OH X²Π.
const OH_LOWER: (f64, f64, f64) = (18.535, 1.91e-3, 0.72);
/// Spin-orbit constant of OH X²Π, cm⁻¹ (from memory).
const OH_SPIN_ORBIT: f64 = -139.2;
/// Highest rotational number of OH that is drawn: beyond it the upper state breaks up.
const OH_MOST_N: u32 = 25;

/// Main branches of a ²Σ⁺–²Π band: levels of the lower state after E. Hill and J. Van Vleck, Phys.
/// Rev. 32 (1928) 250; the Q branches twice as strong as P and R.
fn sigma_pi(v: (u32, u32), kt: f64) -> (Vec<(f64, f64)>, f64, Shading) {
    let b_upper = OH_UPPER.0 - OH_UPPER.2 * f64::from(v.0);
    let b_lower = OH_LOWER.0 - OH_LOWER.2 * f64::from(v.1);
    let y = OH_SPIN_ORBIT / b_lower;
    let upper = |n: f64| {
        let nn = n * (n + 1.0);
        b_upper * nn - OH_UPPER.1 * nn * nn
    };
    // F1: J = N + 1/2, F2: J = N − 1/2.
    let lower = |n: f64, first: bool| {
        let j = if first { n + 0.5 } else { n - 0.5 };
        let root = 0.5 * (4.0 * (j + 0.5).powi(2) + y * (y - 4.0)).sqrt();
        let nn = n * (n + 1.0);
        b_lower * ((j + 0.5).powi(2) - 1.0 + if first { -root } else { root })
            - OH_LOWER.1 * nn * nn
    };
    let mut lines = Vec::new();
    let mut head = f64::NEG_INFINITY;
    for n in 1..=OH_MOST_N {
        let n = f64::from(n);
        for first in [true, false] {
            let weight = if first { n + 1.0 } else { n };
            for (step, strength) in [(-1.0, 0.5), (0.0, 1.0), (1.0, 0.5)] {
                let up = n + step;
                let nu = upper(up) - lower(n, first);
                if first && step > 0.0 {
                    head = head.max(nu);
                }
                lines.push((nu, weight * strength * (-upper(up) / kt).exp()));
            }
        }
    }
    (lines, head, Shading::Red)
}

/// A band as an instrument draws it, of unit height, by the distance from its head in nm.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawn {
    from_nm: f64,
    step_nm: f64,
    values: Vec<f64>,
}

impl Drawn {
    /// Draws the rotational lines of a band with its head at `head_nm` for the line width
    /// `fwhm_nm` and the Lorentzian share `eta`.
    pub fn new(sticks: &Sticks, head_nm: f64, fwhm_nm: f64, eta: f64) -> Drawn {
        let at = |dnu: f64| NM_PER_CM / (NM_PER_CM / head_nm + dnu) - head_nm;
        let places: Vec<(f64, f64)> = sticks
            .lines
            .iter()
            .map(|(nu, w)| (at(*nu), *w))
            .filter(|(d, _)| d.abs() < LONGEST_FLANK_NM)
            .collect();
        let step_nm = fwhm_nm / STEPS_PER_FWHM;
        let pad = DRAWN_FWHM * fwhm_nm;
        let low = places.iter().map(|p| p.0).fold(0.0, f64::min) - pad;
        let high = places.iter().map(|p| p.0).fold(0.0, f64::max) + pad;
        let n = ((high - low) / step_nm).ceil() as usize + 2;
        let mut comb = vec![0.0; n];
        for (d, w) in places {
            let t = (d - low) / step_nm;
            let i = t.floor() as usize;
            if i + 1 < n {
                comb[i] += w * (1.0 - t.fract());
                comb[i + 1] += w * t.fract();
            }
        }
        let reach = (DRAWN_FWHM * STEPS_PER_FWHM) as usize;
        let line: Vec<f64> =
            (0..=reach).map(|k| pseudo_voigt(k as f64 * step_nm, fwhm_nm, eta).0).collect();
        let mut values = vec![0.0; n];
        for (i, c) in comb.iter().enumerate().filter(|(_, c)| **c > 0.0) {
            for (k, v) in values
                .iter_mut()
                .enumerate()
                .take((i + reach + 1).min(n))
                .skip(i.saturating_sub(reach))
            {
                *v += c * line[k.abs_diff(i)];
            }
        }
        let top = values.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
        for v in &mut values {
            *v /= top;
        }
        Drawn { from_nm: low, step_nm, values }
    }

    /// A single line at the place where the band is highest: the same feature without its shape.
    pub fn as_line(&self, fwhm_nm: f64, eta: f64) -> Drawn {
        let top = self.top_nm();
        let reach = (DRAWN_FWHM * STEPS_PER_FWHM) as i32;
        let step_nm = fwhm_nm / STEPS_PER_FWHM;
        Drawn {
            from_nm: top - f64::from(reach) * step_nm,
            step_nm,
            values: (-reach..=reach)
                .map(|k| pseudo_voigt(f64::from(k) * step_nm, fwhm_nm, eta).0)
                .collect(),
        }
    }

    /// The same band shaded to the other side, its highest place where it was.
    pub fn mirrored(&self) -> Drawn {
        let top = self.top_nm();
        let end = self.from_nm + (self.values.len() - 1) as f64 * self.step_nm;
        let mut values = self.values.clone();
        values.reverse();
        Drawn { from_nm: 2.0 * top - end, step_nm: self.step_nm, values }
    }

    /// Distance of the highest place from the head, nm.
    pub fn top_nm(&self) -> f64 {
        let k = (0..self.values.len())
            .max_by(|a, b| self.values[*a].total_cmp(&self.values[*b]))
            .unwrap_or(0);
        self.from_nm + k as f64 * self.step_nm
    }

    /// Height at a distance from the head, nm (positive: longer wavelengths).
    pub fn at(&self, d_nm: f64) -> f64 {
        let t = (d_nm - self.from_nm) / self.step_nm;
        if t < 0.0 {
            return 0.0;
        }
        let i = t as usize;
        match (self.values.get(i), self.values.get(i + 1)) {
            (Some(a), Some(b)) => a + (b - a) * t.fract(),
            _ => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Heads of OH (0,0): Pearse and Gaydon give 306.36 (R1), 306.72 (R2), 307.80 (Q1), 308.90 nm
    /// (Q2); the levels must put the densest places there, once R1 is set.
    #[test]
    fn oh_shows_its_four_heads() {
        let s = sticks(system("OH (A-X)").unwrap(), (0, 0), 2000.0);
        let d = Drawn::new(&s, 306.36, 0.06, 0.0);
        for head in [306.72, 307.80, 308.90] {
            let near = |a: f64, b: f64| {
                (0..=100)
                    .map(|k| d.at(head - 306.36 + a + (b - a) * f64::from(k) / 100.0))
                    .fold(0.0, f64::max)
            };
            // Light on the red side of the head, little just before it.
            assert!(near(-0.05, 0.3) > 0.3, "{head}: {}", near(-0.05, 0.3));
        }
        assert_eq!(s.shading, Shading::Red);
        assert!(d.at(-0.3) < 1e-6);
    }

    /// N2 (0,0): shaded to the violet, dark beyond the head, and longer the hotter it is.
    #[test]
    fn nitrogen_fades_to_the_violet_and_further_when_hot() {
        let sys = system("N2 (C-B)").unwrap();
        let drawn = |t| Drawn::new(&sticks(sys, (0, 0), t), 337.13, 0.2, 0.0);
        let (cold, hot) = (drawn(300.0), drawn(2000.0));
        assert!(cold.at(0.4) < 1e-3 && cold.at(-0.5) > 0.05, "{}", cold.at(-0.5));
        assert!(hot.at(-2.0) > 2.0 * cold.at(-2.0));
        assert!((-0.25..=0.0).contains(&cold.top_nm()), "{}", cold.top_nm());
        let m = cold.mirrored();
        assert!((m.at(0.7 + 2.0 * cold.top_nm()) - cold.at(-0.7)).abs() < 0.02);
    }

    /// The flank falls as exp(−x/x₀), x₀ = kT |B′−B″|/B′, far from the head, where one branch is
    /// left (closed form of the simulated bands, which neglect the other branch).
    #[test]
    fn far_flank_falls_as_the_closed_form_says() {
        let sys = system("N2 (C-B)").unwrap();
        let t = 800.0;
        let d = Drawn::new(&sticks(sys, (0, 0), t), 337.13, 0.3, 0.0);
        let (b1, b2) = (1.8247 - 0.5 * 0.0187, 1.6375 - 0.5 * 0.0179);
        let x0 = PER_CM_PER_K * t * (b1 - b2) / b1 * 337.13 * 337.13 / NM_PER_CM;
        let slope = (d.at(-2.5) / d.at(-4.0)).ln() / 1.5;
        // The R branch has the term (B′+B″) m as well, which draws it out.
        assert!(slope < 1.0 / x0 && slope > 0.2 / x0, "{slope} {}", 1.0 / x0);
    }
}
