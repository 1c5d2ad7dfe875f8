//! The bench sheet: which recordings belong to which thing on the bench.

use super::circuit::{CircuitFacts, Probe};
use super::{claims, lamps};
use crate::calibrate::{BenchFacts, CalibrateSettings, Lamp};
use crate::reference::Tables;
use crate::source::Claim;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Largest sheet that is read, bytes: a sheet is written by hand; a larger file is something else.
const MAX_SHEET_BYTES: u64 = 4 * 1024 * 1024;

/// One instrument and what was held in front of it. File names are as written in the sheet;
/// [`Sheet::path_of`] turns them into paths.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Sheet {
    /// The spectrometer and the lamp that sets its axis.
    pub instrument: Instrument,
    /// The meter, and the probe in front of it, that voltages at the tubes were read with.
    #[serde(skip_serializing_if = "not_told")]
    pub probe: Probe,
    /// What goes into the records.
    #[serde(skip_serializing_if = "is_default")]
    pub record: RecordChoices,
    /// Discharge tubes whose filling is asked for.
    #[serde(rename = "tube")]
    pub tubes: Vec<Tube>,
    /// Light sources whose band is asked for.
    #[serde(rename = "light")]
    pub lights: Vec<Light>,
    /// Folder of the sheet; file names are relative to it.
    #[serde(skip)]
    pub folder: PathBuf,
}

fn is_default(choices: &RecordChoices) -> bool {
    *choices == RecordChoices::default()
}

/// What goes into the records of a bench, which are made to be handed round.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct RecordChoices {
    /// All header lines of the files, though they may name people or places; else only those that tell of the
    /// measurement.
    pub keep_header_lines: bool,
}

fn not_told(probe: &Probe) -> bool {
    !probe.is_told()
}

fn no_circuit(circuit: &CircuitFacts) -> bool {
    !circuit.is_told()
}

/// The spectrometer of a bench.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Instrument {
    /// What it is called.
    pub name: Option<String>,
    /// Recordings of the lamp, or of several lamps, that set the axis; in a sheet `lamp`, one file
    /// name or a list.
    #[serde(rename = "lamp", with = "lamps", skip_serializing_if = "Vec::is_empty")]
    pub lamps: Vec<PathBuf>,
    /// Which lamp it is, by the names of [`Lamp::asked`]; `None`: a fluorescent one.
    pub lamp_is: Option<String>,
    /// Where the axis begins and ends roughly, nm, in either order.
    pub about_nm: Option<[f64; 2]>,
    /// A saved profile that sets the axis (instead of `lamp`).
    pub profile: Option<PathBuf>,
    /// Recordings without light, subtracted from all others; of several exposures, those of the
    /// same, or what they foretell. One file name or a list.
    #[serde(with = "lamps", skip_serializing_if = "Vec::is_empty")]
    pub dark: Vec<PathBuf>,
    /// Recordings with everything but the source, subtracted from all others instead of the dark.
    #[serde(with = "lamps", skip_serializing_if = "Vec::is_empty")]
    pub background: Vec<PathBuf>,
    /// Recordings of a smooth light, divided out of all others. One file name or a list.
    #[serde(with = "lamps", skip_serializing_if = "Vec::is_empty")]
    pub flat: Vec<PathBuf>,
    /// Anything worth keeping.
    pub remarks: Option<String>,
    /// Which columns of the files to read, as for `--columns`.
    pub columns: Option<String>,
    /// Text encoding of the files, as for `--encoding`.
    pub encoding: Option<String>,
    /// Response curve of the instrument: a table of wavelength in nm and relative response.
    pub response: Option<PathBuf>,
    /// What is known of the optics.
    pub optics: BenchFacts,
}

impl Instrument {
    /// Settings for the lamp: what the sheet says of it, and `base` where it says nothing.
    ///
    /// # Errors
    /// [`Error::Usage`] for a lamp that the tables have no lines of.
    pub fn calibrate_settings(
        &self,
        base: &CalibrateSettings,
        tables: &Tables,
    ) -> Result<CalibrateSettings> {
        let mut out = base.clone();
        if let Some(name) = &self.name {
            out.instrument.clone_from(name);
        }
        if let Some(word) = &self.lamp_is {
            out.lamp = Lamp::asked(word, tables).map_err(|e| match e {
                Error::Usage { what, remedy } => {
                    Error::usage(format!("lamp-is in the bench sheet: {what}"), remedy)
                }
                other => other,
            })?;
        }
        if self.about_nm.is_some() {
            out.about_nm = self.about_nm;
        }
        if self.optics != BenchFacts::default() {
            out.optics = self.optics.clone();
        }
        Ok(out)
    }

    /// What is wrong with it, and what would help.
    fn fault(&self) -> Option<(String, &'static str)> {
        if !self.lamps.is_empty() && self.profile.is_some() {
            return Some((
                "the instrument has both a lamp and a profile".into(),
                "keep the one that is to set the axis",
            ));
        }
        let of_the_lamp = [
            ("lamp-is", self.lamp_is.is_some()),
            ("about-nm", self.about_nm.is_some()),
            ("optics", self.optics != BenchFacts::default()),
        ];
        if let Some((key, _)) = of_the_lamp.iter().find(|(_, given)| *given)
            && self.lamps.is_empty()
        {
            return Some((
                format!("the instrument has {key} but no lamp"),
                "name the lamp's recording as well, or leave that out",
            ));
        }
        if let Some([a, b]) = self.about_nm
            && !(a.is_finite() && b.is_finite() && a > 0.0 && b > 0.0 && a != b)
        {
            return Some((
                format!("the instrument has about-nm = [{a}, {b}]"),
                "give the wavelengths of both ends of the axis in nm",
            ));
        }
        let o = &self.optics;
        let positive = [
            ("grooves-per-mm", o.grooves_per_mm),
            ("included-angle-deg", o.included_angle_deg),
            ("detector-over-focal", o.detector_over_focal),
        ];
        for (key, value) in positive {
            if let Some(v) = value.filter(|v| !(v.is_finite() && *v > 0.0)) {
                return Some((
                    format!("the optics have {key} = {v}"),
                    "give a positive number, or leave the key out",
                ));
            }
        }
        let tilt = o.detector_tilt_deg.filter(|v| !v.is_finite())?;
        Some((
            format!("the optics have detector-tilt-deg = {tilt}"),
            "give a number of degrees, or leave the key out",
        ))
    }
}

/// A discharge tube.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Tube {
    /// What it is called; no two items alike.
    pub name: String,
    /// Its recording.
    pub file: Option<PathBuf>,
    /// Repeated recordings (instead of `file`); their mean is examined, their scatter is the noise.
    pub files: Vec<PathBuf>,
    /// Recordings of different exposure (instead of `file`), merged into one of high range.
    pub exposures: Vec<PathBuf>,
    /// Its own recordings without light, instead of the instrument's.
    pub dark: Vec<PathBuf>,
    /// What sort of tube it is, in the user's words; results of one type are pooled together.
    #[serde(rename = "type")]
    pub kind: Option<String>,
    /// Who made it.
    pub maker: Option<String>,
    /// Supply voltage in V.
    pub supply_voltage_v: Option<f64>,
    /// Series resistance in ohm.
    pub series_resistor_ohm: Option<f64>,
    /// Exposure in ms.
    pub exposure_ms: Option<f64>,
    /// Anything worth keeping.
    pub remarks: Option<String>,
    /// What was measured at its circuit.
    #[serde(skip_serializing_if = "no_circuit")]
    pub circuit: CircuitFacts,
}

/// A light source.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Light {
    /// What it is called; no two items alike.
    pub name: String,
    /// Its recording.
    pub file: Option<PathBuf>,
    /// Repeated recordings (instead of `file`); their mean is examined, their scatter is the noise.
    pub files: Vec<PathBuf>,
    /// Recordings of different exposure (instead of `file`), merged into one of high range.
    pub exposures: Vec<PathBuf>,
    /// Its own recordings without light, instead of the instrument's.
    pub dark: Vec<PathBuf>,
    /// What sort of light it is, in the user's words; results of one type are pooled together.
    #[serde(rename = "type")]
    pub kind: Option<String>,
    /// Who made it.
    pub maker: Option<String>,
    /// Exposure in ms.
    pub exposure_ms: Option<f64>,
    /// Distance between light and instrument, mm.
    pub distance_mm: Option<f64>,
    /// What its label says it emits, one claim or a list; see [`crate::source::Claim::parse`].
    #[serde(rename = "claim", with = "claims", skip_serializing_if = "Vec::is_empty")]
    pub claims: Vec<String>,
    /// Anything worth keeping.
    pub remarks: Option<String>,
}

impl Sheet {
    /// Reads a sheet from its file.
    ///
    /// # Errors
    /// [`Error::Read`], and those of [`Sheet::from_text`].
    pub fn load(path: &Path) -> Result<Self> {
        let read = |source| Error::Read { path: path.into(), source };
        let size = std::fs::metadata(path).map_err(read)?.len();
        if size > MAX_SHEET_BYTES {
            return Err(Error::input(
                path,
                None,
                format!("has {size} bytes, too many for a bench sheet"),
                "give the sheet (TOML), not a recording",
            ));
        }
        let bytes = std::fs::read(path).map_err(read)?;
        let text = String::from_utf8(bytes).map_err(|e| {
            let good = &e.as_bytes()[..e.utf8_error().valid_up_to()];
            let line = good.iter().filter(|b| **b == b'\n').count() + 1;
            Error::input(path, Some(line), "is not UTF-8 text", "save the sheet as UTF-8")
        })?;
        Self::from_text(&text, path)
    }

    /// A sheet from its text; `path` gives the folder and stands in messages.
    ///
    /// # Errors
    /// [`Error::Input`] with the line where the text is no bench sheet: a word that is not known
    /// (with those that are), a number that is not positive, a name twice, no item at all.
    pub fn from_text(text: &str, path: &Path) -> Result<Self> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut sheet: Sheet = toml::from_str(text).map_err(|e| {
            let line = e.span().map(|s| line_at(text, s.start));
            let what = e.message().replace('\n', " ");
            Error::input(path, line, format!("is no bench sheet ({what})"), "mend that line")
        })?;
        sheet.folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
        sheet.check(text, path)?;
        Ok(sheet)
    }

    /// The path of a file of this sheet.
    pub fn path_of(&self, file: &Path) -> PathBuf {
        self.folder.join(file)
    }

    fn check(&self, text: &str, path: &Path) -> Result<()> {
        let fail = |line: Option<usize>, what: String, remedy: &str| {
            Err(Error::input(path, line, what, remedy))
        };
        if let Some((what, remedy)) = self.instrument.fault() {
            return fail(header_line(text, "[instrument]", 0), what, remedy);
        }
        if let Some((what, remedy)) = self.probe.fault() {
            return fail(header_line(text, "[probe]", 0), what, remedy);
        }
        for (index, t) in self.tubes.iter().enumerate() {
            if let Some((what, remedy)) = t.circuit.fault(&t.name, &self.probe) {
                return fail(header_line(text, "[[tube]]", index), what, remedy);
            }
        }
        if self.tubes.is_empty() && self.lights.is_empty() {
            return fail(
                None,
                "has no item".into(),
                "add a [[tube]] or a [[light]] with name and file",
            );
        }
        let mut first_of: HashMap<&str, usize> = HashMap::new();
        for item in self.items() {
            let line = header_line(text, item.header, item.index);
            let shown = if item.name.trim().is_empty() { "without a name" } else { item.name };
            if item.name.trim().is_empty() {
                return fail(line, format!("an item of {} has no name", item.header), "name it");
            }
            if let Some(first) = first_of.insert(item.name, line.unwrap_or_default()) {
                return fail(
                    line,
                    format!("the name `{}` stands on line {first} already", item.name),
                    "give every item a name of its own",
                );
            }
            let given: Vec<&str> = [
                ("file", item.file.is_some()),
                ("files", !item.files.is_empty()),
                ("exposures", !item.exposures.is_empty()),
            ]
            .iter()
            .filter(|g| g.1)
            .map(|g| g.0)
            .collect();
            match given.as_slice() {
                [] => {
                    return fail(line, format!("`{shown}` has no recording"), "add file or files");
                }
                [_] => {}
                [a, b, ..] => {
                    return fail(
                        line,
                        format!("`{shown}` has both {a} and {b}"),
                        "keep file for one recording, files for repeats, exposures for different \
                         exposures",
                    );
                }
            }
            if item.exposures.len() == 1 {
                return fail(
                    line,
                    format!("`{shown}` has one exposure only"),
                    "give it as file, or add further exposures",
                );
            }
            if let Some(e) = item.claims.iter().find_map(|c| Claim::parse(c).err()) {
                return fail(line, format!("`{shown}`: {e}"), "or leave the claim out");
            }
            for (key, value) in item.numbers {
                if let Some(v) = value
                    && !(v.is_finite() && v > 0.0)
                {
                    return fail(
                        line,
                        format!("`{shown}` has {key} = {v}"),
                        "give a positive number, or leave the key out",
                    );
                }
            }
        }
        Ok(())
    }

    fn items(&self) -> Vec<ItemView<'_>> {
        let tubes = self.tubes.iter().enumerate().map(|(index, t)| ItemView {
            header: "[[tube]]",
            index,
            name: &t.name,
            file: t.file.as_deref(),
            files: &t.files,
            exposures: &t.exposures,
            numbers: vec![
                ("supply-voltage-v", t.supply_voltage_v),
                ("series-resistor-ohm", t.series_resistor_ohm),
                ("exposure-ms", t.exposure_ms),
            ],
            claims: &[],
        });
        let lights = self.lights.iter().enumerate().map(|(index, l)| ItemView {
            header: "[[light]]",
            index,
            name: &l.name,
            file: l.file.as_deref(),
            files: &l.files,
            exposures: &l.exposures,
            numbers: vec![("exposure-ms", l.exposure_ms), ("distance-mm", l.distance_mm)],
            claims: &l.claims,
        });
        tubes.chain(lights).collect()
    }
}

/// What tubes and lights have in common, for checking.
struct ItemView<'a> {
    header: &'static str,
    index: usize,
    name: &'a str,
    file: Option<&'a Path>,
    files: &'a [PathBuf],
    exposures: &'a [PathBuf],
    numbers: Vec<(&'static str, Option<f64>)>,
    claims: &'a [String],
}

/// Line (from 1) of the byte `at`.
fn line_at(text: &str, at: usize) -> usize {
    text.as_bytes()[..at.min(text.len())].iter().filter(|b| **b == b'\n').count() + 1
}

/// Line (from 1) of the `index`-th table with this header; `None` where the sheet writes its items
/// in another way that TOML allows.
fn header_line(text: &str, header: &str, index: usize) -> Option<usize> {
    let squeezed = |l: &str| l.split('#').next().unwrap_or_default().replace([' ', '\t', '\r'], "");
    text.lines().enumerate().filter(|(_, l)| squeezed(l) == header).nth(index).map(|(i, _)| i + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
[instrument]
name = "club spectrometer"
lamp = "lamp.csv"

[[tube]]
name = "A1"
file = "a1.csv"
supply-voltage-v = 160
series-resistor-ohm = 220000
exposure-ms = 200

[[light]]
name = "nail lamp"
files = ["n1.csv", "n2.csv"]
claim = "365"
"#;

    fn refused(text: &str) -> String {
        Sheet::from_text(text, Path::new("d/s.toml")).unwrap_err().to_string()
    }

    #[test]
    fn a_sheet_is_read_and_files_are_beside_it() {
        let s = Sheet::from_text(GOOD, Path::new("d/s.toml")).unwrap();
        assert_eq!((s.tubes.len(), s.lights.len()), (1, 1));
        assert_eq!(s.instrument.lamps, [PathBuf::from("lamp.csv")]);
        assert_eq!(s.tubes[0].supply_voltage_v, Some(160.0));
        assert_eq!(s.path_of(Path::new("a1.csv")), Path::new("d/a1.csv"));
        assert_eq!(s.path_of(Path::new("/x/a1.csv")), Path::new("/x/a1.csv"));
    }

    #[test]
    fn a_sheet_survives_being_written_and_read() {
        let rich = GOOD
            .replace("lamp = ", "dark = [\"d1.csv\", \"d2.csv\"]\nflat = \"f.csv\"\nlamp = ")
            .replace("file = \"a1.csv\"", "exposures = [\"a.csv\", \"b.csv\"]\ndark = [\"c.csv\"]");
        let s = Sheet::from_text(&rich, Path::new("d/s.toml")).unwrap();
        assert_eq!((s.instrument.dark.len(), s.instrument.flat.len()), (2, 1));
        assert_eq!((s.tubes[0].exposures.len(), s.tubes[0].dark.len()), (2, 1));
        let one = rich.replace("[\"a.csv\", \"b.csv\"]", "[\"a.csv\"]");
        assert!(refused(&one).contains("one exposure only"));
        let again = Sheet::from_text(&toml::to_string(&s).unwrap(), Path::new("d/s.toml")).unwrap();
        assert_eq!(s, again);
        let s = Sheet::from_text(GOOD, Path::new("d/s.toml")).unwrap();
        let again = Sheet::from_text(&toml::to_string(&s).unwrap(), Path::new("d/s.toml")).unwrap();
        assert_eq!(s, again);
    }

    /// The good sheet with several lamps and all that can be said of them.
    fn rich() -> String {
        let lamps = "lamp = [\"lamp.csv\", \"neon.csv\"]\nlamp-is = \"auto\"\nabout-nm = [1030, 340]\n\
                     [instrument.optics]\ngrooves-per-mm = 600\ndetector-tilt-deg = -3";
        GOOD.replace("lamp = \"lamp.csv\"", lamps)
    }

    #[test]
    fn several_lamps_and_what_is_known_of_them() {
        let s = Sheet::from_text(&rich(), Path::new("d/s.toml")).unwrap();
        assert_eq!(s.instrument.lamps, [PathBuf::from("lamp.csv"), PathBuf::from("neon.csv")]);
        let again = Sheet::from_text(&toml::to_string(&s).unwrap(), Path::new("d/s.toml")).unwrap();
        assert_eq!(s, again);
        let tables = Tables::bundled().unwrap();
        let base = CalibrateSettings::default();
        let c = s.instrument.calibrate_settings(&base, &tables).unwrap();
        assert_eq!((c.lamp, c.about_nm), (None, Some([1030.0, 340.0])));
        assert_eq!(
            (c.optics.grooves_per_mm, c.optics.detector_tilt_deg),
            (Some(600.0), Some(-3.0))
        );
        assert_eq!(c.instrument, "club spectrometer");
        // A sheet that says nothing of the lamp leaves the settings as they are.
        let plain = Sheet::from_text(GOOD, Path::new("d/s.toml")).unwrap();
        let c = plain.instrument.calibrate_settings(&base, &tables).unwrap();
        assert_eq!(c.lamp, Some(Lamp::Fluorescent));
    }

    #[test]
    fn what_makes_no_sense_about_the_lamp_is_refused() {
        for (from, to, parts) in [
            ("lamp = [\"lamp.csv\", \"neon.csv\"]", "lamp = 5", &["line 4", "file name"][..]),
            ("lamp = [\"lamp.csv\", \"neon.csv\"]", "lamp = [\"a\", 5]", &["line 4", "file name"]),
            ("lamp = [\"lamp.csv\", \"neon.csv\"]", "lamp = []", &["line 4", "empty list"]),
            ("lamp = [\"lamp.csv\", \"neon.csv\"]", "", &["lamp-is", "no lamp"]),
            ("lamp-is", "lamp-ist", &["`lamp-ist`", "`lamp-is`", "`about-nm`"]),
            ("grooves-per-mm", "groves-per-mm", &["`groves-per-mm`", "`grooves-per-mm`"]),
            ("= 600", "= -600", &["grooves-per-mm = -600", "positive"]),
            ("= -3", "= nan", &["detector-tilt-deg = NaN"]),
            ("[1030, 340]", "[340, 340]", &["about-nm = [340, 340]"]),
            ("[1030, 340]", "[340]", &["line 6"]),
        ] {
            let e = refused(&rich().replace(from, to));
            for part in parts {
                assert!(e.contains(part), "{part} not in: {e}");
            }
        }
        let s = Sheet::from_text(&rich().replace("auto", "sodum"), Path::new("d/s.toml")).unwrap();
        let tables = Tables::bundled().unwrap();
        let e =
            s.instrument.calibrate_settings(&CalibrateSettings::default(), &tables).unwrap_err();
        assert!(e.to_string().contains("lamp-is") && e.to_string().contains("sodum"), "{e}");
    }

    #[test]
    fn a_typo_is_named_with_line_and_known_words() {
        let e = refused(&GOOD.replace("exposure-ms", "exposure-mss"));
        for part in ["d/s.toml, line 11", "`exposure-mss`", "`exposure-ms`", "`remarks`"] {
            assert!(e.contains(part), "{part} not in: {e}");
        }
        assert!(refused(&GOOD.replace("[[tube]]", "[[tubes]]")).contains("`tubes`"));
        assert!(!refused("[[tube]\nname").contains('\n'));
    }

    #[test]
    fn what_makes_no_sense_is_refused_with_its_line() {
        let twice = refused(&GOOD.replace("nail lamp", "A1"));
        assert!(twice.contains("line 13") && twice.contains("line 6"), "{twice}");
        assert!(refused(&GOOD.replace("160", "-1")).contains("supply-voltage-v = -1"));
        assert!(refused(&GOOD.replace("160", "nan")).contains("positive"));
        assert!(refused(&GOOD.replace("\"A1\"", "\" \"")).contains("no name"));
        assert!(refused(&GOOD.replace("file = \"a1.csv\"", "")).contains("no recording"));
        let both = GOOD.replace("files =", "file = \"x.csv\"\nfiles =");
        assert!(refused(&both).contains("both file and files"));
        let both = GOOD.replace("lamp = ", "profile = \"p.toml\"\nlamp = ");
        assert!(refused(&both).contains("both a lamp and a profile"));
        assert!(refused("[instrument]\nname = \"x\"\n").contains("no item"));
        assert!(refused("").contains("no item"));
    }
}
