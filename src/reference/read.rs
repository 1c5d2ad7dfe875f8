//! Reading one table: lines, bands or lamp features, told apart by the head of the columns.
//!
//! A table is comma-separated text. Lines that start with `#` are remarks; a remark of the form
//! `# key = text` in the head makes `key`, where it is the whole content of a text column, stand
//! for `text`, so that a long source is written once.

use super::columns::{
    BAND_NEEDS, COLUMN_NAMES, Column, LAMP_NEEDS, LINE_NEEDS, Places, UNREAD_COLUMNS,
};
use super::{AnchorUse, Band, LampFeature, Line, Shading, Species, SpeciesKind, Text};
use crate::{Error, Result};
use csv::StringRecord;
use std::collections::HashMap;
use std::path::PathBuf;

/// Shortest wavelength in nm that a table may hold: below lie X-rays, so that a smaller figure
/// is a slip of the unit.
const SHORTEST_NM: f64 = 10.0;
/// Longest wavelength in nm that a table may hold; 5000 would be a wavelength in ångström, or
/// beyond any silicon detector.
const LONGEST_NM: f64 = 3000.0;
/// Line strengths of one band system are eye estimates from 0 to this.
const STRONGEST_BAND: f64 = 10.0;

/// One table as it was found: its name for messages, and its text.
#[derive(Debug, Clone)]
pub(super) struct TableFile {
    /// Name in the folder, `neon.csv`.
    pub name: String,
    /// Where it is, for messages.
    pub path: PathBuf,
    /// The whole content.
    pub text: Text,
}

/// What is collected while tables are read.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    pub species: Vec<Species>,
    pub lamp: Vec<LampFeature>,
    /// What a user should know about the tables that were read.
    pub notes: Vec<String>,
    index: HashMap<String, usize>,
    latest: usize,
}

impl Gathered {
    /// Index of the species of that name, made where it is new.
    fn species_index(
        &mut self,
        name: &str,
        make: impl FnOnce() -> Result<Species>,
    ) -> Result<usize> {
        // Rows of one species stand together: the latest one is nearly always the one wanted.
        if self.species.get(self.latest).is_some_and(|s| s.name == name) {
            return Ok(self.latest);
        }
        self.latest = match self.index.get(name) {
            Some(&at) => at,
            None => {
                self.species.push(make()?);
                self.index.insert(name.to_string(), self.species.len() - 1);
                self.species.len() - 1
            }
        };
        Ok(self.latest)
    }
}

/// One row with all that is needed to read it and to complain about it.
struct Row<'a> {
    file: &'a TableFile,
    keys: &'a [(&'a str, Text)],
    places: &'a Places,
    record: &'a StringRecord,
}

impl Row<'_> {
    /// An error about this row.
    fn error(&self, what: impl Into<String>, remedy: impl Into<String>) -> Error {
        error_at(self.file, self.record, what, remedy)
    }

    /// Content of a column, trimmed; empty where the table does not have it.
    fn get(&self, column: Column) -> &str {
        let place = self.places[column as usize];
        let raw = place.and_then(|p| self.record.get(p)).unwrap_or("");
        // Most fields have nothing to trim, and trimming costs more than looking.
        let ends = [raw.as_bytes().first(), raw.as_bytes().last()];
        if ends.iter().flatten().all(|b| b.is_ascii_graphic()) { raw } else { raw.trim() }
    }

    /// Content of a text column, keys replaced.
    fn text(&self, column: Column) -> Text {
        let raw = self.get(column);
        if raw.is_empty() {
            return Text::Borrowed("");
        }
        match self.keys.iter().find(|(key, _)| *key == raw) {
            Some((_, text)) => text.clone(),
            None => Text::Owned(raw.to_string()),
        }
    }

    /// Content of a column that must not be empty.
    fn needed(&self, column: Column) -> Result<&str> {
        let raw = self.get(column);
        if raw.is_empty() {
            return Err(self.error(format!("column {} is empty", column.name()), "fill it in"));
        }
        Ok(raw)
    }

    /// A finite number, or none where the column is empty.
    fn number(&self, column: Column) -> Result<Option<f64>> {
        let raw = self.get(column);
        if raw.is_empty() {
            return Ok(None);
        }
        match raw.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(value)),
            _ => Err(self.error(
                format!("column {} holds `{}`, which is not a number", column.name(), shorten(raw)),
                "write it like 585.249 or 6.8e6, or leave it empty where it is not known",
            )),
        }
    }

    /// A number within limits, or none where the column is empty.
    fn number_within(&self, column: Column, low: f64, high: f64) -> Result<Option<f64>> {
        let value = self.number(column)?;
        if let Some(v) = value
            && !(low..=high).contains(&v)
        {
            return Err(self.error(
                format!("column {} holds {v}, outside {low} to {high}", column.name()),
                "check the unit and the decimal point",
            ));
        }
        Ok(value)
    }

    /// A positive number, or none where the column is empty.
    fn positive(&self, column: Column) -> Result<Option<f64>> {
        self.number_within(column, f64::MIN_POSITIVE, f64::MAX)
    }

    /// A wavelength in nm.
    fn wavelength(&self, column: Column) -> Result<f64> {
        self.needed(column)?;
        let value = self.number_within(column, SHORTEST_NM, LONGEST_NM)?;
        value.ok_or_else(|| self.error(format!("column {} is empty", column.name()), "fill it in"))
    }
}

/// Reads a table into what has been gathered so far.
pub(super) fn read_table(file: &TableFile, into: &mut Gathered) -> Result<()> {
    let keys: Vec<(&str, Text)> = match &file.text {
        Text::Borrowed(text) => head_keys(text).map(|(k, t)| (k, Text::Borrowed(t))).collect(),
        Text::Owned(text) => head_keys(text).map(|(k, t)| (k, Text::Owned(t.into()))).collect(),
    };
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .comment(Some(b'#'))
        .from_reader(file.text.as_bytes());
    let mut record = StringRecord::new();
    if !next_record(&mut reader, &mut record, file)? {
        return Err(Error::input(
            &file.path,
            None,
            "the table has no head of columns",
            "start it with the names of the columns, as the bundled tables do",
        ));
    }
    let width = record.len();
    let places: Places = COLUMN_NAMES.map(|name| record.iter().position(|n| n.trim() == name));
    look_over_head(file, &record, into)?;
    let has = |column: Column| places[column as usize].is_some();
    let (needs, take): (_, fn(&Row, &mut Gathered) -> Result<()>) = if has(Column::Feature) {
        (LAMP_NEEDS, take_lamp_feature)
    } else if has(Column::Molecule) {
        (BAND_NEEDS, take_band)
    } else {
        (LINE_NEEDS, take_line)
    };
    if let Some(missing) = needs.iter().find(|c| !has(**c)) {
        let all: Vec<_> = needs.iter().map(|c| c.name()).collect();
        return Err(error_at(
            file,
            &record,
            format!("the head of the table has no column `{}`", missing.name()),
            format!("it needs {}, separated by commas", all.join(", ")),
        ));
    }
    while next_record(&mut reader, &mut record, file)? {
        let row = Row { file, keys: &keys, places: &places, record: &record };
        if record.len() != width {
            return Err(row.error(
                format!("the row has {} fields, the head has {width}", record.len()),
                "put text that holds a comma between double quotes",
            ));
        }
        take(&row, into)?;
    }
    Ok(())
}

/// Refuses a column that stands twice, and notes those that are not known: a slip in a name would
/// otherwise pass for a column that was left out.
fn look_over_head(file: &TableFile, head: &StringRecord, into: &mut Gathered) -> Result<()> {
    for (place, name) in head.iter().map(str::trim).enumerate() {
        if head.iter().take(place).any(|earlier| earlier.trim() == name) {
            return Err(error_at(
                file,
                head,
                format!("the head of the table has the column `{}` twice", shorten(name)),
                "give each column a name of its own",
            ));
        }
        if !COLUMN_NAMES.contains(&name) && !UNREAD_COLUMNS.contains(&name) {
            into.notes.push(format!(
                "table {}: the column `{}` is not known and was left alone",
                file.path.display(),
                shorten(name)
            ));
        }
    }
    Ok(())
}

/// Keys of the head: every `# key = text` before the first row.
fn head_keys(text: &str) -> impl Iterator<Item = (&str, &str)> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let head = text.lines().take_while(|l| l.starts_with('#') || l.trim().is_empty());
    head.filter_map(|l| {
        let (key, text) = l.trim_start_matches('#').split_once('=')?;
        let key = key.trim();
        let one_word = !key.is_empty() && !key.contains(char::is_whitespace);
        one_word.then_some((key, text.trim()))
    })
}

/// Next row; false at the end.
fn next_record(
    reader: &mut csv::Reader<&[u8]>,
    record: &mut StringRecord,
    file: &TableFile,
) -> Result<bool> {
    reader.read_record(record).map_err(|e| {
        let line = e.position().map(|p| line_of(&file.text, p.byte()));
        Error::input(&file.path, line, format!("the row cannot be read ({e})"), "mend the row")
    })
}

/// An error about a row of a file.
fn error_at(
    file: &TableFile,
    record: &StringRecord,
    what: impl Into<String>,
    remedy: impl Into<String>,
) -> Error {
    let line = record.position().map(|p| line_of(&file.text, p.byte()));
    Error::input(&file.path, line, what, remedy)
}

/// Line, counted from 1, of the first row at or after a byte: the reader's own position is that
/// of the blank lines and remarks before the row.
fn line_of(text: &str, byte: u64) -> usize {
    let start = usize::try_from(byte).unwrap_or(usize::MAX).min(text.len());
    let (before, after) = text.as_bytes().split_at(start);
    let first = 1 + before.iter().filter(|b| **b == b'\n').count();
    let skipped = after
        .split(|b| *b == b'\n')
        // The reader takes a line of spaces or tabs for a row.
        .take_while(|l| l.starts_with(b"#") || l.iter().all(|b| *b == b'\r'));
    first + skipped.count()
}

/// A user's text, cut for a message.
fn shorten(text: &str) -> String {
    const LONGEST: usize = 40;
    match text.char_indices().nth(LONGEST) {
        Some((cut, _)) => format!("{}…", &text[..cut]),
        None => text.to_string(),
    }
}

/// Takes one row of a table of lines.
fn take_line(row: &Row, into: &mut Gathered) -> Result<()> {
    let name = row.needed(Column::Species)?;
    let at = into.species_index(name, || atom(row, name))?;
    let stage = row.get(Column::IonStage);
    if !stage.is_empty() {
        let roman = name.split_once(' ').map_or("", |(_, roman)| roman);
        if stage.parse().ok() != stage_of(roman) {
            return Err(row.error(
                format!("ion_stage {} does not fit the species {name}", shorten(stage)),
                "I is stage 1, II is stage 2",
            ));
        }
    }
    let line = Line {
        wavelength_nm: row.wavelength(Column::Wavelength)?,
        intensity: row.positive(Column::RelIntensity)?,
        intensity_scale: row.text(Column::Scale),
        a_per_s: row.positive(Column::APerS)?,
        g_upper: row.positive(Column::GUpper)?,
        e_lower_per_cm: row.number_within(Column::ELower, 0.0, f64::MAX)?,
        e_upper_per_cm: row.number_within(Column::EUpper, 0.0, f64::MAX)?,
        accuracy: row.text(Column::Accuracy),
        source: row.text(Column::Source),
        note: row.text(Column::Note),
    };
    if let (Some(lower), Some(upper)) = (line.e_lower_per_cm, line.e_upper_per_cm)
        && lower >= upper
    {
        return Err(row.error(
            format!("the lower level ({lower} 1/cm) is not below the upper one ({upper} 1/cm)"),
            "an emission line goes from e_upper_per_cm down to e_lower_per_cm",
        ));
    }
    let species = &mut into.species[at];
    if species.kind == SpeciesKind::Molecule {
        return Err(row.error(
            format!("{name} is a molecule of another table"),
            "tables of lines are for atoms and ions, named like `Ne I`",
        ));
    }
    insert_ascending(&mut species.lines, line, |l| l.wavelength_nm)
        .map_err(|nm| twice(row, name, nm))
}

/// Takes one row of a table of bands.
fn take_band(row: &Row, into: &mut Gathered) -> Result<()> {
    let name = format!("{} ({})", row.needed(Column::Molecule)?, row.needed(Column::System)?);
    let gas = row.needed(Column::Gas)?;
    let at = into.species_index(&name, || {
        Ok(Species {
            name: name.clone(),
            gas: gas.to_string(),
            kind: SpeciesKind::Molecule,
            system: row.get(Column::SystemName).to_string(),
            lines: Vec::new(),
            bands: Vec::new(),
        })
    })?;
    let shading = match row.needed(Column::ShadingSide)? {
        "violet" => Shading::Violet,
        "red" => Shading::Red,
        "line-like" => Shading::LineLike,
        "continuum" => Shading::Continuum,
        other => {
            return Err(row.error(
                format!("shading `{}` is not known", shorten(other)),
                "write violet, red, line-like or continuum",
            ));
        }
    };
    let band = Band {
        head_nm: row.wavelength(Column::Head)?,
        shading,
        label: row.get(Column::Label).to_string(),
        strength: row.number_within(Column::Strength, 0.0, STRONGEST_BAND)?,
        a_per_s: row.positive(Column::APerS)?,
        width_nm: row.positive(Column::Width)?,
        source: row.text(Column::Source).into_owned(),
        note: row.text(Column::Note).into_owned(),
    };
    let species = &mut into.species[at];
    if species.gas != gas {
        return Err(row.error(
            format!("{name} counts under {} and under {}", species.gas, shorten(gas)),
            "give all bands of a system the same gas",
        ));
    }
    insert_ascending(&mut species.bands, band, |b| b.head_nm).map_err(|nm| twice(row, &name, nm))
}

/// Takes one row of a table of lamp features.
fn take_lamp_feature(row: &Row, into: &mut Gathered) -> Result<()> {
    let kind = row.needed(Column::Kind)?;
    if !["mercury", "buffer-gas", "phosphor"].contains(&kind) {
        return Err(row.error(
            format!("kind `{}` is not known", shorten(kind)),
            "write mercury, buffer-gas or phosphor",
        ));
    }
    let anchor = match row.needed(Column::Anchor)? {
        "yes" => AnchorUse::Yes,
        "caution" => AnchorUse::Caution,
        "uv-only" => AnchorUse::UvOnly,
        "no" => AnchorUse::No,
        other => {
            return Err(row.error(
                format!("anchor `{}` is not known", shorten(other)),
                "write yes, caution, uv-only or no",
            ));
        }
    };
    row.needed(Column::U)?;
    let feature = LampFeature {
        name: row.needed(Column::Feature)?.to_string(),
        species: row.needed(Column::Species)?.to_string(),
        wavelength_nm: row.wavelength(Column::Wavelength)?,
        u_nm: row.positive(Column::U)?.unwrap_or_default(),
        is_mercury: kind == "mercury",
        is_buffer_gas: kind == "buffer-gas",
        is_phosphor: kind == "phosphor",
        intensity: row.positive(Column::RelIntensity)?,
        anchor,
        source: row.text(Column::Source).into_owned(),
        note: row.text(Column::Note).into_owned(),
    };
    let name = feature.name.clone();
    insert_ascending(&mut into.lamp, feature, |f| f.wavelength_nm)
        .map_err(|nm| twice(row, &name, nm))
}

/// The complaint about a wavelength that is there already.
fn twice(row: &Row, name: &str, nm: f64) -> Error {
    row.error(
        format!("{name} has {nm} nm twice, here and earlier or in another table"),
        "remove one of them, or give the file the name of the table that it is to replace",
    )
}

/// Puts an item at its place in an ascending list; gives the wavelength back where it is there
/// already.
fn insert_ascending<T>(list: &mut Vec<T>, item: T, nm: impl Fn(&T) -> f64) -> Result<(), f64> {
    let new = nm(&item);
    if list.last().is_none_or(|last| nm(last) < new) {
        list.push(item);
        return Ok(());
    }
    let place = list.partition_point(|i| nm(i) < new);
    if nm(&list[place]) == new {
        return Err(new);
    }
    list.insert(place, item);
    Ok(())
}

/// A new atom or ion of that name.
fn atom(row: &Row, name: &str) -> Result<Species> {
    let parts = name.split_once(' ').and_then(|(e, r)| Some((e, stage_of(r)?)));
    let is_element = |e: &str| {
        let mut letters = e.chars();
        letters.next().is_some_and(|c| c.is_ascii_uppercase())
            && letters.next().is_none_or(|c| c.is_ascii_lowercase())
            && letters.next().is_none()
    };
    let Some((element, stage)) = parts.filter(|(e, _)| is_element(e)) else {
        return Err(row.error(
            format!("`{}` is not the name of an atom or ion", shorten(name)),
            "write the element, a space and the spectrum in Roman numerals: `Ne I`, `Ar II`",
        ));
    };
    Ok(Species {
        name: name.to_string(),
        gas: if element == "N" { "N2".to_string() } else { element.to_string() },
        kind: if stage == 1 { SpeciesKind::Neutral } else { SpeciesKind::Ion },
        system: String::new(),
        lines: Vec::new(),
        bands: Vec::new(),
    })
}

/// Number of a spectrum: I is the neutral atom.
fn stage_of(roman: &str) -> Option<usize> {
    ["I", "II", "III", "IV", "V", "VI"].iter().position(|r| *r == roman).map(|at| at + 1)
}
