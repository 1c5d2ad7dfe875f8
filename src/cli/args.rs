//! What can be typed.

mod together;

pub use together::{CompareArgs, CompletionsArgs, ManArgs, PoolArgs};

use clap::{Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Says what a glow is: sets the axis of a cheap array spectrometer by a fluorescent lamp, measures
/// emission lines and tells which gases are in a discharge tube, with uncertainties and reasons.
#[derive(Debug, Parser)]
#[command(
    name = "glowtell",
    version,
    propagate_version = true,
    subcommand_required = true,
    max_term_width = 100,
    after_help = "\
Examples:
  glowtell calibrate lamp.csv --out club.profile.toml
  glowtell gases tube.csv --profile club.profile.toml --svg tube.svg
  glowtell run bench.toml --out results

Exit codes: 0 answered; 1 answered, but a check given on the command line did not hold;
2 bad usage or input, or an item that failed.
Wavelengths are in nm in standard air; uncertainties are standard uncertainties (k = 1)."
)]
pub struct Args {
    #[command(flatten)]
    pub common: CommonArgs,
    #[command(subcommand)]
    pub command: Command,
}

/// Options of every command; one that means nothing to a command is refused there.
#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Options of all commands")]
pub struct CommonArgs {
    /// Saved instrument whose axis is used, made by `glowtell calibrate`
    #[arg(long, value_name = "FILE", global = true)]
    pub profile: Option<PathBuf>,
    /// Print results as JSON, one document for each, instead of tables
    #[arg(long, global = true)]
    pub json: bool,
    /// Draw the result into this file (SVG)
    #[arg(long, value_name = "FILE", global = true)]
    pub svg: Option<PathBuf>,
    /// Colours of the drawing [default: light]
    #[arg(long, value_name = "THEME", global = true)]
    pub theme: Option<ThemeArg>,
    /// Print neither notes nor cautions nor progress
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Folder whose line tables replace bundled ones of the same name and add to the others
    #[arg(long, value_name = "DIR", global = true)]
    pub line_tables: Option<PathBuf>,
    /// Columns to read [default: found from the file, and noted]
    #[arg(long, value_name = "SPEC", global = true)]
    pub columns: Option<String>,
    /// Text encoding of the files [default: found from the file, and noted]
    #[arg(long, value_name = "NAME", global = true)]
    pub encoding: Option<String>,
    /// Which of several recordings in one file (block of JCAMP-DX, part of FITS), from 1
    #[arg(long, value_name = "N", global = true)]
    pub block: Option<usize>,
    /// Rows of a picture or FITS image to sum, from 1, as 12 or 210..260
    #[arg(long, value_name = "ROWS", value_parser = rows, global = true)]
    pub rows: Option<[usize; 2]>,
    /// Recording without light, subtracted; several of one exposure are averaged, those of different
    /// exposures foretell others
    #[arg(long, value_name = "FILE", global = true)]
    pub dark: Vec<PathBuf>,
    /// Recording with everything but the source, subtracted instead of the dark
    #[arg(long, value_name = "FILE", global = true)]
    pub background: Vec<PathBuf>,
    /// Recording of a smooth light; unevenness from pixel to pixel is divided out
    #[arg(long, value_name = "FILE", global = true)]
    pub flat: Vec<PathBuf>,
}

/// Colours of a drawing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ThemeArg {
    /// For paper and light pages.
    Light,
    /// For dark pages.
    Dark,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    Run(RunArgs),
    Calibrate(CalibrateArgs),
    Verify(VerifyArgs),
    Peaks(PeaksArgs),
    Gases(GasesArgs),
    Source(SourceArgs),
    Compare(CompareArgs),
    Pool(PoolArgs),
    Lines(LinesArgs),
    Convert(ConvertArgs),
    Sheet(SheetArgs),
    Simulate(SimulateArgs),
    Completions(CompletionsArgs),
    Man(ManArgs),
}

impl Command {
    /// As it is typed.
    pub fn name(&self) -> &'static str {
        match self {
            Command::Run(_) => "run",
            Command::Calibrate(_) => "calibrate",
            Command::Verify(_) => "verify",
            Command::Peaks(_) => "peaks",
            Command::Gases(_) => "gases",
            Command::Source(_) => "source",
            Command::Compare(_) => "compare",
            Command::Pool(_) => "pool",
            Command::Lines(_) => "lines",
            Command::Convert(_) => "convert",
            Command::Sheet(_) => "sheet",
            Command::Simulate(_) => "simulate",
            Command::Completions(_) => "completions",
            Command::Man(_) => "man",
        }
    }
}

/// Examine everything on a bench sheet: set the axis by its lamp, then measure each tube and light
///
/// The sheet is a TOML file: an [instrument] with its lamp (or a saved profile), a [[tube]] for each
/// discharge tube, a [[light]] for each light source, each with a name and a file (or files, for
/// repeats). File names are relative to the sheet. The results go into one folder: the profile, a
/// drawing and a JSON record for each item, and a summary of all.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell run bench.toml
  glowtell run bench.toml --out results --theme dark
  glowtell run bench.toml --ask He,Ne,Ar")]
pub struct RunArgs {
    /// The bench sheet
    #[arg(value_name = "SHEET")]
    pub sheet: PathBuf,
    /// Folder for the results; made where it is missing
    #[arg(long, value_name = "DIR", default_value = "glowtell-out")]
    pub out: PathBuf,
    #[command(flatten)]
    pub asked: AskedArgs,
}

/// What the identification is asked, and from what axis.
#[derive(Debug, clap::Args)]
pub struct AskedArgs {
    /// Gases or species to decide on [default: all that a discharge tube may show]
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    pub ask: Vec<String>,
    /// Standard uncertainty of an axis in nm that nobody has calibrated
    #[arg(
        long,
        value_name = "NM",
        value_parser = positive,
        allow_negative_numbers = true,
        default_value_t = glowtell::gases::GasSettings::default().factory_axis_u_nm
    )]
    pub axis_u: f64,
    /// Displace the lines of every species asked about, and say what share of the names chance
    /// accounts for
    #[arg(long)]
    pub chance: bool,
}

/// Set the wavelength axis by a recording of a lamp, or by several lamps together
///
/// Writes an instrument profile: the axis with its uncertainty at every wavelength, the width of a
/// line, and how both were found. The lamp is a fluorescent or mercury lamp unless --lamp names
/// another. Nothing need be known of the instrument: an axis in nm that is a few nm off will do,
/// and so will bare pixels. Refused, with the reason, where the pattern of the lamp is not there.
/// --svg draws the lamp and what is left between its lines and the axis.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell calibrate lamp.csv
  glowtell calibrate lamp.csv --out club.profile.toml --instrument \"club spectrometer\"
  glowtell calibrate lamp.csv --svg residuals.svg
  glowtell calibrate neon.csv --lamp neon
  glowtell calibrate fluorescent.csv glow-lamp.csv --lamp auto --about 340..1030")]
pub struct CalibrateArgs {
    /// Recordings of the lamp, or of several lamps through the same instrument
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// Which lamp: fluorescent, a gas or metal by name or symbol, several joined as in Hg+Ar, or
    /// auto for whichever of the usual ones it is
    #[arg(long, value_name = "LAMP", default_value = "fluorescent")]
    pub lamp: String,
    /// Where the axis begins and ends roughly, nm, as 340..1030
    #[arg(long, value_name = "START..END", value_parser = span)]
    pub about: Option<[f64; 2]>,
    /// Write the first recording on its new axis into this file, as comma-separated values
    #[arg(long, value_name = "FILE")]
    pub write_corrected: Option<PathBuf>,
    #[command(flatten)]
    pub optics: OpticsArgs,
    /// Where to write the profile [default: the lamp's name with .profile.toml, in this folder]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// What to call the instrument in the profile
    #[arg(
        long,
        value_name = "NAME",
        default_value_t = glowtell::calibrate::CalibrateSettings::default().instrument
    )]
    pub instrument: String,
}

/// Judge an axis by a recording of a lamp: how far it is off, where, and how sure that is
///
/// Takes the file's own nm axis, or that of --profile, and holds what it says of the lamp's lines
/// against what they are. Tells offset, tilt and curvature, how good a reading is along the axis,
/// how far the axis has moved since the profile was made, and the instrument's line width, noise
/// and ghosts. Refused, with the reason, where the lamp's pattern is not there.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell verify lamp.csv
  glowtell verify lamp.csv --within 0.5 --over 400..700
  glowtell verify lamp.csv --profile club.profile.toml --keep --dated 2024-05-01
  glowtell verify lamp-1.csv --repeats lamp-2.csv lamp-3.csv --svg sheet.svg

With --within the exit code is 0 where the tolerance holds, 1 where it does not or cannot be tested.")]
pub struct VerifyArgs {
    /// Recording of the lamp
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// Which lamp: fluorescent, a gas or metal by name or symbol, several joined as in Hg+Ar, or
    /// auto for whichever of the usual ones it is
    #[arg(long, value_name = "LAMP", default_value = "fluorescent")]
    pub lamp: String,
    /// Largest error that the axis may have, nm
    #[arg(long, value_name = "NM", value_parser = positive, allow_negative_numbers = true)]
    pub within: Option<f64>,
    /// Stretch for --within, nm, as 400..700 [default: between the outermost lines]
    #[arg(long, value_name = "START..END", value_parser = span, requires = "within")]
    pub over: Option<[f64; 2]>,
    /// Further recordings of the same lamp: tells how well places repeat
    #[arg(long, value_name = "FILE", num_args = 1..)]
    pub repeats: Vec<PathBuf>,
    /// Write the axis as it should be into this file, a profile
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Keep this check in the file of --profile; the next one tells the drift since
    #[arg(long)]
    pub keep: bool,
    /// Day to put beside the kept check
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = day, requires = "keep")]
    pub dated: Option<String>,
}

/// What the data sheet says of the optics: makes the axis surer beyond the lamp's lines.
#[derive(Debug, clap::Args)]
pub struct OpticsArgs {
    /// Grooves of the grating in each mm
    #[arg(long, value_name = "N", value_parser = positive, allow_negative_numbers = true)]
    pub grooves: Option<f64>,
    /// Angle between the rays to and from the grating, degrees
    #[arg(long, value_name = "DEG", value_parser = positive, allow_negative_numbers = true)]
    pub included_angle: Option<f64>,
    /// Tilt of the detector, degrees
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub detector_tilt: Option<f64>,
    /// Length of the detector over the focal length before it
    #[arg(long, value_name = "SHARE", value_parser = positive, allow_negative_numbers = true)]
    pub detector_over_focal: Option<f64>,
}

impl OpticsArgs {
    /// As the library wants them.
    pub fn facts(&self) -> glowtell::calibrate::BenchFacts {
        glowtell::calibrate::BenchFacts {
            grooves_per_mm: self.grooves,
            included_angle_deg: self.included_angle,
            detector_tilt_deg: self.detector_tilt,
            detector_over_focal: self.detector_over_focal,
        }
    }
}

/// Find and fit the emission lines of recordings
///
/// Places, heights and widths with their uncertainties, on the recording's own axis or on that of
/// --profile.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell peaks tube.csv
  glowtell peaks tube.csv --profile club.profile.toml --csv peaks.csv
  glowtell peaks *.csv --json")]
pub struct PeaksArgs {
    /// Recordings
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// Write the lines into this file as comma-separated values
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Give wavelengths in vacuum instead of air (Ciddor 1996), in the table and in --csv
    #[arg(long)]
    pub vacuum: bool,
    /// Response curve of the instrument, which recordings are divided by: a table of wavelength in nm
    /// and relative response
    #[arg(long, value_name = "FILE")]
    pub response: Option<PathBuf>,
}

/// Say which gases a tube shows, which it does not and down to what limit
///
/// seen: at least 99 % probable. likely: at least 90 %. not seen: at most 2 %, with the limit from
/// which it would have shown. out of reach: this recording could not have shown it. undecided: the
/// rest.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell gases tube.csv --profile club.profile.toml
  glowtell gases tube.csv --ask He,Ne --svg tube.svg
  glowtell gases *.csv --json --quiet")]
pub struct GasesArgs {
    /// Recordings
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    #[command(flatten)]
    pub asked: AskedArgs,
    /// A recording of the room's light with the tube dark, same instrument; as much of it as the
    /// recordings hold is taken away
    #[arg(long, value_name = "FILE")]
    pub room: Option<PathBuf>,
    /// Response curve of the instrument, which recordings are divided by: a table of wavelength in nm
    /// and relative response
    #[arg(long, value_name = "FILE")]
    pub response: Option<PathBuf>,
}

/// Say what a light source emits, what sort it is, and what its label is worth
///
/// Lines, bands and continuum with peak, centroid and width; shares of ultraviolet, visible and near
/// infrared; what this instrument cannot see. A claim holds, does not hold, or cannot be tested here.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell source nail-lamp.csv --claim 365
  glowtell source steriliser.csv --claim 254±2 --claim UV-C --profile club.profile.toml
  glowtell source a.csv b.csv --compare --csv sources.csv
  glowtell source halogen.csv --colour-temperature 2856 --write-response response.csv
  glowtell source lamp.csv --response response.csv --electrodes --svg lamp.svg

A claim is a wavelength in nm (365, 254±2, 395-405) or a name (UV-C, UV-B, UV-A, UV, visible,
infrared, violet, blue, green, yellow, orange, red). The exit code is 1 where a claim does not hold.")]
pub struct SourceArgs {
    /// Recordings
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// What the label says; may be given several times, holds for every file
    #[arg(long, value_name = "CLAIM", allow_hyphen_values = true)]
    pub claim: Vec<String>,
    /// Standard uncertainty of an axis in nm that nobody has calibrated
    #[arg(
        long,
        value_name = "NM",
        value_parser = positive,
        allow_negative_numbers = true,
        default_value_t = glowtell::source::FACTORY_AXIS_U_NM
    )]
    pub axis_u: f64,
    /// Response curve of the instrument: a table of wavelength in nm and relative response
    #[arg(long, value_name = "FILE", conflicts_with = "corrected")]
    pub response: Option<PathBuf>,
    /// The recordings are corrected for the response already
    #[arg(long)]
    pub corrected: bool,
    /// Hold the sources against the first, region by region; all recorded in the same way, with
    /// the same exposure
    #[arg(long)]
    pub compare: bool,
    /// Show from which cathodes this light may free electrons, through which glass
    #[arg(long)]
    pub electrodes: bool,
    /// Write all emissions, shares and claims into this file as comma-separated values
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Make a response curve from a recording of an incandescent lamp, and write it into this file
    #[arg(long, value_name = "FILE", requires = "colour_temperature")]
    pub write_response: Option<PathBuf>,
    /// Colour temperature of that lamp, K
    #[arg(long, value_name = "K", value_parser = positive, allow_negative_numbers = true, requires = "write_response")]
    pub colour_temperature: Option<f64>,
    /// Standard uncertainty of that colour temperature, K
    #[arg(long, value_name = "K", value_parser = positive, allow_negative_numbers = true, default_value_t = 50.0)]
    pub colour_temperature_u: f64,
}

/// Look into the line tables
///
/// Without arguments: the species that there are.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell lines
  glowtell lines \"Ne I\"
  glowtell lines --near 587.6 --within 0.8
  glowtell lines Ar --near 811.5
  glowtell lines He Ne --confusable --width 1.5")]
pub struct LinesArgs {
    /// Species (`Ne I`) or gases (`Ne`)
    #[arg(value_name = "SPECIES")]
    pub species: Vec<String>,
    /// Only lines around this wavelength, nm (air)
    #[arg(long, value_name = "NM", value_parser = positive, allow_negative_numbers = true)]
    pub near: Option<f64>,
    /// How far around it, nm: about the width of a line in a cheap spectrometer
    #[arg(long, value_name = "NM", value_parser = positive, allow_negative_numbers = true, default_value_t = 1.0, requires = "near")]
    pub within: f64,
    /// Give wavelengths, that of --near among them, in vacuum instead of air (Ciddor 1996)
    #[arg(long)]
    pub vacuum: bool,
    /// Of two species or gases: which strong lines of each the other hides at the line width of the
    /// instrument, and which tell them apart
    #[arg(long, conflicts_with_all = ["near", "vacuum"])]
    pub confusable: bool,
    /// Line width (FWHM) of the instrument, nm
    #[arg(long, value_name = "NM", value_parser = positive, allow_negative_numbers = true, default_value_t = 1.5, requires = "confusable")]
    pub width: f64,
}

/// Make recordings from a recipe: a described tube or lamp seen through a described instrument
///
/// The same recipe gives the same files.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Example:
  glowtell simulate recipe.toml --out made")]
pub struct SimulateArgs {
    /// The recipe (TOML)
    #[arg(value_name = "RECIPE")]
    pub recipe: PathBuf,
    /// Folder for the recordings; made where it is missing
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
}

/// Turn a recording into another file format, or several into one
///
/// Reads whatever this program reads (text, JCAMP-DX, FITS, PNG, JPEG) and writes text, JCAMP-DX or
/// FITS, by the ending of --out, with all digits. What the format cannot hold is said. With --profile
/// the recording is put on the saved axis; --dark, --background and --flat are applied before.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell convert tube.csv --out tube.jdx
  glowtell convert photo.jpg --out strip.csv --rows 310..380
  glowtell convert tube.csv --dark dark.csv --profile club.profile.toml --out tube.fits
  glowtell convert short.csv long.csv --join exposures --out tube.csv
  glowtell convert peaks.jdx --peaks --out peaks.csv

Endings: csv, txt, dat: text; jdx, dx, jcamp: JCAMP-DX; fits, fit, fts: FITS.")]
pub struct ConvertArgs {
    /// The recording; several with --join
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// Where to write; the ending chooses the format
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
    /// Make one of several: repeats are averaged, exposures of different length merged
    #[arg(long, value_name = "HOW")]
    pub join: Option<JoinArg>,
    /// Take the table of peaks of a JCAMP-DX file, and write it as text
    #[arg(long, conflicts_with = "join")]
    pub peaks: bool,
    /// Response curve of the instrument, which recordings are divided by: a table of wavelength in nm
    /// and relative response
    #[arg(long, value_name = "FILE")]
    pub response: Option<PathBuf>,
}

/// How several recordings become one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum JoinArg {
    /// The same thing recorded again in the same way.
    Repeats,
    /// The same light with different exposure.
    Exposures,
}

/// Write a bench sheet for a folder of recordings
///
/// Looks at what every file holds, guesses which are lamp, darks, tubes and light sources, which are
/// repeats or exposures of one thing, and writes a sheet for `glowtell run` with the reason beside
/// each guess. Names of files never decide alone. Read it before you run it.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  glowtell sheet recordings
  glowtell sheet recordings --out recordings/bench.toml")]
pub struct SheetArgs {
    /// Folder of the recordings; folders in it are not looked into
    #[arg(value_name = "DIR")]
    pub folder: PathBuf,
    /// Where to write the sheet [default: bench.toml in the folder]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Write over a sheet that is there already
    #[arg(long)]
    pub replace: bool,
}

/// One number from 1, or two as `210..260`.
fn rows(text: &str) -> Result<[usize; 2], String> {
    let number = |t: &str| t.trim().parse::<usize>().ok().filter(|n| *n >= 1);
    let ends = match text.split_once("..") {
        Some((a, b)) => number(a).zip(number(b)),
        None => number(text).map(|n| (n, n)),
    };
    match ends {
        Some((a, b)) if a <= b => Ok([a, b]),
        _ => Err("give a row from 1, or two as 210..260".into()),
    }
}

/// A finite number above zero.
fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(v) if v.is_finite() && v > 0.0 => Ok(v),
        _ => Err("give a positive number".into()),
    }
}

/// Two numbers of nm, the lower first, as `400..700`.
fn span(text: &str) -> Result<[f64; 2], String> {
    let ends = text.split_once("..").map(|(a, b)| (positive(a.trim()), positive(b.trim())));
    match ends {
        Some((Ok(a), Ok(b))) if a < b => Ok([a, b]),
        _ => Err("give two wavelengths, the shorter first, as 400..700".into()),
    }
}

/// A day of the calendar, `YYYY-MM-DD`.
fn day(text: &str) -> Result<String, String> {
    let parts: Vec<&str> = text.split('-').collect();
    let number = |s: &str, digits: usize| {
        (s.len() == digits && s.bytes().all(|b| b.is_ascii_digit()))
            .then(|| s.parse::<u32>().ok())
            .flatten()
    };
    let found = match parts.as_slice() {
        [y, m, d] => number(y, 4).zip(number(m, 2)).zip(number(d, 2)),
        _ => None,
    };
    let days = |y: u32, m: u32| match m {
        2 if y.is_multiple_of(4) && (!y.is_multiple_of(100) || y.is_multiple_of(400)) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    };
    match found {
        Some(((y, m), d)) if (1..=12).contains(&m) && (1..=days(y, m)).contains(&d) => {
            Ok(text.into())
        }
        _ => Err("give a day as 2024-05-01".into()),
    }
}

/// A message of the argument parser as one sentence: what is wrong and what is close to it, without
/// the usage lines.
pub fn one_sentence(message: &str) -> String {
    let upto = message.find("\nUsage:").unwrap_or(message.len());
    let upto = message.find("\nFor more information").map_or(upto, |i| i.min(upto));
    let text = message[..upto].trim_start_matches("error: ");
    let mut out = String::new();
    for part in text.lines().map(str::trim).filter(|p| !p.is_empty()) {
        if !out.is_empty() {
            out.push_str(if out.ends_with(':') { " " } else { "; " });
        }
        out.push_str(part);
    }
    out + "; --help shows what can be typed"
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definition_is_sound() {
        Args::command().debug_assert();
    }

    #[test]
    fn mistakes_are_one_sentence() {
        for (typed, part) in [
            (&["glowtell", "gases"][..], "FILE"),
            (&["glowtell", "gases", "--asks", "He", "x"], "--ask"),
            (&["glowtell", "gasses", "x"], "gases"),
            (&["glowtell", "lines", "--near", "blue"], "blue"),
            (&["glowtell", "peaks", "x", "--theme", "beige"], "light"),
        ] {
            let e = Args::try_parse_from(typed).unwrap_err();
            let sentence = one_sentence(&e.to_string());
            assert!(!sentence.contains('\n') && !sentence.contains("Usage"), "{sentence}");
            assert!(!sentence.starts_with("error") && sentence.contains(part), "{sentence}");
        }
    }

    #[test]
    fn days_and_stretches() {
        for good in ["2024-02-29", "2023-12-31", "2000-02-29"] {
            assert_eq!(day(good).as_deref(), Ok(good));
        }
        for bad in ["2023-02-29", "1900-02-29", "2024-13-01", "24-01-01", "2024-1-1", "today", ""] {
            assert!(day(bad).is_err(), "{bad}");
        }
        assert_eq!((rows("12"), rows("3..40")), (Ok([12, 12]), Ok([3, 40])));
        for bad in ["0", "4..3", "", "a", "1..", "-1"] {
            assert!(rows(bad).is_err(), "{bad}");
        }
        assert_eq!(span("400..700.5"), Ok([400.0, 700.5]));
        for bad in ["700..400", "400", "400..", "a..b", "400...700", "-5..7"] {
            assert!(span(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn common_options_may_stand_before_and_after_the_command() {
        for typed in [["glowtell", "--json", "gases", "x"], ["glowtell", "gases", "x", "--json"]] {
            assert!(Args::try_parse_from(typed).unwrap().common.json);
        }
    }
}
