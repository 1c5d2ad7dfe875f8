//! Shares of the light in the bands of ISO 21348.

use super::net::Net;
use crate::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A band of the spectrum as ISO 21348:2007 (and CIE S 017) names it. Its lower edge belongs to it,
/// its upper edge to the next one.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Region {
    /// UV-C, 100 to 280 nm.
    UvC,
    /// UV-B, 280 to 315 nm.
    UvB,
    /// UV-A, 315 to 400 nm.
    UvA,
    /// Visible. ISO 21348 lets it begin at 380 nm, inside UV-A; so that all light counts once it
    /// begins at 400 nm here. Ends at 760 nm.
    Visible,
    /// Near infrared (infrared A), 760 to 1400 nm.
    NearInfrared,
}

impl Region {
    /// All of them, ascending.
    pub const ALL: [Region; 5] =
        [Region::UvC, Region::UvB, Region::UvA, Region::Visible, Region::NearInfrared];

    /// Lower and upper edge, nm.
    ///
    /// Source: ISO 21348:2007; CIE S 017:2020 (edges of the ultraviolet).
    pub fn edges_nm(self) -> [f64; 2] {
        match self {
            Region::UvC => [100.0, 280.0],
            Region::UvB => [280.0, 315.0],
            Region::UvA => [315.0, 400.0],
            Region::Visible => [400.0, 760.0],
            Region::NearInfrared => [760.0, 1400.0],
        }
    }

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Region::UvC => "UV-C",
            Region::UvB => "UV-B",
            Region::UvA => "UV-A",
            Region::Visible => "visible",
            Region::NearInfrared => "near infrared",
        }
    }

    /// The one that a wavelength in nm belongs to; `None` below 100 and from 1400 nm on.
    pub fn of(nm: f64) -> Option<Self> {
        Self::ALL.into_iter().find(|r| (r.edges_nm()[0]..r.edges_nm()[1]).contains(&nm))
    }

    /// True for the three parts of the ultraviolet.
    pub fn is_ultraviolet(self) -> bool {
        matches!(self, Region::UvC | Region::UvB | Region::UvA)
    }
}

/// The light of one region.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RegionShare {
    /// Which.
    pub region: Region,
    /// Part of the region that the recording covers, nm; `None`: none of it.
    pub seen_nm: Option<[f64; 2]>,
    /// Share of the recorded light in that part, 0 to 1; `None` where nothing is seen.
    pub share: Option<Measured>,
    /// Light in that part, counts · nm; `None` where nothing is seen.
    pub light: Option<Measured>,
    /// What of the region the recording does not cover, in words; empty where all is covered.
    pub unseen: String,
}

/// Ends of what of a region a recording from `from` to `to` covers.
fn seen(region: Region, [from, to]: [f64; 2]) -> Option<[f64; 2]> {
    let [a, b] = region.edges_nm();
    let (low, high) = (a.max(from), b.min(to));
    (high > low).then_some([low, high])
}

fn unseen_words(region: Region, seen: Option<[f64; 2]>) -> String {
    let [a, b] = region.edges_nm();
    let nm = |x: f64| format!("{x:.0}");
    match seen {
        None => format!("all of it ({} to {} nm)", nm(a), nm(b)),
        Some([low, high]) => {
            let mut parts = Vec::new();
            if low - a >= 0.5 {
                parts.push(format!("{} to {} nm", nm(a), nm(low)));
            }
            if b - high >= 0.5 {
                parts.push(format!("{} to {} nm", nm(high), nm(b)));
            }
            parts.join(" and ")
        }
    }
}

/// Shares of all regions. `ghosts` are stretches whose light is a second-order image and is left
/// out; `axis_u` gives the standard uncertainty of the axis at a wavelength, nm.
pub(super) fn shares(
    net: &Net,
    ghosts: &[[f64; 2]],
    axis_u: &dyn Fn(f64) -> f64,
) -> Vec<RegionShare> {
    let values = without(net, ghosts);
    let range = net.range();
    let whole = net.light(&values, range[0], range[1]);
    Region::ALL
        .into_iter()
        .map(|region| {
            let covered = seen(region, range);
            let unseen = unseen_words(region, covered);
            let Some([a, b]) = covered else {
                return RegionShare { region, seen_nm: None, share: None, light: None, unseen };
            };
            let light = net.light(&values, a, b);
            // An error of the axis moves light over the edges that lie within the recording.
            let moved = |edge: f64| {
                if edge <= range[0] || edge >= range[1] {
                    return 0.0;
                }
                let u = axis_u(edge);
                0.5 * net.light(&values, edge - u, edge + u).abs()
            };
            let axis = moved(a) - moved(b);
            let level = net.light(&net.level_u, a, b);
            let scatter = net.scatter_u(a, b);
            let light_u = (scatter * scatter + level * level + axis * axis).sqrt();
            // The share's own: a level that is wrong everywhere changes the whole as well.
            let share = (whole > 0.0).then(|| {
                let s = light / whole;
                let level = level - s * net.light(&net.level_u, range[0], range[1]);
                let rest = net.scatter_u(range[0], range[1]);
                let own = scatter * scatter * (1.0 - 2.0 * s) + s * s * rest * rest;
                let u = (own.max(0.0) + level * level + axis * axis).sqrt() / whole;
                Measured::new(s, u)
            });
            RegionShare {
                region,
                seen_nm: covered,
                share,
                light: Some(Measured::new(light, light_u)),
                unseen,
            }
        })
        .collect()
}

/// The light with the ghosts' stretches at nothing.
pub(super) fn without(net: &Net, ghosts: &[[f64; 2]]) -> Vec<f64> {
    let ghost = |x: f64| ghosts.iter().any(|g| (g[0]..=g[1]).contains(&x));
    net.x.iter().zip(&net.y).map(|(x, y)| if ghost(*x) { 0.0 } else { *y }).collect()
}
