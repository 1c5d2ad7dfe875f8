//! What a heading means, in the words of several languages.

/// Unit of an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::import) enum AxisUnit {
    Pixel,
    Nm,
    Micrometre,
    Angstrom,
    Metre,
    /// Wavenumber, frequency or energy: understood, not converted.
    Reciprocal,
}

impl AxisUnit {
    /// Its name in a sentence.
    pub fn name(self) -> &'static str {
        match self {
            AxisUnit::Pixel => "pixels",
            AxisUnit::Nm => "nm",
            AxisUnit::Micrometre => "µm",
            AxisUnit::Angstrom => "Å",
            AxisUnit::Metre => "m",
            AxisUnit::Reciprocal => "wavenumber, frequency or energy",
        }
    }

    /// Factor to nm, for units of length.
    pub fn to_nm(self) -> Option<f64> {
        match self {
            AxisUnit::Nm => Some(1.0),
            AxisUnit::Micrometre => Some(1e3),
            AxisUnit::Angstrom => Some(0.1),
            AxisUnit::Metre => Some(1e9),
            AxisUnit::Pixel | AxisUnit::Reciprocal => None,
        }
    }
}

/// What a column is for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Role {
    Axis {
        unit: Option<AxisUnit>,
        /// Where several are headed as axis, the highest counts: 4 a wavelength in words, 3 a
        /// unit of wavelength, 2 pixel numbers, 1 a unit behind other words, or `x`.
        rank: u8,
    },
    Counts,
    Sigma,
    /// Standard uncertainty of the wavelength.
    AxisU {
        unit: Option<AxisUnit>,
    },
    /// What is wrong with a point, in words.
    Flags,
    Dark,
    /// Understood and of no use here (a reference, a time).
    Other,
    Unknown,
}

/// Beginnings of words for wavelength.
const WAVE: &[&str] = &[
    "wavelen",
    "lambda",
    "λ",
    "wellenl",
    "longueur",
    "longitud",
    "lunghezza",
    "comprimento",
    "golflen",
    "våglä",
    "vagla",
    "bølgel",
    "bolgel",
    "długo",
    "dlugo",
    "aallonp",
    "hullámh",
    "hullamh",
    "vlnov",
    "длин",
    "波长",
    "波長",
    "파장",
    "dalgaboyu",
];
/// Whole words for wavelength.
const WAVE_WHOLE: &[&str] = &["wave", "wl", "wvl", "wvlen", "wavel", "lam", "dalga"];
/// Beginnings of words for what lies along a reciprocal axis.
const RECIPROCAL: &[&str] =
    &["wavenumber", "wellenzahl", "frequen", "thz", "photon", "raman", "ev", "kayser"];
/// Beginnings of words for pixel numbers.
const PIXEL: &[&str] = &["pixel", "channel", "kanal", "canal", "index", "像素"];
/// Whole words for pixel numbers.
const PIXEL_WHOLE: &[&str] = &["px", "pix", "ch", "bin", "idx", "point", "punkt"];
/// Beginnings of words for counts.
const COUNTS: &[&str] = &[
    "count",
    "intens",
    "signal",
    "amplitud",
    "adu",
    "irradian",
    "radian",
    "brightness",
    "zähl",
    "zaehl",
    "impuls",
    "helligkeit",
    "strahl",
    "power",
    "leistung",
    "flux",
    "scan",
    "sample",
    "spectrum",
    "spektrum",
    "segnale",
    "señal",
    "senal",
    "sinal",
    "natęż",
    "teho",
    "energy",
    "интенс",
    "强度",
    "強度",
    "세기",
    "absolute",
];
/// Whole words for counts.
const COUNTS_WHOLE: &[&str] =
    &["int", "dn", "y", "raw", "value", "values", "wert", "cts", "cps", "lsb", "scope"];
/// Beginnings of words for a standard uncertainty.
const SIGMA: &[&str] = &[
    "sigma",
    "σ",
    "std",
    "stdev",
    "stderr",
    "error",
    "uncert",
    "unsicher",
    "fehler",
    "incert",
    "sd",
    "errore",
    "deviation",
    "noise",
];
/// Beginnings of words for a dark reading.
const DARK: &[&str] =
    &["dark", "dunkel", "background", "bkg", "hintergrund", "obscur", "sombre", "oscur", "escuro"];
/// Beginnings of words that say that a dark reading has been taken off.
const CORRECTED: &[&str] = &["corr", "korr", "subtr", "minus", "net", "less", "without", "ohne"];
/// Beginnings of words for columns of no use here.
const OTHER: &[&str] = &[
    "refer", "transm", "absor", "reflec", "time", "zeit", "date", "datum", "temp", "white",
    "weiss", "satur", "quality",
];

/// Beginnings of words for what is wrong with a point.
const FLAGS: &[&str] = &["flag"];

/// The words of a heading, in lower case.
fn words(heading: &str) -> Vec<String> {
    heading
        .to_lowercase()
        .replace('μ', "µ")
        .split(|c: char| !(c.is_alphanumeric() || c == 'µ'))
        .map(|w| w.trim_end_matches(|c: char| c.is_ascii_digit()).to_string())
        .filter(|w| !w.is_empty())
        .collect()
}

/// Unit of wavelength that a word is.
fn unit_of(word: &str) -> Option<AxisUnit> {
    match word {
        "nm" | "нм" => Some(AxisUnit::Nm),
        "µm" | "um" | "micron" | "microns" => Some(AxisUnit::Micrometre),
        "å" | "angstrom" | "angstroms" | "ångström" | "ångstrom" | "angström" | "aa" => {
            Some(AxisUnit::Angstrom)
        }
        _ if ["nanomet", "nanómet", "nanòmet", "nanomèt"].iter().any(|w| word.starts_with(w)) => {
            Some(AxisUnit::Nm)
        }
        _ if word.starts_with("micromet") || word.starts_with("mikromet") => {
            Some(AxisUnit::Micrometre)
        }
        _ => None,
    }
}

/// What a heading says that its column is for.
pub(super) fn role(heading: &str) -> Role {
    let words = words(heading);
    let starts = |list: &[&str]| words.iter().any(|w| list.iter().any(|l| w.starts_with(l)));
    let whole = |list: &[&str]| words.iter().any(|w| list.contains(&w.as_str()));
    let squeezed: String = heading.to_lowercase().split_whitespace().collect();
    let unit = words.iter().find_map(|w| unit_of(w));
    let wave = starts(WAVE) || whole(WAVE_WHOLE);
    let reciprocal = ["cm-1", "cm^-1", "1/cm", "cm⁻¹", "cm\u{2212}1", "(ev)", "[ev]", "(hz)"];
    let per_length = ["/nm", "nm-1", "nm^-1", "/m2", "/m^2", "/cm2", "/cm^2"];
    // `u_nm`, `u_intensity`: the usual sign of a standard uncertainty before what it belongs to.
    if words.len() > 1 && words.first().is_some_and(|w| w == "u") {
        return if wave || unit.is_some() { Role::AxisU { unit } } else { Role::Sigma };
    }
    if starts(SIGMA) {
        return if wave { Role::AxisU { unit } } else { Role::Sigma };
    }
    if starts(DARK) && !starts(CORRECTED) {
        return Role::Dark;
    }
    if wave {
        let metre = (words.last().map(String::as_str) == Some("m")).then_some(AxisUnit::Metre);
        return Role::Axis { unit: unit.or(metre).or(Some(AxisUnit::Nm)), rank: 4 };
    }
    if per_length.iter().any(|p| squeezed.contains(p)) {
        return Role::Counts;
    }
    if starts(&RECIPROCAL[..2]) || reciprocal.iter().any(|r| squeezed.contains(r)) {
        return Role::Axis { unit: Some(AxisUnit::Reciprocal), rank: 3 };
    }
    if starts(COUNTS) || whole(COUNTS_WHOLE) || squeezed == "a.u." || squeezed == "[a.u.]" {
        return Role::Counts;
    }
    if starts(RECIPROCAL) {
        return Role::Axis { unit: Some(AxisUnit::Reciprocal), rank: 3 };
    }
    if starts(FLAGS) {
        return Role::Flags;
    }
    if starts(OTHER) {
        return Role::Other;
    }
    if starts(PIXEL) || whole(PIXEL_WHOLE) {
        return Role::Axis { unit: Some(AxisUnit::Pixel), rank: 2 };
    }
    if let Some(unit) = unit {
        let first = words.first().is_some_and(|w| unit_of(w).is_some());
        return Role::Axis { unit: Some(unit), rank: if first { 3 } else { 1 } };
    }
    if squeezed == "x" {
        return Role::Axis { unit: None, rank: 1 };
    }
    Role::Unknown
}

/// True for a heading that is only a unit, or blank.
pub(super) fn is_unit(heading: &str) -> bool {
    let words = words(heading);
    let units = [
        "counts", "a", "u", "arb", "units", "adu", "px", "pixel", "count", "w", "m", "cm", "nm",
        "µw", "s", "cps", "v", "mv", "dn",
    ];
    words.iter().all(|w| unit_of(w).is_some() || units.contains(&w.as_str()))
}

/// The text in the last brackets of a heading, where it looks like a unit.
pub(super) fn bracketed(heading: &str) -> Option<&str> {
    let open = heading.rfind(['(', '['])?;
    let inside = heading.get(open + 1..)?;
    let close = inside.find([')', ']'])?;
    let unit = inside.get(..close)?.trim();
    unit.chars().any(char::is_alphabetic).then_some(unit)
}

/// True where a heading speaks of vacuum.
pub(super) fn says_vacuum(heading: &str) -> bool {
    words(heading).iter().any(|w| w.starts_with("vac") || w.starts_with("vak"))
}

/// A heading without its numbers, signs and case: the same for `Scan 1` and `scan_02`.
pub(super) fn stem(heading: &str) -> String {
    heading.to_lowercase().chars().filter(|c| c.is_alphabetic()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis(heading: &str) -> Option<AxisUnit> {
        match role(heading) {
            Role::Axis { unit, .. } => unit,
            _ => None,
        }
    }

    #[test]
    fn axis_headings() {
        for h in [
            "Wavelength",
            "wavelength_nm",
            "nm",
            "λ / nm",
            "Wellenlänge [nm]",
            "Lambda(nm)",
            "longueur d'onde (nm)",
            "Longitud de onda",
            "Длина волны, нм",
            "波长",
            "WL",
        ] {
            assert_eq!(axis(h), Some(AxisUnit::Nm), "{h}");
        }
        for h in ["Pixel", "pixel number", "px", "Channel", "Kanal", "Index"] {
            assert_eq!(axis(h), Some(AxisUnit::Pixel), "{h}");
        }
        assert_eq!(axis("Wavelength (µm)"), Some(AxisUnit::Micrometre));
        assert_eq!(axis("wavelength [um]"), Some(AxisUnit::Micrometre));
        assert_eq!(axis("Wavelength (Å)"), Some(AxisUnit::Angstrom));
        assert_eq!(axis("Angstrom"), Some(AxisUnit::Angstrom));
        assert_eq!(axis("wavelength (m)"), Some(AxisUnit::Metre));
        assert_eq!(axis("Wavenumber (cm-1)"), Some(AxisUnit::Reciprocal));
        assert_eq!(axis("cm^-1"), Some(AxisUnit::Reciprocal));
        assert_eq!(axis("Frequency (THz)"), Some(AxisUnit::Reciprocal));
    }

    #[test]
    fn other_headings() {
        for h in [
            "Counts",
            "intensity (a.u.)",
            "Intensität",
            "Zählimpulse",
            "Irradiance [W/m2/nm]",
            "µW/cm²/nm",
            "Scan 3",
            "Pixel value",
            "dark corrected counts",
            "强度",
            "counts/nm",
        ] {
            assert_eq!(role(h), Role::Counts, "{h}");
        }
        for h in ["sigma", "Intensity error", "std", "uncertainty", "u_intensity"] {
            assert_eq!(role(h), Role::Sigma, "{h}");
        }
        for h in ["Dark", "dark counts", "Dunkelstrom", "Background"] {
            assert_eq!(role(h), Role::Dark, "{h}");
        }
        assert_eq!(role("Reference"), Role::Other);
        assert_eq!(role("u_nm"), Role::AxisU { unit: Some(AxisUnit::Nm) });
        assert_eq!(role("wavelength uncertainty"), Role::AxisU { unit: None });
        assert_eq!(role("flags"), Role::Flags);
        assert_eq!(role("neon"), Role::Unknown);
    }

    #[test]
    fn a_wavelength_by_name_outranks_a_unit_behind_other_words() {
        let rank = |h| if let Role::Axis { rank, .. } = role(h) { rank } else { 0 };
        assert!(rank("wavelength") > rank("nm"));
        assert!(rank("nm") > rank("pixel"));
        assert!(rank("pixel") > rank("truth_nm"));
    }

    #[test]
    fn units_in_brackets() {
        assert_eq!(bracketed("Intensity (a.u.)"), Some("a.u."));
        assert_eq!(bracketed("Counts [3]"), None);
        assert!(is_unit("[nm]") && is_unit("(a.u.)") && is_unit("") && !is_unit("Counts of tube"));
    }
}
