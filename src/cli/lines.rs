//! `glowtell lines`: a look into the tables.

use super::Ending;
use super::args::LinesArgs;
use super::output::{WIDEST, print};
use super::settings::Common;
use anyhow::bail;
use glowtell::bench::check_asked;
use glowtell::gases::confusable;
use glowtell::reference::{Band, Feature, Line, Shading, Species, SpeciesKind, vacuum_to_air_nm};
use glowtell::report::{Medium, format, terminal};
use glowtell::signal::LineWidth;
use serde::Serialize;

/// Below every list of lines.
const SCALES: &str = "Strengths are relative within one species: never compare those of two.";
/// Digits of an offset in JSON.
const OFFSET_DIGITS: usize = 6;
/// What separates the columns.
const GAP: &str = "  ";

pub fn run(args: &LinesArgs, common: &Common) -> anyhow::Result<Ending> {
    let tables = &common.tables;
    if args.vacuum && common.json {
        bail!("the tables are in air, and so is their JSON; leave out --vacuum or --json");
    }
    let medium = if args.vacuum { Medium::Vacuum } else { Medium::Air };
    // The tables change from vacuum to air at 200 nm.
    let asked = args.near.map(|nm| {
        let air = vacuum_to_air_nm(nm);
        if args.vacuum && medium.nm(air) > air { air } else { nm }
    });
    check_asked(&args.species, tables)?;
    if args.confusable {
        return confusable_pair(args, common);
    }
    let wanted = |s: &Species| {
        let same = |w: &String| w.eq_ignore_ascii_case(&s.name) || w.eq_ignore_ascii_case(&s.gas);
        args.species.is_empty() || args.species.iter().any(same)
    };
    let text = if args.species.is_empty() && args.near.is_none() {
        let all: Vec<&Species> = tables.species().iter().collect();
        if common.json {
            json(all.into_iter().map(SpeciesEntry::of))?
        } else {
            species_table(&all, medium)
        }
    } else {
        let found: Vec<Entry<'_>> = match asked {
            Some(nm) => tables
                .lines_near(nm, args.within)
                .into_iter()
                .filter(|n| wanted(n.species))
                .map(|n| Entry::of(n.species, n.feature, Some(n.offset_nm)))
                .collect(),
            None => tables.species().iter().filter(|s| wanted(s)).flat_map(all_of).collect(),
        };
        if common.json {
            json(found.into_iter())?
        } else if found.is_empty() {
            "The tables hold no such line; --within looks further around.\n".into()
        } else {
            lines_table(&found, medium) + SCALES + "\n"
        }
    };
    let mut text = text;
    if !common.json {
        let replaced = tables.notes().iter().map(String::as_str);
        text += &terminal::notes("Tables", replaced, &common.style);
    }
    if !text.is_empty() {
        print(&text)?;
    }
    Ok(Ending::Answered)
}

/// Range over which two species are held against each other, nm: that of a cheap instrument.
const PAIR_RANGE_NM: (f64, f64) = (300.0, 1100.0);

/// Widest line (FWHM) of an instrument that tells lines apart at all, nm.
const WIDEST_LINE_NM: f64 = 20.0;

/// Two species held against each other, both ways.
fn confusable_pair(args: &LinesArgs, common: &Common) -> anyhow::Result<Ending> {
    let species: Vec<&Species> = args
        .species
        .iter()
        .filter_map(|w| {
            let all = common.tables.species();
            let named = |s: &&Species| w.eq_ignore_ascii_case(&s.name);
            // Of a gas its neutral atom, which the tables list first.
            all.iter().find(named).or_else(|| all.iter().find(|s| w.eq_ignore_ascii_case(&s.gas)))
        })
        .collect();
    let [a, b] = species[..] else {
        bail!("--confusable takes two species or gases, as in `glowtell lines He Ne --confusable`");
    };
    if a.name == b.name {
        bail!("{} cannot be held against itself; name two different species or gases", a.name);
    }
    if args.width > WIDEST_LINE_NM {
        bail!(
            "--width {}: no spectrometer has lines that wide; give the line width (FWHM) in nm, at \
             most {WIDEST_LINE_NM}",
            args.width
        );
    }
    if let Some(bands) = [a, b].into_iter().find(|s| s.lines.is_empty()) {
        bail!(
            "{} has bands and no lines in the tables, and bands hide nothing by a place; see \
             `glowtell lines {:?}`",
            bands.name,
            bands.name
        );
    }
    let width = LineWidth::constant(args.width, 0.0);
    let pairs = [(a, b), (b, a)];
    if common.json {
        let all: Vec<_> = pairs
            .iter()
            .map(|(of, against)| {
                serde_json::json!({
                    "species": of.name, "against": against.name, "fwhm_nm": args.width,
                    "lines": confusable(of, against, PAIR_RANGE_NM, &width),
                })
            })
            .collect();
        print(&(serde_json::to_string_pretty(&all)? + "\n"))?;
        return Ok(Ending::Answered);
    }
    let mut text = String::new();
    for (of, against) in pairs {
        let mut list = confusable(of, against, PAIR_RANGE_NM, &width);
        list.sort_by(|x, y| y.strength.total_cmp(&x.strength));
        text += &format!(
            "{} beside {}, lines {} nm wide (FWHM), strongest first\n{:>10}  {:>8}  hidden by, nm (air)\n",
            of.name, against.name, args.width, "nm (air)", "strength"
        );
        for m in list {
            let by = m.hidden_by.map_or("nothing: tells them apart".into(), |(nm, s)| {
                format!("{} {nm:.2} ({s:.2})", against.name)
            });
            text += &format!("{:>10.2}  {:>8.2}  {by}\n", m.nm, m.strength);
        }
        text.push('\n');
    }
    for s in common.tables.species().iter().filter(|s| !s.bands.is_empty()) {
        if [a, b].iter().any(|x| x.gas == s.gas) {
            text += &format!("{} also has bands ({}), which are not held here.\n", s.gas, s.name);
        }
    }
    text += &format!(
        "A line is hidden by one of the other species less than a line width ({} nm) away.\n",
        args.width
    );
    print(&(text + SCALES + "\n"))?;
    Ok(Ending::Answered)
}

/// All lines and bands of a species.
fn all_of(species: &Species) -> impl Iterator<Item = Entry<'_>> {
    let lines = species.lines.iter().map(Feature::Line);
    let bands = species.bands.iter().map(Feature::Band);
    lines.chain(bands).map(move |f| Entry::of(species, f, None))
}

/// One line or band, as it is printed.
#[derive(Serialize)]
struct Entry<'a> {
    species: &'a str,
    gas: &'a str,
    /// Tabulated less asked, nm.
    #[serde(skip_serializing_if = "Option::is_none")]
    offset_nm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    line: Option<&'a Line>,
    #[serde(skip_serializing_if = "Option::is_none")]
    band: Option<&'a Band>,
}

impl<'a> Entry<'a> {
    fn of(species: &'a Species, feature: Feature<'a>, offset_nm: Option<f64>) -> Self {
        let (line, band) = match feature {
            Feature::Line(l) => (Some(l), None),
            Feature::Band(b) => (None, Some(b)),
        };
        // The subtraction leaves digits that no table has.
        let offset_nm = offset_nm.map(|o| format::significant(o, OFFSET_DIGITS));
        Entry { species: &species.name, gas: &species.gas, offset_nm, line, band }
    }
}

/// One species, as it is listed.
#[derive(Serialize)]
struct SpeciesEntry<'a> {
    species: &'a str,
    gas: &'a str,
    kind: SpeciesKind,
    system: &'a str,
    lines: usize,
    bands: usize,
    range_nm: Option<[f64; 2]>,
}

impl<'a> SpeciesEntry<'a> {
    fn of(s: &'a Species) -> Self {
        let first = s.lines.first().map(|l| l.wavelength_nm).or(s.bands.first().map(|b| b.head_nm));
        let last = s.lines.last().map(|l| l.wavelength_nm).or(s.bands.last().map(|b| b.head_nm));
        SpeciesEntry {
            species: &s.name,
            gas: &s.gas,
            kind: s.kind,
            system: &s.system,
            lines: s.lines.len(),
            bands: s.bands.len(),
            range_nm: first.zip(last).map(|(a, b)| [a, b]),
        }
    }
}

/// One document a line.
fn json(entries: impl Iterator<Item = impl Serialize>) -> anyhow::Result<String> {
    let mut out = String::new();
    for e in entries {
        out += &serde_json::to_string(&e)?;
        out.push('\n');
    }
    Ok(out)
}

fn species_table(all: &[&Species], medium: Medium) -> String {
    let rows = all.iter().map(|s| {
        let e = SpeciesEntry::of(s);
        let count = if e.bands > 0 {
            format::counted(e.bands, "band", "bands")
        } else {
            format::counted(e.lines, "line", "lines")
        };
        let range = e.range_nm.map_or(format::NONE.into(), |[a, b]| {
            format!("{} to {}", format::nm(medium.nm(a)), format::nm(medium.nm(b)))
        });
        [e.species.to_string(), e.gas.to_string(), count, range, e.system.to_string()]
    });
    let heads = ["species", "gas", "in the tables", medium.words(), "band system"];
    columns(heads, [false, false, true, true, false], rows)
}

fn lines_table(found: &[Entry<'_>], medium: Medium) -> String {
    let dash = || format::NONE.to_string();
    let rows = found.iter().map(|e| {
        let off = e.offset_nm.map_or_else(String::new, |o| format!("{o:+.3}"));
        match (e.line, e.band) {
            (Some(l), _) => [
                e.species.to_string(),
                format!("{:.4}", medium.nm(l.wavelength_nm)),
                off,
                l.intensity.map_or_else(dash, format::plain),
                l.a_per_s.map_or_else(dash, |a| format!("{a:.2e}")),
                l.e_upper_per_cm.map_or_else(dash, |e| format!("{e:.0}")),
                l.note.to_string(),
            ],
            (None, Some(b)) => [
                e.species.to_string(),
                format::nm(medium.nm(b.head_nm)),
                off,
                b.strength.map_or_else(dash, format::plain),
                b.a_per_s.map_or_else(dash, |a| format!("{a:.2e}")),
                dash(),
                format!("{} {}", b.label, shading(b.shading)),
            ],
            (None, None) => Default::default(),
        }
    });
    let offset = if found.iter().any(|e| e.offset_nm.is_some()) { "off nm" } else { "" };
    let heads = ["species", medium.words(), offset, "strength", "A 1/s", "upper 1/cm", "remark"];
    columns(heads, [false, true, true, true, true, true, false], rows)
}

fn shading(s: Shading) -> &'static str {
    match s {
        Shading::Violet => "head, fades to the violet",
        Shading::Red => "head, fades to the red",
        Shading::LineLike => "narrow like a line",
        Shading::Continuum => "hump",
    }
}

/// Rows under heads, each column as wide as it needs; the last is cut where the table would get too
/// wide, and columns without a head are left out.
fn columns<const N: usize>(
    heads: [&str; N],
    right: [bool; N],
    rows: impl Iterator<Item = [String; N]>,
) -> String {
    let rows: Vec<[String; N]> = rows.collect();
    let long = |s: &str| s.chars().count();
    let width: [usize; N] = std::array::from_fn(|c| {
        rows.iter().map(|r| long(&r[c])).chain([long(heads[c])]).max().unwrap_or(0)
    });
    let shown: Vec<usize> = (0..N).filter(|c| !heads[*c].is_empty()).collect();
    let line = |cells: [&str; N]| {
        let mut out = String::new();
        for (k, c) in shown.iter().copied().enumerate() {
            if k > 0 {
                out += GAP;
            }
            let pad = " ".repeat(width[c] - long(cells[c]));
            out += &if right[c] { pad + cells[c] } else { cells[c].to_string() + &pad };
        }
        let end = out.trim_end();
        if long(end) <= WIDEST {
            return format!("{end}\n");
        }
        let cut: String = end.chars().take(WIDEST - 1).collect();
        format!("{}…\n", cut.trim_end())
    };
    let mut out = line(heads);
    for r in &rows {
        out += &line(std::array::from_fn(|c| r[c].as_str()));
    }
    out
}
