//! What sort of source it is, in plain words and with a confidence.
//!
//! Each sort has a score, the product of soft memberships of what it must show; the scores, with a
//! constant for whatever is not in the list, are brought to a sum of 1. The result ranks the
//! sorts; it is not calibrated against a population of lamps.

use super::emission::{Emission, Shape};
use super::mercury::Mercury;
use super::net::Net;
use super::thermal::{FITS_WITHIN, Thermal};
use crate::reference::Tables;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Score of whatever is not in the list.
const SOMETHING_ELSE: f64 = 0.04;
/// Most that is ever stated: a spectrum does not show what stands on the bench.
const SUREST: f64 = 0.97;
/// Probability from which a sort is named without a rival.
const NAMED_FROM: f64 = 0.9;
/// Phosphor peaks of a fluorescent lamp are looked for within this distance, nm.
const PHOSPHOR_WITHIN_NM: f64 = 2.5;
/// The strongest narrow phosphor peaks, nm: terbium 487.7, 542 to 546, europium 611 (values from
/// memory of the Phosphor Handbook).
const PHOSPHOR_NM: [f64; 3] = [487.7, 543.5, 611.5];
/// Centre of the band of oxygen in the air's spectrum, nm, and where the curve beside it is
/// undisturbed.
const OXYGEN_NM: (f64, f64, f64) = (761.0, 744.0, 779.0);

/// Sort of a source.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SourceKind {
    /// A single LED.
    Led,
    /// LEDs of several colours.
    SeveralLeds,
    /// A blue LED with a yellow phosphor.
    WhiteLed,
    /// Mercury at low pressure, no phosphor.
    LowPressureMercury,
    /// Mercury at higher pressure.
    HighPressureMercury,
    /// A fluorescent lamp for light, with narrow or broad phosphors.
    Fluorescent,
    /// A fluorescent lamp whose phosphor gives ultraviolet.
    UltravioletFluorescent,
    /// A glowing wire.
    Incandescent,
    /// The sun or the sky.
    Daylight,
    /// Another discharge lamp or tube.
    OtherDischarge,
    /// One single line.
    SingleLine,
    /// None of these.
    SomethingElse,
    /// No light above the scatter.
    Nothing,
}

impl SourceKind {
    /// In plain words.
    pub fn words(self) -> &'static str {
        match self {
            SourceKind::Led => "light-emitting diode",
            SourceKind::SeveralLeds => "light-emitting diodes of several colours",
            SourceKind::WhiteLed => "white light-emitting diode (blue diode with a phosphor)",
            SourceKind::LowPressureMercury => {
                "low-pressure mercury lamp without phosphor (as in sterilisers)"
            }
            SourceKind::HighPressureMercury => "mercury lamp of higher pressure",
            SourceKind::Fluorescent => "fluorescent lamp (mercury with phosphors for white light)",
            SourceKind::UltravioletFluorescent => {
                "ultraviolet fluorescent lamp (mercury with an ultraviolet phosphor)"
            }
            SourceKind::Incandescent => "incandescent lamp",
            SourceKind::Daylight => "daylight",
            SourceKind::OtherDischarge => "gas discharge (lines; `glowtell gases` says of what)",
            SourceKind::SingleLine => "one single line: a laser, or the only line in range",
            SourceKind::SomethingElse => "something else",
            SourceKind::Nothing => "no light above the scatter",
        }
    }
}

/// What sort of source it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct KindReport {
    /// The likeliest sort.
    pub kind: SourceKind,
    /// Its probability, 0 to 1.
    pub probability: f64,
    /// All sorts with at least 1 %, likeliest first.
    pub candidates: Vec<(SourceKind, f64)>,
    /// `likely` from 90 % on, else `undecided`.
    pub word: String,
    /// Why, in one sentence.
    pub reason: String,
}

/// 1 between `low` and `high`, falling to a half one `soft` outside and on.
fn within(x: f64, low: f64, high: f64, soft: f64) -> f64 {
    let out = (low - x).max(x - high).max(0.0);
    (-std::f64::consts::LN_2 * (out / soft).powi(2)).exp()
}

/// 0 far below `middle`, a half there, 1 far above; `soft` is a quarter of the way.
fn above(x: f64, middle: f64, soft: f64) -> f64 {
    1.0 / (1.0 + (-(x - middle) / soft).exp())
}

/// What the sorts are told apart by.
struct Seen {
    mercury: f64,
    /// Share of the light in mercury's lines.
    mercury_light: f64,
    /// Share of the light in ultraviolet lines that are not mercury's.
    strange_ultraviolet: f64,
    lines: f64,
    line_count: usize,
    bands: Vec<(f64, f64, f64)>,
    band_share: f64,
    continuum: f64,
    oxygen_dip: f64,
    blue_over_red: Option<f64>,
    phosphor_peaks: usize,
}

impl Seen {
    fn new(net: &Net, emissions: &[Emission], mercury: &Mercury, tables: &Tables) -> Self {
        let of = |shape: Shape| emissions.iter().filter(move |e| e.shape == shape && !e.ghost);
        let bands = of(Shape::Band)
            .map(|e| {
                let width = e.fwhm_nm.map_or(e.limits_nm[1] - e.limits_nm[0], |w| w.value);
                (e.peak_nm.value, width, e.share)
            })
            .collect();
        let shift = mercury.axis_reads_high_nm.value;
        let is_mercury = |nm: f64| {
            mercury.seen().any(|c| c.found_nm.is_some_and(|f| (f.value - nm).abs() < 0.1))
        };
        let narrow_phosphor = |nm: f64| {
            tables.lamp().iter().any(|f| f.is_phosphor && (f.wavelength_nm - nm).abs() < 2.0)
        };
        let phosphor_peaks = PHOSPHOR_NM
            .iter()
            .filter(|p| {
                let near = |e: &&Emission| {
                    let at = e.peak_nm.value - shift;
                    (at - **p).abs() <= PHOSPHOR_WITHIN_NM
                        && narrow_phosphor(at)
                        && !is_mercury(e.peak_nm.value)
                        && e.fwhm_nm.is_none_or(|w| w.value < 16.0)
                };
                emissions.iter().any(|e| near(&e))
            })
            .count();
        let dip = || {
            let (centre, left, right) = OXYGEN_NM;
            let sides = 0.5 * (net.mean_at(left, 4.0)? + net.mean_at(right, 4.0)?);
            // An axis may be off: the lowest place nearby.
            let lowest = (-4..=4)
                .filter_map(|k| net.mean_at(centre + f64::from(k), 1.5))
                .fold(f64::INFINITY, f64::min);
            (sides > 0.0).then_some(1.0 - lowest / sides)
        };
        Seen {
            mercury: mercury.probability,
            mercury_light: of(Shape::Line)
                .filter(|e| e.taken_for.starts_with("Hg"))
                .map(|e| e.share)
                .sum(),
            strange_ultraviolet: of(Shape::Line)
                .filter(|e| {
                    (e.taken_for.is_empty() || e.rises_to_end)
                        && (285.0..400.0).contains(&e.peak_nm.value)
                })
                .map(|e| e.share)
                .sum(),
            lines: of(Shape::Line).map(|e| e.share).sum(),
            line_count: of(Shape::Line).count(),
            bands,
            band_share: of(Shape::Band).map(|e| e.share).sum(),
            continuum: of(Shape::Continuum).map(|e| e.share).sum(),
            oxygen_dip: dip().unwrap_or(0.0),
            blue_over_red: net
                .mean_at(450.0, 10.0)
                .zip(net.mean_at(650.0, 10.0))
                .filter(|(blue, red)| *blue > 0.0 && *red > 0.0)
                .map(|(blue, red)| blue / red),
            phosphor_peaks,
        }
    }

    /// Share of the light in bands whose peak and width are within these.
    fn band(&self, peak: [f64; 2], width: [f64; 2]) -> f64 {
        self.bands
            .iter()
            .map(|(p, w, share)| {
                let fits = within(*p, peak[0], peak[1], 5.0)
                    * within(*w, width[0], width[1], 0.25 * width[1]);
                share * fits
            })
            .sum()
    }
}

/// Judges the sort.
pub(super) fn kind(
    net: &Net,
    emissions: &[Emission],
    mercury: &Mercury,
    thermal: Option<&Thermal>,
    corrected: bool,
    tables: &Tables,
) -> KindReport {
    if emissions.is_empty() {
        return KindReport {
            kind: SourceKind::Nothing,
            probability: SUREST,
            candidates: vec![(SourceKind::Nothing, SUREST)],
            word: "likely".into(),
            reason: "neither a line nor a band stands clearly above the scatter".into(),
        };
    }
    let s = Seen::new(net, emissions, mercury, tables);
    let scores = scores(&s, mercury, thermal, corrected);
    let sum: f64 = scores.iter().map(|s| s.1).sum::<f64>() + SOMETHING_ELSE;
    let mut all: Vec<(SourceKind, f64)> =
        scores.into_iter().map(|(k, v)| (k, (v / sum).min(SUREST))).collect();
    all.push((SourceKind::SomethingElse, (SOMETHING_ELSE / sum).min(SUREST)));
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    all.retain(|c| c.1 >= 0.01);
    let (kind, probability) = all[0];
    KindReport {
        kind,
        probability,
        // What fits nothing is not named.
        word: if probability >= NAMED_FROM && kind != SourceKind::SomethingElse {
            "likely"
        } else {
            "undecided"
        }
        .into(),
        reason: reason(kind, &s, mercury, thermal),
        candidates: all,
    }
}

fn scores(
    s: &Seen,
    mercury: &Mercury,
    thermal: Option<&Thermal>,
    corrected: bool,
) -> Vec<(SourceKind, f64)> {
    let hg = s.mercury;
    // Faint mercury lines beside other light are those of a lamp in the room.
    let no_hg = 1.0 - hg * above(s.mercury_light, 0.03, 0.006);
    let smooth = 1.0 - above(s.lines, 0.1, 0.02);
    let few_lines = 1.0 - above(s.lines, 0.05, 0.01);
    let main = s.bands.iter().map(|b| b.2).fold(0.0, f64::max);
    // LEDs: 6 to 45 nm; the instrument adds its own.
    let led = s.band([200.0, 1100.0], [6.0, 50.0]);
    let blue = s.band([425.0, 485.0], [10.0, 45.0]);
    let yellow = s.band([490.0, 680.0], [60.0, 175.0]);
    // Phosphors for the ultraviolet are broader than LEDs, or a line of gadolinium at 311 nm.
    let uv_band: f64 = s
        .bands
        .iter()
        .map(|(p, w, share)| share * within(*p, 285.0, 400.0, 3.0) * within(*w, 15.0, 80.0, 2.0))
        .sum::<f64>()
        + s.strange_ultraviolet;
    let visible_band = s.band([420.0, 680.0], [15.0, 175.0]);
    let planck = thermal.map_or(0.0, |t| {
        within(t.departure, 0.0, FITS_WITHIN, 0.5 * FITS_WITHIN)
            * within(t.temperature_k.value, 1800.0, 3400.0, 500.0 + t.temperature_k.u)
    });
    // A response that is not known may bend any black body's form.
    let planck = if corrected { planck } else { planck.max(0.5) };
    let dip = above(s.oxygen_dip, 0.12, 0.025);
    let blueish = s.blue_over_red.map_or(0.5, |r| above(r.ln(), (0.42f64).ln(), 0.1));
    // At low pressure the lines of 436 and 546 nm outshine the group at 365 nm and the yellow pair,
    // at high pressure these are as strong or stronger (handbooks of lamps, values from memory).
    let low = match (mercury.resonance_over_blue, mercury.group_365_over_blue) {
        (Some(r), _) if r > 3.0 => 1.0,
        (_, Some(g)) => 1.0 - above(g, 0.9, 0.12),
        _ => mercury.yellow_over_green.map_or(0.5, |y| 1.0 - above(y, 0.55, 0.08)),
    };
    let lines_alone = above(s.lines, 0.6, 0.05);
    let uv_phosphor = above(uv_band, 0.15, 0.03);
    let phosphors = above(s.phosphor_peaks as f64, 1.5, 0.2);
    let lit = above(visible_band + s.continuum, 0.15, 0.03).max(phosphors);
    let dark_glass: f64 = s
        .bands
        .iter()
        .map(|(p, w, share)| share * within(*p, 345.0, 375.0, 3.0) * within(*w, 14.0, 26.0, 2.0))
        .sum();
    let one_line = s.line_count == 1 && s.lines > 0.8;
    vec![
        (SourceKind::Led, no_hg * few_lines * above(led, 0.75, 0.04) * above(main, 0.8, 0.03)),
        (
            SourceKind::SeveralLeds,
            no_hg * few_lines * above(led, 0.85, 0.03) * (1.0 - above(main, 0.85, 0.03)),
        ),
        (
            SourceKind::WhiteLed,
            no_hg
                * few_lines
                * above(blue, 0.03, 0.007)
                * above(yellow, 0.3, 0.05)
                * above(blue + yellow, 0.75, 0.05),
        ),
        (SourceKind::LowPressureMercury, hg * lines_alone * low * (1.0 - phosphors)),
        (SourceKind::HighPressureMercury, hg * lines_alone * (1.0 - low) * (1.0 - phosphors)),
        (
            SourceKind::Fluorescent,
            hg * lit * (1.0 - uv_phosphor) * (1.0 - 0.9 * lines_alone * (1.0 - phosphors)),
        ),
        (SourceKind::UltravioletFluorescent, hg * uv_phosphor),
        (
            // Dark glass may hide the mercury lines of a black light.
            SourceKind::UltravioletFluorescent,
            0.05 * (1.0 - hg) * few_lines * dark_glass,
        ),
        (
            SourceKind::Incandescent,
            no_hg * smooth * above(s.continuum, 0.7, 0.05) * (1.0 - dip) * (1.0 - blueish) * planck,
        ),
        (
            SourceKind::Daylight,
            no_hg * smooth * above(s.continuum, 0.5, 0.05) * blueish * (0.15 + 0.85 * dip),
        ),
        (
            SourceKind::OtherDischarge,
            (1.0 - hg) * above(s.lines, 0.4, 0.05) * above(s.line_count as f64, 2.5, 0.3),
        ),
        (SourceKind::SingleLine, if one_line { 1.0 - hg } else { 0.0 }),
    ]
    .into_iter()
    .fold(Vec::new(), |mut out: Vec<(SourceKind, f64)>, (k, v)| {
        // Two ways to the same sort count together.
        match out.iter_mut().find(|o| o.0 == k) {
            Some(o) => o.1 += v,
            None => out.push((k, v)),
        }
        out
    })
}

fn reason(kind: SourceKind, s: &Seen, mercury: &Mercury, thermal: Option<&Thermal>) -> String {
    let percent = |x: f64| format!("{:.0} %", 100.0 * x.clamp(0.0, 1.0).abs());
    let lines = || {
        let seen: Vec<String> = mercury.seen().map(|c| format!("{:.1}", c.line_nm)).collect();
        seen.join(", ")
    };
    let main = s.bands.iter().max_by(|a, b| a.2.total_cmp(&b.2));
    match kind {
        SourceKind::Led => match main {
            Some((peak, width, share)) => format!(
                "{} of the light is one band at {peak:.1} nm, {width:.0} nm wide, without lines",
                percent(*share)
            ),
            None => "one narrow band".into(),
        },
        SourceKind::SeveralLeds => format!(
            "{} narrow bands without lines, at {} nm",
            s.bands.len(),
            s.bands.iter().map(|b| format!("{:.0}", b.0)).collect::<Vec<_>>().join(", ")
        ),
        SourceKind::WhiteLed => {
            "a blue band beside a broad one in the visible, and no lines".to_string()
        }
        SourceKind::LowPressureMercury if mercury.shows_resonance() => format!(
            "mercury lines at {} nm with little else; 253.65 nm is by far the strongest",
            lines()
        ),
        SourceKind::LowPressureMercury => format!(
            "mercury lines at {} nm with little else, and the group at 365 nm is weaker than \
             435.8 nm",
            lines()
        ),
        SourceKind::HighPressureMercury => {
            format!("mercury lines at {} nm, and those at 365 and 578 nm are strong", lines())
        }
        SourceKind::Fluorescent => {
            format!("mercury lines at {} nm on the light of phosphors", lines())
        }
        SourceKind::UltravioletFluorescent if s.mercury > 0.5 => format!(
            "mercury lines at {} nm beside a band of ultraviolet as broad as a phosphor's",
            lines()
        ),
        SourceKind::UltravioletFluorescent => {
            "an ultraviolet band as broad as a phosphor's".to_string()
        }
        SourceKind::Incandescent => {
            let t = thermal.map_or(String::new(), |t| {
                format!(", within {} of a black body's", percent(t.departure))
            });
            format!("a smooth continuum that rises to the red{t}")
        }
        SourceKind::Daylight if s.oxygen_dip > 0.12 => format!(
            "a continuum strong in the blue, with the dip of the air's oxygen at 761 nm ({} deep)",
            percent(s.oxygen_dip)
        ),
        SourceKind::Daylight => "a continuum strong in the blue, without lines".to_string(),
        SourceKind::OtherDischarge => {
            format!("{} lines hold {} of the light", s.line_count, percent(s.lines))
        }
        SourceKind::SingleLine => format!("one line holds {} of the light", percent(s.lines)),
        SourceKind::SomethingElse | SourceKind::Nothing => format!(
            "lines hold {} of the light, bands {}, a continuum {}, which fits no sort well",
            percent(s.lines),
            percent(s.band_share),
            percent(s.continuum)
        ),
    }
}
