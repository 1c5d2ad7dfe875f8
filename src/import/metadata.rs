//! Lines that are not data, kept as key and value.

/// Most lines kept as metadata; more are counted, not kept.
pub const MAX_METADATA_LINES: usize = 1000;
/// Most characters kept of a key or a value.
const MAX_CHARS: usize = 1000;

/// What was read beside the data.
#[derive(Default)]
pub(super) struct Metadata {
    /// Key and value in file order; plain text has an empty key.
    pub entries: Vec<(String, String)>,
    /// Lines that were not data, kept or not.
    pub lines: usize,
}

impl Metadata {
    /// Takes a line that is not data; `separator` is that of the table, where it is a byte.
    pub fn add(&mut self, line: &[u8], separator: Option<u8>) {
        self.lines += 1;
        if self.entries.len() >= MAX_METADATA_LINES {
            return;
        }
        let line = String::from_utf8_lossy(line);
        let entry = key_and_value(&line, separator.map(char::from));
        if !entry.1.is_empty() || !entry.0.is_empty() {
            self.entries.push(entry);
        }
    }
}

/// A line without its comment sign.
pub(super) fn without_comment_sign(line: &str) -> &str {
    let line = line.trim_start_matches('\u{feff}').trim();
    let bare = line.trim_start_matches(['#', '%', '!', ';', '>', '"', '\'', '*', '|']);
    bare.strip_prefix("//").unwrap_or(bare).trim()
}

/// `key: value`, `key=value`, `key<tab>value`, or two cells of the table; else all of it under an
/// empty key.
pub(super) fn key_and_value(line: &str, separator: Option<char>) -> (String, String) {
    let ends = |c: char| c.is_whitespace() || matches!(c, ';' | ',' | '"' | '<' | '\u{1a}');
    let line = without_comment_sign(line).trim_end_matches(ends);
    let is_key = |k: &str| k.chars().any(char::is_alphabetic);
    let clean =
        |s: &str| -> String { s.trim().trim_matches('"').trim().chars().take(MAX_CHARS).collect() };
    let sign = line.char_indices().find(|(i, c)| match c {
        '\t' | '=' => true,
        // The colon of `http://` belongs to the address.
        ':' => !line[i + 1..].starts_with("//"),
        _ => false,
    });
    if let Some((i, c)) = sign {
        let (key, value) = (&line[..i], &line[i + c.len_utf8()..]);
        if is_key(key) {
            let end = |c: char| c.is_whitespace() || matches!(c, ':' | '=' | '"' | ';' | ',');
            return (
                clean(key.trim_end_matches(end)),
                clean(value.trim_start_matches(|c: char| {
                    c.is_whitespace() || matches!(c, ':' | '=' | ';' | ',' | '"')
                })),
            );
        }
    }
    if let Some(separator) = separator {
        let mut cells = line.split(separator).map(clean).filter(|c| !c.is_empty());
        if let (Some(key), Some(value), None) = (cells.next(), cells.next(), cells.next())
            && is_key(&key)
        {
            return (key, value);
        }
    }
    (String::new(), clean(line))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kv(line: &str) -> (String, String) {
        key_and_value(line, Some(','))
    }

    #[test]
    fn keys_and_values() {
        let pair = |a: &str, b: &str| (a.to_string(), b.to_string());
        assert_eq!(kv("# Integration time: 100 ms"), pair("Integration time", "100 ms"));
        assert_eq!(kv("gain=2"), pair("gain", "2"));
        assert_eq!(kv("Date:\t2024-05-01 12:30"), pair("Date", "2024-05-01 12:30"));
        assert_eq!(kv("Scans\t5"), pair("Scans", "5"));
        assert_eq!(kv("Scans,5,,"), pair("Scans", "5"));
        assert_eq!(kv("\"Tube\",\"no, 3\""), pair("", "Tube\",\"no, 3"));
        assert_eq!(kv("// plain text"), pair("", "plain text"));
        assert_eq!(kv("12:30:05"), pair("", "12:30:05"));
        assert_eq!(kv("see http://a.b/c"), pair("", "see http://a.b/c"));
        assert_eq!(kv("Größe: 3 µm"), pair("Größe", "3 µm"));
    }

    #[test]
    fn only_so_many_lines_are_kept() {
        let mut m = Metadata::default();
        for _ in 0..MAX_METADATA_LINES + 5 {
            m.add(b"a: b", None);
        }
        assert_eq!((m.entries.len(), m.lines), (MAX_METADATA_LINES, MAX_METADATA_LINES + 5));
    }
}
