//! Everything that one recording says of a source.

use super::claim::Claim;
use super::emission::{Emission, Shape, emissions};
use super::energy::{CathodeReach, PhotonEnergy, cathodes, energies};
use super::hazard::{Hazard, hazard};
use super::judge::{ClaimResult, Evidence, Outcome, judge};
use super::kind::{KindReport, SourceKind, kind};
use super::mercury::{Mercury, mercury};
use super::net::Net;
use super::region::{Region, RegionShare, shares, without};
use super::response::Response;
use super::thermal::{COLOUR_NM, Colour, Thermal, colour, covers_colour, thermal};
use super::{Band, band};
use crate::reference::{LightTables, Tables};
use crate::signal::PeakList;
use crate::{AxisKind, Error, Measured, Result, Spectrum};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Mercury lines nearer than this to a peak name it, nm, after the common shift.
const NAME_WITHIN_NM: f64 = 0.8;
/// Root mean square departure from Planck's law up to which a temperature is told.
const MOST_DEPARTURE: f64 = 0.25;
/// Share of the light from which ultraviolet calls for its caution.
const SOME_ULTRAVIOLET: f64 = 0.002;

/// What is known of the response.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ResponseKnown {
    /// Nothing: shares are of counts.
    #[default]
    No,
    /// The recording is corrected for it already.
    Corrected,
    /// A curve.
    Curve(Response),
}

/// Choices for [`measure`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct SourceSettings {
    /// Standard uncertainty in nm of an nm axis that nobody has calibrated.
    pub factory_axis_u_nm: f64,
    /// The instrument's response.
    pub response: ResponseKnown,
    /// Labels to be judged.
    pub claims: Vec<String>,
}

impl Default for SourceSettings {
    fn default() -> Self {
        SourceSettings {
            factory_axis_u_nm: FACTORY_AXIS_U_NM,
            response: ResponseKnown::No,
            claims: Vec::new(),
        }
    }
}

/// Standard uncertainty of a factory's axis, nm: those of cheap instruments are off by up to a
/// few nm (common practice, no published source). The same as for gases.
pub const FACTORY_AXIS_U_NM: f64 = 1.2;

/// What a source emits, as far as this recording shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SourceReport {
    /// What sort of source it is.
    pub kind: KindReport,
    /// The band with the highest point, by [`band`]; `None` where nothing stands out.
    pub band: Option<Band>,
    /// Lines, bands and continua, ascending.
    pub emissions: Vec<Emission>,
    /// Shares of the light by ISO 21348.
    pub regions: Vec<RegionShare>,
    /// Stretch of the recording that was used, nm (air).
    pub range_nm: [f64; 2],
    /// Evidence for a mercury lamp.
    pub mercury: Mercury,
    /// The spectrum held against Planck's law, for a continuum.
    pub thermal: Option<Thermal>,
    /// Colour, where counts are light.
    pub colour: Option<Colour>,
    /// Hazard-weighted shares, relative only.
    pub hazard: Hazard,
    /// Photon energies.
    pub energies: Vec<PhotonEnergy>,
    /// Cathodes before this light.
    pub cathodes: Vec<CathodeReach>,
    /// Labels and what became of them.
    pub claims: Vec<ClaimResult>,
    /// Where the response is from; `None`: not known, shares are of counts.
    pub response: Option<String>,
    /// Level that was taken for dark, counts.
    pub dark: Measured,
    /// Number of clipped points.
    pub clipped: usize,
    /// True where there is ultraviolet, or where there may be some that is not seen.
    pub ultraviolet: bool,
    /// The same for UV-C and UV-B.
    pub short_ultraviolet: bool,
    /// What to beware of, one sentence each.
    pub notes: Vec<String>,
}

impl SourceReport {
    /// True where a label does not hold.
    pub fn some_claim_fails(&self) -> bool {
        self.claims.iter().any(|c| c.outcome == Outcome::DoesNotHold)
    }

    /// The emission with most of the light, second-order images apart.
    pub fn main_emission(&self) -> Option<&Emission> {
        let real = self.emissions.iter().filter(|e| !e.ghost);
        real.max_by(|a, b| a.share.total_cmp(&b.share))
    }

    /// The share of a region.
    pub fn share(&self, region: Region) -> Option<Measured> {
        self.regions.iter().find(|r| r.region == region)?.share
    }
}

/// Checks labels before any long work.
///
/// # Errors
/// [`Error::Usage`] with the first that cannot be read.
pub fn check_claims(claims: &[String]) -> Result<()> {
    claims.iter().try_for_each(|c| Claim::parse(c).map(|_| ()))
}

/// Measures a source: what it emits, what sort it is, what its labels are worth.
///
/// `peaks` are those of the recording (`signal::find_peaks`).
///
/// # Errors
/// [`Error::Refused`] where the axis is in pixels or too few points are usable;
/// [`Error::Usage`] where a label cannot be read.
///
/// ```
/// use glowtell::reference::{LightTables, Tables};
/// use glowtell::signal::{PeakSettings, find_peaks};
/// use glowtell::source::{Outcome, SourceKind, SourceSettings, measure};
/// use glowtell::{Axis, AxisKind, Spectrum};
/// let nm: Vec<f64> = (0..1500).map(|i| 320.0 + 0.3 * f64::from(i)).collect();
/// let led = |x: &f64| 20.0 + 900.0 * (-((x - 396.5) / 7.0).powi(2)).exp() + (x * 7.3).sin();
/// let counts = nm.iter().map(led).collect();
/// let spectrum = Spectrum::new(Axis::new(AxisKind::Nm, nm)?, counts)?;
/// let peaks = find_peaks(&spectrum, &PeakSettings::default())?;
/// let settings = SourceSettings { claims: vec!["365".into()], ..SourceSettings::default() };
/// let report = measure(
///     &spectrum,
///     &peaks,
///     &Tables::bundled()?,
///     &LightTables::bundled()?,
///     &settings,
/// )?;
/// assert_eq!(report.kind.kind, SourceKind::Led);
/// assert_eq!(report.claims[0].outcome, Outcome::DoesNotHold);
/// # Ok::<(), glowtell::Error>(())
/// ```
pub fn measure(
    spectrum: &Spectrum,
    peaks: &PeakList,
    tables: &Tables,
    light: &LightTables,
    settings: &SourceSettings,
) -> Result<SourceReport> {
    check_claims(&settings.claims)?;
    let refused = |why: &str, remedy: &str| {
        let name = match spectrum.provenance.name.as_str() {
            "" => "the recording",
            name => name,
        };
        Error::refused(format!("measuring the light of {name}"), why, remedy)
    };
    if spectrum.axis().kind() != AxisKind::Nm {
        return Err(refused(
            "the axis is in pixels",
            "calibrate the instrument by a lamp (`glowtell calibrate`) and give its profile",
        ));
    }
    let raw = Net::new(spectrum, peaks)
        .ok_or_else(|| refused("too few points are usable", "record the whole spectrum"))?;
    let mut notes = Vec::new();
    let axis_u = |nm: f64| spectrum.axis_u_at(nm).unwrap_or(settings.factory_axis_u_nm);
    if spectrum.axis_u().is_none() {
        notes.push(format!(
            "the axis is the file's own, never checked here: ± {} nm is reckoned with; a lamp \
             (`glowtell calibrate`) makes it surer",
            settings.factory_axis_u_nm
        ));
    }
    let (net, response) = corrected(&raw, &settings.response, &mut notes)
        .ok_or_else(|| refused("the response curve covers too little of it", "give another one"))?;
    if let Some((_, a, b)) = spectrum.axis().gap() {
        notes.push(format!(
            "the axis leaps from {a:.1} to {b:.1} nm, as where the stretches of two detectors were \
             joined: nothing is known of the light between, and the heights on either side may not \
             compare"
        ));
    }
    if !raw.dark_seen {
        notes.push(format!(
            "no part of the recording is dark, so its dark level is not known: half of the lowest \
             light was taken off ({:.4} counts); record a dark frame and subtract it",
            raw.dark.value
        ));
    }
    if let Some(height) = raw.pedestal {
        notes.push(format!(
            "a broad rest of up to {height:.0} counts under the lines is taken for unevenness of \
             the dark level ({:.0} counts) and left out; a dark frame would tell",
            raw.dark.value
        ));
    }
    // Mercury is looked for in the counts as they are; a response changes no place.
    let mercury = mercury(&raw, peaks, &axis_u);
    let mut list = emissions(&net, peaks, &axis_u);
    let mut net = net;
    if !list.is_empty() && list.iter().all(|e| e.shape == Shape::Line) {
        net = net.lines_only();
        list = emissions(&net, peaks, &axis_u);
        notes.push(format!(
            "only lines stand out: shares are of their light; a continuum below {:.3} % of the \
             highest point would not show and is in no share",
            100.0 * 2.0 * raw.dark.u / raw.highest().max(f64::MIN_POSITIVE)
        ));
    }
    let measured = band(spectrum).ok();
    if nothing_there(&measured, &raw) {
        list.clear();
    }
    name_lines(&mut list, &mercury);
    let is_corrected = response.is_some();
    let continuum: f64 = list.iter().filter(|e| e.shape == Shape::Continuum).map(|e| e.share).sum();
    let thermal = if continuum > 0.3 { thermal(&net, is_corrected) } else { None };
    let thermal = thermal.filter(|t| t.departure < MOST_DEPARTURE);
    if continuum > 0.3 && thermal.is_none() {
        notes.push(
            "no colour temperature: the form of the continuum is that of no black body, neither as \
             recorded nor as counts of a usual silicon array"
                .into(),
        );
    }
    let kind = kind(&net, &list, &mercury, thermal.as_ref(), is_corrected, tables);
    if mercury.probability > 0.5 && !shows_mercury(kind.kind) {
        notes.push(
            "faint mercury lines stand beside it: a fluorescent lamp in the room, perhaps".into(),
        );
    }
    let ghosts: Vec<[f64; 2]> = list.iter().filter(|e| e.ghost).map(|e| e.limits_nm).collect();
    if !ghosts.is_empty() {
        notes.push(format!(
            "light near {} nm is the second-order image of shorter waves; it is in no share",
            list.iter()
                .filter(|e| e.ghost)
                .map(|e| format!("{:.0}", e.peak_nm.value))
                .collect::<Vec<_>>()
                .join(", ")
        ));
    }
    let clipped = peaks.saturation.map_or(0, |s| s.points).max(raw.clipped);
    if clipped > 0 {
        notes.push(format!(
            "clipped at {clipped} points: the strongest light is underrated, so every share of the \
             rest is too large; record with a shorter exposure"
        ));
    }
    if !is_corrected {
        notes.push(
            "the response is not known: shares are shares of counts, and silicon arrays underrate \
             ultraviolet and near infrared by up to twenty times"
                .into(),
        );
    }
    let regions = if list.is_empty() {
        shares(&net, &[], &axis_u).into_iter().map(|r| RegionShare { share: None, ..r }).collect()
    } else {
        shares(&net, &ghosts, &axis_u)
    };
    let values = without(&net, &ghosts);
    let whole = net.light(&values, f64::NEG_INFINITY, f64::INFINITY);
    let share_of = |from: f64, to: f64| {
        if whole > 0.0 { net.light(&values, from, to) / whole } else { 0.0 }
    };
    let evidence = Evidence {
        emissions: &list,
        regions: &regions,
        mercury: &mercury,
        kind: &kind,
        range_nm: net.range(),
        corrected: is_corrected,
        calibrated: spectrum.axis_u().is_some(),
        axis_u: &axis_u,
        share: &share_of,
    };
    let claims = settings.claims.iter().map(|c| judge(c, &evidence)).collect::<Result<Vec<_>>>()?;
    let colour = if is_corrected && !list.is_empty() { colour(&net, light) } else { None };
    if is_corrected && !list.is_empty() && !covers_colour(&net) {
        let ([a, b], [c, d]) = (COLOUR_NM, net.range());
        notes.push(format!(
            "no colour: that takes all of {a:.0} to {b:.0} nm, and the light is known from {c:.0} to \
             {d:.0} nm only"
        ));
    }
    let (ultraviolet, short_ultraviolet) =
        warned(&regions, &list, &kind, &mercury, &claims, net.range());
    Ok(SourceReport {
        band: measured,
        energies: energies(&list),
        cathodes: cathodes(&list, &mercury, net.range()[0], light),
        hazard: hazard(&net, &ghosts, light),
        range_nm: net.range(),
        emissions: list,
        kind,
        regions,
        mercury,
        thermal,
        colour,
        claims,
        response,
        dark: raw.dark,
        clipped,
        ultraviolet,
        short_ultraviolet,
        notes,
    })
}

/// The light with the response divided out as far as it is known, and where that is from.
fn corrected(
    raw: &Net,
    response: &ResponseKnown,
    notes: &mut Vec<String>,
) -> Option<(Net, Option<String>)> {
    match response {
        ResponseKnown::No => Some((raw.clone(), None)),
        ResponseKnown::Corrected => Some((raw.clone(), Some("corrected already, as told".into()))),
        ResponseKnown::Curve(r) => {
            let net = raw.corrected(r);
            if net.x.len() < super::LEAST_POINTS {
                return None;
            }
            let ([a, b], [c, d]) = (raw.range(), net.range());
            if c - a > 1.0 || b - d > 1.0 {
                notes.push(format!(
                    "the response is known from {c:.0} to {d:.0} nm: what the recording holds \
                     beyond that is in no share"
                ));
            }
            notes.extend(r.notes.iter().cloned());
            Some((net, Some(r.origin.clone())))
        }
    }
}

/// True for the sorts that mercury lines belong to.
fn shows_mercury(kind: SourceKind) -> bool {
    matches!(
        kind,
        SourceKind::LowPressureMercury
            | SourceKind::HighPressureMercury
            | SourceKind::Fluorescent
            | SourceKind::UltravioletFluorescent
            | SourceKind::OtherDischarge
    )
}

/// True where neither a band nor a line stands out.
fn nothing_there(band: &Option<Band>, net: &Net) -> bool {
    band.is_none() && net.lines.is_empty()
}

/// Names lines that are mercury's.
fn name_lines(list: &mut [Emission], mercury: &Mercury) {
    if mercury.probability < 0.5 {
        return;
    }
    let shift = mercury.axis_reads_high_nm.value;
    for e in list.iter_mut().filter(|e| e.shape == Shape::Line && !e.ghost) {
        let of_list = mercury
            .seen()
            .find(|c| c.found_nm.is_some_and(|f| (f.value - e.peak_nm.value).abs() < 1e-6));
        // The rest of the group at 365 nm and the second of the yellow pair.
        let others = [312.567, 313.17, 334.148, 365.484, 366.328, 407.783, 576.961, 579.067];
        let near = others.iter().find(|o| (e.peak_nm.value - shift - **o).abs() < NAME_WITHIN_NM);
        if let Some(c) = of_list {
            e.taken_for = match c.line_nm {
                // Groups that cheap instruments show as one.
                313.1 => "Hg I 312.6 to 313.2".into(),
                365.02 => "Hg I 365.0 to 366.3".into(),
                578.0 => "Hg I 577.0 and 579.1".into(),
                nm => format!("Hg I {nm:.2}"),
            };
        } else if let Some(o) = near {
            e.taken_for = format!("Hg I {o:.2}");
        }
    }
}

/// Whether ultraviolet, and whether short ultraviolet, must be reckoned with.
fn warned(
    regions: &[RegionShare],
    list: &[Emission],
    kind: &KindReport,
    mercury: &Mercury,
    claims: &[ClaimResult],
    [from, _]: [f64; 2],
) -> (bool, bool) {
    let some = |r: Region| {
        regions
            .iter()
            .find(|s| s.region == r)
            .and_then(|s| s.share)
            .is_some_and(|s| s.value > SOME_ULTRAVIOLET && s.value > 2.0 * s.u)
    };
    let said = |upto: f64| claims.iter().any(|c| c.claim.window_nm()[0] < upto);
    let unseen = from > Region::UvB.edges_nm()[0];
    let bare_mercury = mercury.probability > 0.5
        && matches!(
            kind.kind,
            SourceKind::LowPressureMercury
                | SourceKind::HighPressureMercury
                | SourceKind::UltravioletFluorescent
        );
    let short = some(Region::UvC)
        || some(Region::UvB)
        || said(Region::UvB.edges_nm()[1])
        || (bare_mercury && (unseen || mercury.shows_resonance()));
    // Emissions count one by one: a region's share may drown in the uncertainty of its dark level.
    let emitted = list.iter().any(|e| {
        !e.ghost && e.share > SOME_ULTRAVIOLET && e.peak_nm.value < Region::UvA.edges_nm()[1]
    });
    // Every mercury discharge makes ultraviolet; what of it comes out is the glass's affair.
    let any = emitted || mercury.probability > 0.5;
    (short || any || some(Region::UvA) || said(Region::UvA.edges_nm()[1]), short)
}
