//! A bench sheet for a folder of unknown recordings: what each file holds decides what it is taken
//! for, and the reason stands beside each guess. Names only join what already looks alike.

use super::exposure::{exposure_ms, same};
use super::repeats::same_axis;
use crate::calibrate::{CalibrateSettings, Lamp, Profile, calibrate};
use crate::import::{ImportSettings, read_file};
use crate::reference::Tables;
use crate::signal::{PeakList, PeakSettings, find_peaks};
use crate::{Error, Mask, Result, Spectrum};
use rayon::prelude::*;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// Most files of a folder that are looked at; a bench has some tens.
const MAX_FILES: usize = 1000;
/// A recording without lines whose light is below this share of the middle one in the folder is a
/// dark: stray light of a well-covered instrument is less.
const DARK_SHARE: f64 = 0.01;
/// The same for a folder of faint things: light below so many standard deviations of a point.
const DARK_SIGMAS: f64 = 12.0;
/// Light in humps over light in lines from which a thing is a light source rather than a tube.
const HUMP_RATIO: f64 = 3.0;
/// Standard deviations of a point above which a raised level is light rather than a level that
/// wanders.
const HUMP_SIGMAS: f64 = 3.0;
/// Line widths from which a bump is a hump; the bands of molecules are narrower.
const WIDE_LINES: f64 = 6.0;
/// Significance from which on a peak of a dim recording is light rather than scatter, and its least
/// width in points.
const FAINT: f64 = 6.0;
const FAINT_POINTS: f64 = 2.0;
/// Correlation of what stands above the baselines from which two recordings may be of one thing.
const ALIKE: f64 = 0.98;

/// A sheet as text, with what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// The sheet (TOML), with a comment beside each guess.
    pub text: String,
    /// What was found, in one sentence.
    pub summary: String,
    /// All files that were looked at.
    pub files: Vec<PathBuf>,
}

/// One file that could be read.
struct Seen {
    path: PathBuf,
    name: String,
    spectrum: Spectrum,
    peaks: PeakList,
    exposure: Option<f64>,
    /// Highest smooth point above the floor, counts.
    top: f64,
    /// Light in humps over light in lines.
    hump: f64,
}

/// What a file is taken for.
enum Role {
    Dark,
    Tube,
    Light,
}

/// Looks at every file of a folder and writes a sheet that [`super::run()`] takes. `out` is where
/// the sheet is to lie; file names are relative to it where they can be.
///
/// # Errors
/// [`Error::Read`] where the folder cannot be read; [`Error::Input`] where it holds no recording, or
/// too many files.
pub fn draft(folder: &Path, out: &Path, import: &ImportSettings, tables: &Tables) -> Result<Draft> {
    let unreadable = |source| Error::Read { path: folder.into(), source };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        let hidden = path.file_name().is_none_or(|n| n.to_string_lossy().starts_with('.'));
        if path.is_file() && !hidden {
            files.push(path);
        }
        if files.len() > MAX_FILES {
            return Err(Error::input(
                folder,
                None,
                format!("the folder holds more than {MAX_FILES} files"),
                "put the recordings of one bench into a folder of their own",
            ));
        }
    }
    files.sort();
    let read: Vec<(PathBuf, Result<Seen>)> =
        files.par_iter().map(|p| (p.clone(), look(p, import))).collect();
    let mut seen = Vec::new();
    let mut not_read = Vec::new();
    for (path, result) in read {
        match result {
            Ok(s) => seen.push(s),
            Err(e) => not_read.push((path, e.to_string())),
        }
    }
    let (seen, strangers) = one_instrument(seen);
    if seen.is_empty() {
        return Err(Error::input(
            folder,
            None,
            "none of its files holds a recording",
            "name the folder of the exports",
        ));
    }
    let text = write(&seen, &strangers, &not_read, folder, out, tables);
    Ok(Draft { text: text.0, summary: text.1, files })
}

/// Reads a file and finds its lines.
fn look(path: &Path, import: &ImportSettings) -> Result<Seen> {
    // Sheets, profiles and recipes are no recordings, whatever numbers they hold.
    if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")) {
        return Err(Error::input(path, None, "a TOML file is no recording", "leave it out"));
    }
    let spectrum = read_file(path, import)?;
    let peaks = find_peaks(&spectrum, &PeakSettings::default())?;
    let counts = spectrum.counts();
    let mut sorted: Vec<f64> = counts.to_vec();
    sorted.sort_by(f64::total_cmp);
    let floor = sorted.get(sorted.len() / 10).copied().unwrap_or(0.0);
    // The middle of five leaves out hot pixels.
    let smooth = counts.windows(5).map(|w| {
        let mut w = w.to_vec();
        w.sort_by(f64::total_cmp);
        w[2]
    });
    let top = smooth.fold(f64::NEG_INFINITY, f64::max) - floor;
    let (hump, lines) = broad_and_narrow(&spectrum, &peaks);
    Ok(Seen {
        path: path.to_path_buf(),
        name: spectrum.provenance.name.clone(),
        exposure: exposure_ms(&spectrum),
        top,
        hump: hump / lines.max(f64::MIN_POSITIVE),
        spectrum,
        peaks,
    })
}

/// Light in humps and light in lines, counts summed over the points.
///
/// A level that wanders by less than the scatter of a point is no hump; a bump many line widths wide
/// is one, whether or not the baseline follows it.
fn broad_and_narrow(spectrum: &Spectrum, peaks: &PeakList) -> (f64, f64) {
    let n = spectrum.len().min(peaks.baseline.len()).min(peaks.sigma.len());
    let mut levels: Vec<f64> = peaks.baseline[..n].to_vec();
    levels.sort_by(f64::total_cmp);
    let base = levels.get(n / 10).copied().unwrap_or(0.0);
    let mut wide = vec![false; n];
    if let Some(width) = &peaks.line_width {
        let of_wide =
            |p: &&crate::signal::Peak| p.fwhm.value > WIDE_LINES * width.fwhm(p.centre.value);
        for p in peaks.peaks.iter().filter(of_wide) {
            let reach = [p.centre.value - p.fwhm.value, p.centre.value + p.fwhm.value];
            let at = reach.map(|x| spectrum.axis().index_of(x).round().max(0.0) as usize);
            let (a, b) = (at[0].min(at[1]), at[0].max(at[1]).min(n.saturating_sub(1)));
            wide.iter_mut().take(b + 1).skip(a).for_each(|w| *w = true);
        }
    }
    let (mut hump, mut lines) = (0.0, 0.0);
    let points = spectrum.counts().iter().zip(&peaks.baseline).zip(&peaks.sigma);
    for (((counts, baseline), sigma), wide) in points.zip(&wide) {
        let above = baseline - base;
        if above > HUMP_SIGMAS * sigma {
            hump += above;
        }
        let over = counts - baseline;
        if over > 3.0 * sigma {
            *(if *wide { &mut hump } else { &mut lines }) += over;
        }
    }
    (hump, lines)
}

/// The recordings that share an axis, as many as possible, and the others.
fn one_instrument(seen: Vec<Seen>) -> (Vec<Seen>, Vec<Seen>) {
    let fits =
        |a: &Seen| seen.iter().filter(|b| same_axis(&a.spectrum, &b.spectrum).is_ok()).count();
    let counts: Vec<usize> = seen.iter().map(fits).collect();
    let most = counts.iter().copied().max().unwrap_or(0);
    let Some(first) = counts.iter().position(|c| *c == most) else { return (seen, Vec::new()) };
    let keep: Vec<bool> =
        seen.iter().map(|b| same_axis(&seen[first].spectrum, &b.spectrum).is_ok()).collect();
    let (mut same, mut other) = (Vec::new(), Vec::new());
    for (s, k) in seen.into_iter().zip(keep) {
        if k { same.push(s) } else { other.push(s) }
    }
    (same, other)
}

/// The lamp: the recording whose pattern sets the axis best, with the lamp and the profile.
fn lamp_of(seen: &[&Seen], tables: &Tables) -> Option<(usize, Profile)> {
    let by = |lamp: Option<Lamp>| {
        let settings = CalibrateSettings { lamp, ..CalibrateSettings::default() };
        let all: Vec<(usize, Profile)> = seen
            .par_iter()
            .enumerate()
            .filter_map(|(i, s)| {
                Some((i, calibrate(&s.spectrum, &s.peaks, tables, &settings).ok()?))
            })
            .collect();
        all.into_iter().max_by(|a, b| {
            // Phosphor is what lamps have and tubes lack.
            let fluorescent = |p: &Profile| p.lamps.iter().any(|l| l.lamp == Lamp::Fluorescent);
            let key = |p: &Profile| (fluorescent(p), p.anchors.len(), -p.rms_nm);
            key(&a.1).partial_cmp(&key(&b.1)).unwrap_or(std::cmp::Ordering::Equal)
        })
    };
    by(Some(Lamp::Fluorescent)).or_else(|| by(None))
}

/// Dark, tube or light, with the reason.
fn role_of(s: &Seen, middle_top: f64) -> (Role, String) {
    let mut sigma = s.peaks.sigma.clone();
    sigma.sort_by(f64::total_cmp);
    let sigma = sigma.get(sigma.len() / 2).copied().unwrap_or(0.0);
    let lines = s.peaks.peaks.iter().filter(|p| p.line_like && p.significance > 20.0).count();
    // However faint, lines are light; what is narrower than two points is a hot pixel.
    let width = FAINT_POINTS * s.spectrum.axis().step(s.spectrum.len() / 2);
    let is_faint =
        |p: &crate::signal::Peak| p.line_like && p.significance > FAINT && p.fwhm.value > width;
    let faint = s.peaks.peaks.iter().any(is_faint);
    if !faint && s.top < (DARK_SHARE * middle_top).max(DARK_SIGMAS * sigma) {
        return (
            Role::Dark,
            format!(
                "no lines, and its highest smooth point is {:.0} counts above its floor",
                s.top
            ),
        );
    }
    if s.hump > HUMP_RATIO || (lines == 0 && !faint) {
        return (
            Role::Light,
            match lines {
                0 => "broad light without lines".to_string(),
                n => format!("broad light, {:.1} times that in its lines ({n} clear ones)", s.hump),
            },
        );
    }
    (Role::Tube, format!("{lines} clear lines, {:.1} times as much light in humps", s.hump))
}

/// Correlation of what two recordings have above their baselines, where neither is clipped.
fn correlation(a: &Seen, b: &Seen) -> f64 {
    let above = |s: &Seen, i: usize| s.spectrum.counts()[i] - s.peaks.baseline[i];
    let top = |s: &Seen| {
        s.spectrum.counts().iter().copied().fold(f64::NEG_INFINITY, f64::max) * (1.0 - 1e-3)
    };
    let (ta, tb) = (top(a), top(b));
    let good = |s: &Seen, i: usize, t: f64| {
        s.spectrum.mask()[i].is_good()
            && (s.peaks.saturation.is_none() || s.spectrum.counts()[i] < t)
            && !s.spectrum.mask()[i].has(Mask::SATURATED)
    };
    let (mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0);
    for i in 0..a.spectrum.len().min(b.spectrum.len()) {
        if good(a, i, ta) && good(b, i, tb) {
            let (x, y) = (above(a, i), above(b, i));
            aa += x * x;
            bb += y * y;
            ab += x * y;
        }
    }
    ab / (aa * bb).sqrt()
}

/// A name without the number at its end and what sets it apart.
fn stem(name: &str) -> &str {
    let bare = name.trim_end_matches(|c: char| c.is_ascii_digit());
    bare.trim_end_matches(['-', '_', ' ', '.'])
}

/// Recordings of one thing: which ones, and whether they are exposures of different length.
struct Group {
    members: Vec<usize>,
    exposures: bool,
}

/// Puts together what looks alike and is named alike.
fn groups(list: &[&Seen]) -> Vec<Group> {
    let mut out: Vec<Group> = Vec::new();
    for (i, s) in list.iter().enumerate() {
        let found = out.iter_mut().find(|g| {
            let first = list[g.members[0]];
            // A number of its own at the end of the name is what repeats have; a whole name that is
            // a number tells nothing.
            let named = !stem(&s.name).is_empty()
                && stem(&first.name) == stem(&s.name)
                && ends_in_part(&first.name)
                && ends_in_part(&s.name);
            named && correlation(first, s) > ALIKE
        });
        match found {
            Some(g) => {
                let first = list[g.members[0]].exposure;
                let differ = matches!((first, s.exposure), (Some(a), Some(b)) if !same(a, b));
                g.exposures |= differ;
                g.members.push(i);
            }
            None => out.push(Group { members: vec![i], exposures: false }),
        }
    }
    out
}

/// True for `a5-2`, `lamp_3`, `scan 7`: a number set apart from the rest.
fn ends_in_part(name: &str) -> bool {
    let digits = name.len() - name.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    let before = &name[..name.len() - digits];
    digits > 0 && before.ends_with(['-', '_', ' ', '.'])
}

/// A text in TOML.
fn quoted(text: &str) -> String {
    toml::Value::String(text.into()).to_string()
}

/// A comment, on one line.
fn remark(text: &str) -> String {
    let one_line: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    format!("# {one_line}\n")
}

/// The sheet and its summary.
fn write(
    seen: &[Seen],
    strangers: &[Seen],
    not_read: &[(PathBuf, String)],
    folder: &Path,
    out: &Path,
    tables: &Tables,
) -> (String, String) {
    let beside = out.parent().unwrap_or(Path::new(""));
    let absolute = |p: &Path| p.canonicalize().unwrap_or_else(|_| p.to_path_buf());
    let relative = |p: &Path| -> String {
        let base = if beside.as_os_str().is_empty() { Path::new(".") } else { beside };
        let (p, base) = (absolute(p), absolute(base));
        p.strip_prefix(&base).unwrap_or(&p).to_string_lossy().into_owned()
    };
    let mut tops: Vec<f64> = seen.iter().map(|s| s.top).collect();
    tops.sort_by(f64::total_cmp);
    let middle = tops[tops.len() / 2];
    let mut darks = Vec::new();
    let mut rest = Vec::new();
    for s in seen {
        match role_of(s, middle) {
            (Role::Dark, why) => darks.push((s, why)),
            _ => rest.push(s),
        }
    }
    let lamp = lamp_of(&rest, tables);
    let mut text = String::new();
    text += &remark(&format!(
        "Bench sheet for the folder {}, written by glowtell {}.",
        folder.display(),
        crate::VERSION
    ));
    text +=
        &remark("Each guess has its reason beside it. Read them, mend what is wrong, name things.");
    text += "\n[instrument]\n";
    let mut lamp_path = None;
    match &lamp {
        Some((i, p)) => {
            let s = rest[*i];
            lamp_path = Some(s.path.clone());
            let names: Vec<String> = p.lamps.iter().map(|l| l.lamp.to_string()).collect();
            let is = names.join("+");
            text += &remark(&format!(
                "The lamp: its pattern sets the axis ({} anchors, rms {:.3} nm), better than that of \
                 any other file.",
                p.anchors.len(),
                p.rms_nm
            ));
            let _ = writeln!(text, "lamp = {}", quoted(&relative(&s.path)));
            let _ = writeln!(text, "lamp-is = {}", quoted(&is));
        }
        None => {
            text += &remark(
                "No file shows the pattern of a usual lamp, so every file keeps its own axis. Name a \
                 lamp = \"file\" or a profile = \"file\" here.",
            );
        }
    }
    if !darks.is_empty() {
        for (s, why) in &darks {
            let ms = s.exposure.map_or("exposure not told".into(), |e| format!("{e} ms"));
            text += &remark(&format!("{} is a dark ({ms}): {why}.", relative(&s.path)));
        }
        let known: Vec<f64> = darks.iter().filter_map(|(s, _)| s.exposure).collect();
        let items: Vec<f64> = rest.iter().filter_map(|s| s.exposure).collect();
        let serve = |t: f64| {
            known.iter().any(|d| same(t, *d)) || known.windows(2).any(|w| !same(w[0], w[1]))
        };
        let list: Vec<String> = darks.iter().map(|(s, _)| quoted(&relative(&s.path))).collect();
        // A dark that does not fit an item would make it fail.
        let usable = known.is_empty() || items.iter().all(|t| serve(*t));
        if !usable {
            text += &remark(
                "Not used, since some recording has another exposure: give darks of two exposures, or \
                 dark = [...] to each item that it fits.",
            );
        }
        let _ = writeln!(text, "{}dark = [{}]", if usable { "" } else { "# " }, list.join(", "));
    }
    let items: Vec<&Seen> =
        rest.iter().copied().filter(|s| Some(&s.path) != lamp_path.as_ref()).collect();
    let (mut tubes, mut lights) = (0usize, 0usize);
    for group in groups(&items) {
        let members: Vec<&&Seen> = group.members.iter().filter_map(|i| items.get(*i)).collect();
        let Some(first) = members.first() else { continue };
        let (role, why) = role_of(first, middle);
        let header = match role {
            Role::Light => {
                lights += 1;
                "[[light]]"
            }
            _ => {
                tubes += 1;
                "[[tube]]"
            }
        };
        let _ = write!(text, "\n{header}\n");
        text += &remark(&format!("{why}."));
        let name = if members.len() > 1 { stem(&first.name) } else { &first.name };
        let _ =
            writeln!(text, "name = {}", quoted(if name.is_empty() { &first.name } else { name }));
        let list: Vec<String> = members.iter().map(|s| quoted(&relative(&s.path))).collect();
        match list.as_slice() {
            [one] => {
                let _ = writeln!(text, "file = {one}");
            }
            many if group.exposures => {
                text += &remark("Alike, named alike, and of different exposure: merged.");
                let _ = writeln!(text, "exposures = [{}]", many.join(", "));
            }
            many => {
                text += &remark("Alike (above the baseline) and named alike: repeats, averaged.");
                let _ = writeln!(text, "files = [{}]", many.join(", "));
            }
        }
        if let Some(ms) = first.exposure.filter(|_| !group.exposures) {
            let _ = writeln!(text, "exposure-ms = {}", toml::Value::Float(ms));
        }
    }
    if items.is_empty() {
        text += "\n";
        text += &remark("Nothing but lamp and darks was found: add a [[tube]] or a [[light]].");
    }
    if !strangers.is_empty() || !not_read.is_empty() {
        text += "\n";
    }
    for s in strangers {
        text += &remark(&format!(
            "Left out: {} has another axis ({} points, {:.1} to {:.1}) than the {} above.",
            relative(&s.path),
            s.spectrum.len(),
            s.spectrum.x().first().copied().unwrap_or_default(),
            s.spectrum.x().last().copied().unwrap_or_default(),
            crate::report::format::counted(seen.len(), "recording", "recordings")
        ));
    }
    for (path, why) in not_read {
        let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy();
        // The message names the file in full; what follows is the reason.
        let why = why.strip_prefix(&format!("{}: ", path.display())).unwrap_or(why);
        text += &remark(&format!("Left out: {name}: {why}"));
    }
    let summary = format!(
        "{} of {} files are recordings: {}, {} darks, {tubes} tubes, {lights} light sources{}.",
        seen.len() + strangers.len(),
        seen.len() + strangers.len() + not_read.len(),
        if lamp.is_some() { "a lamp" } else { "no lamp" },
        darks.len(),
        if strangers.is_empty() { "" } else { " (those of another axis left out)" }
    );
    (text, summary)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_repeats() {
        assert!(ends_in_part("tube-a5-1") && ends_in_part("scan 7") && ends_in_part("x_12"));
        assert!(!ends_in_part("tube-a5") && !ends_in_part("a1") && !ends_in_part("7"));
        assert_eq!((stem("tube-a5-1"), stem("a_12"), stem("7")), ("tube-a5", "a", ""));
    }

    #[test]
    fn words_of_a_sheet_cannot_be_forged() {
        assert_eq!(remark("a\nname = 1"), "# a name = 1\n");
        let text = format!("x = {}", quoted("a\"\n[[tube]]"));
        let back: toml::Table = toml::from_str(&text).unwrap();
        assert_eq!(back["x"].as_str(), Some("a\"\n[[tube]]"));
    }
}
