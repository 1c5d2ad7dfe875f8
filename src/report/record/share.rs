//! What of a recording goes into a record that is handed round: nothing that names people or places.

use super::Record;
use std::path::{Path, PathBuf};

/// Header lines of a file that tell how it was measured; a key that holds one of these words is kept.
const MEASUREMENT: [&str; 19] = [
    "integration",
    "exposure",
    "averag",
    "accumulation",
    "scans",
    "boxcar",
    "smoothing",
    "dark",
    "pixels",
    "detector",
    "grating",
    "slit",
    "resolution",
    "fwhm",
    "units",
    "mode",
    "instrument",
    "spectrometer",
    "model",
];
/// … unless it holds one of these.
const PERSONAL: [&str; 10] =
    ["owner", "operator", "user", "serial", "location", "site", "path", "file", "mail", "name"];
/// Signs of a place on a disk or on the net in a value.
const PLACES: [&str; 4] = ["/", "\\", "@", "://"];

/// Whether a header line tells of the measurement and of nobody.
fn is_of_measurement(key: &str, value: &str) -> bool {
    let key = key.to_lowercase();
    let is_place = PLACES.iter().any(|p| value.contains(p)) && value.parse::<f64>().is_err();
    MEASUREMENT.iter().any(|w| key.contains(w))
        && !PERSONAL.iter().any(|w| key.contains(w))
        && !is_place
}

/// The folders of files, as text, deepest first.
fn folders(files: &[PathBuf]) -> Vec<String> {
    let parents = files.iter().filter_map(|f| f.parent()).filter(|p| !p.as_os_str().is_empty());
    let mut out: Vec<String> = parents.map(|p| p.display().to_string()).collect();
    out.sort_by_key(|f| std::cmp::Reverse(f.len()));
    out.dedup();
    out
}

fn without(text: &str, folders: &[String]) -> String {
    let mut out = text.to_string();
    for folder in folders {
        for sign in ['/', '\\'] {
            out = out.replace(&format!("{folder}{sign}"), "");
        }
    }
    out
}

/// A page or a table without the folders of `files`: only the names of files stay.
pub fn without_folders(text: &str, files: &[PathBuf]) -> String {
    let mut all = folders(files);
    let escaped: Vec<String> = all.iter().map(|f| crate::report::svg::escaped(f)).collect();
    all.extend(escaped.into_iter().filter(|e| e.contains('&')));
    without(text, &all)
}

impl Record {
    /// Leaves out what may name people or places: header lines of the file that do not tell of the
    /// measurement (unless `keep_header_lines`), and folders, of which only the names of files stay. `files`
    /// are those that the record may speak of. What the user wrote into the sheet stays.
    pub fn for_sharing(&mut self, files: &[PathBuf], keep_header_lines: bool) {
        let folders = folders(files);
        let clean = |text: &mut String| *text = without(text, &folders);
        if let Some(input) = &mut self.input {
            if let Some(file) = &mut input.file {
                let names = file.split(", ").map(|f| {
                    let path = Path::new(f);
                    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
                });
                *file = names.collect::<Vec<_>>().join(", ");
            }
            input.notes.iter_mut().for_each(clean);
            // What the sheet tells stands in `known` already.
            let known = &self.known;
            input.metadata.retain(|(k, v)| known.get(k) != Some(v));
            if !keep_header_lines {
                let before = input.metadata.len();
                input.metadata.retain(|(k, v)| is_of_measurement(k, v));
                let lost = before - input.metadata.len();
                if lost > 0 {
                    input.notes.push(format!(
                        "{} of the file that may name people or places {} left out of this record",
                        crate::report::format::counted(lost, "header line", "header lines"),
                        if lost == 1 { "is" } else { "are" }
                    ));
                }
            }
        }
        self.error.iter_mut().chain(&mut self.notes).for_each(clean);
        self.gases.iter_mut().flat_map(|g| &mut g.notes).for_each(clean);
        if let Some(s) = &mut self.source {
            s.notes.iter_mut().for_each(clean);
            s.response.iter_mut().for_each(clean);
        }
        self.settings.values_mut().for_each(|v| clean_value(v, &clean));
    }
}

/// Cleans every text of a value.
fn clean_value(value: &mut serde_json::Value, clean: &dyn Fn(&mut String)) {
    match value {
        serde_json::Value::String(text) => clean(text),
        serde_json::Value::Array(list) => list.iter_mut().for_each(|v| clean_value(v, clean)),
        serde_json::Value::Object(map) => map.values_mut().for_each(|v| clean_value(v, clean)),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::record::InputRecord;
    use crate::{Axis, Error, Spectrum};

    #[test]
    fn nothing_personal_stays() {
        let mut s = Spectrum::new(Axis::pixels(9), vec![1.0; 9]).unwrap();
        s.provenance.path = Some("/home/anna/tubes/a.csv".into());
        s.provenance.metadata = [
            ("Owner", "Anna"),
            ("Integration time (ms)", "200"),
            ("Spectrometer", "C:\\Users\\anna\\x"),
            ("Serial number", "12"),
            ("", "a free line"),
            ("remarks", "from the sheet"),
        ]
        .map(|(k, v)| (k.to_string(), v.to_string()))
        .to_vec();
        let path = PathBuf::from("/home/anna/tubes/a.csv");
        let why = Error::input(&path, Some(3), "is odd", "mend it");
        let mut r = Record::failed("A", "", &why);
        r.known.insert("remarks".into(), "from the sheet".into());
        r.input = Some(InputRecord::from(&s));
        r.for_sharing(std::slice::from_ref(&path), false);
        let text = r.to_json().unwrap();
        assert!(!text.contains("nna") && !text.contains("free line"), "{text}");
        let input = r.input.as_ref().unwrap();
        assert_eq!(input.file.as_deref(), Some("a.csv"));
        assert_eq!(input.metadata, [("Integration time (ms)".to_string(), "200".to_string())]);
        assert!(input.notes.last().unwrap().starts_with("4 header lines"), "{:?}", input.notes);
        assert!(r.error.unwrap().starts_with("a.csv, line 3"));
        let mut kept = Record::new("A", "");
        kept.input = Some(InputRecord::from(&s));
        kept.for_sharing(&[path], true);
        assert_eq!(kept.input.unwrap().metadata.len(), 6);
    }
}
