//! The whole way of one recording.

use super::without_room;
use crate::calibrate::Profile;
use crate::gases::{GasReport, GasSettings, Verdict, identify};
use crate::reference::Tables;
use crate::signal::{PeakList, PeakSettings, find_peaks};
use crate::source::Response;
use crate::{AxisKind, Error, Result, Spectrum};
use serde::{Deserialize, Serialize};

/// Choices for [`examine`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Settings {
    /// How lines are found. Where no line width is given, that of the profile is taken.
    pub peaks: PeakSettings,
    /// How gases are identified.
    pub gases: GasSettings,
    /// False: stop after the lines.
    pub identify: bool,
    /// The light of the room, recorded by itself on the same instrument; it is taken away first.
    #[serde(skip)]
    pub room: Option<Spectrum>,
    /// The instrument's response, which recordings are divided by once they are on their axis.
    #[serde(skip)]
    pub response: Option<Response>,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            peaks: PeakSettings::default(),
            gases: GasSettings::default(),
            identify: true,
            room: None,
            response: None,
        }
    }
}

/// All that was found out about one recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Examination {
    /// The recording, on the calibrated axis where there was a profile.
    pub spectrum: Spectrum,
    /// Its lines.
    pub peaks: PeakList,
    /// Its gases, where that was asked for.
    pub gases: Option<GasReport>,
    /// What this step took for granted, one sentence each.
    pub notes: Vec<String>,
}

impl Examination {
    /// Everything guessed or taken for granted on the way from the file to the answer, in the
    /// order in which it happened, each sentence once.
    pub fn all_notes(&self) -> Vec<&str> {
        let gases = self.gases.as_ref().map_or(&[][..], |g| &g.notes);
        let mut all: Vec<&str> = Vec::new();
        for list in [&self.spectrum.provenance.notes, &self.notes, &self.peaks.notes] {
            all.extend(list.iter().map(String::as_str));
        }
        all.extend(gases.iter().map(String::as_str));
        let mut seen = std::collections::HashSet::new();
        all.retain(|n| seen.insert(*n));
        all
    }
}

/// Sets the axis by the profile (if there is one), finds the lines and holds them against the
/// tables.
///
/// # Errors
/// [`Error::Refused`] where the profile is of another instrument, where the recording has no
/// usable points, and where gases are asked for on an axis that is still in pixels;
/// those of [`without_room`]; [`Error::Usage`] where a species is asked about that the tables do not have.
pub fn examine(
    spectrum: Spectrum,
    profile: Option<&Profile>,
    tables: &Tables,
    settings: &Settings,
) -> Result<Examination> {
    let mut notes = Vec::new();
    let spectrum = match &settings.room {
        Some(room) => {
            let taken = without_room(&spectrum, room)?;
            if settings.identify && taken.times.value > 0.0 {
                notes.extend(in_both(&spectrum, room, profile, tables, settings));
            }
            taken.spectrum
        }
        None => spectrum,
    };
    let spectrum = match profile {
        Some(p) => p.apply(&spectrum)?,
        None => spectrum,
    };
    let spectrum = match &settings.response {
        Some(r) => r.correct(&spectrum)?,
        None => spectrum,
    };
    if settings.identify {
        check_asked(&settings.gases.ask, tables)?;
        if spectrum.axis().kind() == AxisKind::Pixel {
            return Err(Error::refused(
                format!("identification of {}", shown_name(&spectrum)),
                "its axis counts pixels, and no profile says which wavelength they are",
                "make a profile with `glowtell calibrate LAMP` and give it with --profile",
            ));
        }
    }
    let mut peak_settings = settings.peaks.clone();
    if peak_settings.line_width.is_none() {
        peak_settings.line_width = profile.and_then(|p| p.line_width_nm);
    }
    let peaks = find_peaks(&spectrum, &peak_settings)?;
    let gases = if settings.identify {
        Some(identify(&spectrum, &peaks, tables, &settings.gases)?)
    } else {
        None
    };
    Ok(Examination { spectrum, peaks, gases, notes })
}

/// A sentence on the gases that a recording and its room both show: what was taken away of them
/// cannot be told from the tube's own light. `None` where there are none.
fn in_both(
    spectrum: &Spectrum,
    room: &Spectrum,
    profile: Option<&Profile>,
    tables: &Tables,
    settings: &Settings,
) -> Option<String> {
    let shown = |s: &Spectrum| -> Option<Vec<String>> {
        let plain = Settings { room: None, ..settings.clone() };
        let found = examine(s.clone(), profile, tables, &plain).ok()?.gases?;
        let sure = |v: Verdict| matches!(v, Verdict::Seen | Verdict::Likely);
        Some(found.gases.into_iter().filter(|g| sure(g.verdict)).map(|g| g.gas).collect())
    };
    let of_room = shown(room)?;
    let both: Vec<String> = shown(spectrum)?.into_iter().filter(|g| of_room.contains(g)).collect();
    (!both.is_empty()).then(|| {
        format!(
            "Recording and room both show {}: the room's share of their lines was taken away, and \
             what the tube itself gives of them is only what is left.",
            both.join(", ")
        )
    })
}

/// Says whether the tables know every species or gas of `ask`, upper and lower case alike.
///
/// # Errors
/// [`Error::Usage`] naming the first unknown word and the gases that can be asked about.
pub fn check_asked(ask: &[String], tables: &Tables) -> Result<()> {
    let same = |a: &str, b: &str| a.eq_ignore_ascii_case(b);
    let known =
        |word: &str| tables.species().iter().any(|s| same(&s.name, word) || same(&s.gas, word));
    let Some(unknown) = ask.iter().find(|w| !known(w)) else { return Ok(()) };
    let mut gases: Vec<&str> = Vec::new();
    for s in tables.species() {
        if !gases.contains(&&s.gas[..]) {
            gases.push(&s.gas);
        }
    }
    Err(Error::usage(
        format!("the line tables have no species or gas `{unknown}`"),
        format!("ask for one of {} or for a species of `glowtell lines`", gases.join(", ")),
    ))
}

/// What to call a recording in a message: its file, else its name.
pub(super) fn shown_name(spectrum: &Spectrum) -> String {
    match &spectrum.provenance.path {
        Some(p) => p.display().to_string(),
        None => spectrum.provenance.name.clone(),
    }
}
