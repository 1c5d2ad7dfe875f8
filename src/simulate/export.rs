//! A recording as the text that an instrument's software would export.

use crate::{AxisKind, Error, Result, Spectrum};
use serde::{Deserialize, Serialize};

/// What stands between the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Separator {
    /// `,`
    #[default]
    Comma,
    /// `;`
    Semicolon,
    /// A tabulator.
    Tab,
    /// Two spaces.
    Spaces,
}

impl Separator {
    /// The characters.
    pub fn text(self) -> &'static str {
        match self {
            Separator::Comma => ",",
            Separator::Semicolon => ";",
            Separator::Tab => "\t",
            Separator::Spaces => "  ",
        }
    }
}

/// What stands above the numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Header {
    /// Nothing.
    None,
    /// One line with the names of the columns.
    #[default]
    Names,
    /// A title, facts as `key: value`, a blank line, the names of the columns.
    Preamble,
}

/// Habits of an export text.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Habit {
    /// Between the columns.
    pub separator: Separator,
    /// `0,5` instead of `0.5`; not with [`Separator::Comma`].
    pub decimal_comma: bool,
    /// Above the numbers.
    pub header: Header,
    /// Before each line of title and facts, for instance `# `.
    pub header_mark: String,
    /// From the highest axis value down.
    pub descending: bool,
    /// Decimals of nm values (pixel numbers have none).
    pub nm_decimals: usize,
    /// Decimals of counts.
    pub count_decimals: usize,
    /// Lines end with carriage return and line feed.
    pub crlf: bool,
    /// A byte order mark in front.
    pub byte_order_mark: bool,
}

impl Default for Habit {
    fn default() -> Self {
        Habit {
            separator: Separator::Comma,
            decimal_comma: false,
            header: Header::Names,
            header_mark: String::new(),
            descending: false,
            nm_decimals: 3,
            count_decimals: 0,
            crlf: false,
            byte_order_mark: false,
        }
    }
}

/// Most decimals of a number; more are below what an f64 holds of a wavelength.
const MOST_DECIMALS: usize = 12;

/// The text of a recording in the given habit; `title` and `facts` (key and value) stand above
/// the numbers where the habit has a preamble.
///
/// # Errors
/// [`Error::Usage`] where the habit cannot be read back: a decimal comma between columns that are
/// separated by commas, so few decimals that two axis values become equal, or a line break within
/// title or facts.
pub fn export_text(
    spectrum: &Spectrum,
    habit: &Habit,
    title: &str,
    facts: &[(String, String)],
) -> Result<Vec<u8>> {
    if habit.decimal_comma && habit.separator == Separator::Comma {
        return Err(Error::usage(
            "decimal comma and comma between the columns",
            "take semicolon or tab between the columns",
        ));
    }
    if habit.nm_decimals.max(habit.count_decimals) > MOST_DECIMALS {
        return Err(Error::usage(
            "more decimals than a number has",
            format!("give at most {MOST_DECIMALS}"),
        ));
    }
    let breaks = |s: &str| s.contains(['\n', '\r']);
    if breaks(title)
        || breaks(&habit.header_mark)
        || facts.iter().any(|(k, v)| breaks(k) || breaks(v))
    {
        return Err(Error::usage("a line break in title, mark or facts", "keep each on one line"));
    }
    let separator = habit.separator.text();
    let (axis_name, decimals) = match spectrum.axis().kind() {
        AxisKind::Nm => ("Wavelength (nm)", habit.nm_decimals),
        AxisKind::Pixel => ("Pixel", 0),
    };
    let number = |v: f64, decimals: usize| {
        let text = format!("{v:.decimals$}");
        // "-0" and "-0.00" are 0 for the reader, and only rounding makes them.
        let text = match text.strip_prefix('-') {
            Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_string(),
            _ => text,
        };
        if habit.decimal_comma { text.replace('.', ",") } else { text }
    };
    let mut lines: Vec<String> = Vec::with_capacity(spectrum.len() + 8);
    if habit.header == Header::Preamble {
        lines.push(format!("{}{title}", habit.header_mark));
        lines.extend(facts.iter().map(|(k, v)| format!("{}{k}: {v}", habit.header_mark)));
        lines.push(String::new());
    }
    if habit.header != Header::None {
        lines.push(format!("{axis_name}{separator}Counts"));
    }
    let first_row = lines.len();
    let axis: Vec<String> = spectrum.x().iter().map(|x| number(*x, decimals)).collect();
    if axis.windows(2).any(|w| w[0] == w[1]) {
        return Err(Error::usage(
            "two axis values become equal by rounding",
            "give nm-decimals a higher value",
        ));
    }
    lines.extend(
        axis.iter()
            .zip(spectrum.counts())
            .map(|(x, y)| format!("{x}{separator}{}", number(*y, habit.count_decimals))),
    );
    if habit.descending {
        lines[first_row..].reverse();
    }
    let end = if habit.crlf { "\r\n" } else { "\n" };
    let mut text = String::new();
    if habit.byte_order_mark {
        text.push('\u{feff}');
    }
    for line in &lines {
        text.push_str(line);
        text.push_str(end);
    }
    Ok(text.into_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;

    fn small() -> Spectrum {
        let axis = Axis::new(AxisKind::Nm, vec![300.0, 300.4, 300.81]).unwrap();
        Spectrum::new(axis, vec![-0.2, 12.6, 65_535.0]).unwrap()
    }

    fn text(habit: &Habit) -> String {
        let facts = [("Integration time (ms)".to_string(), "200".to_string())];
        String::from_utf8(export_text(&small(), habit, "tube", &facts).unwrap()).unwrap()
    }

    #[test]
    fn habits_write_what_they_say() {
        assert_eq!(
            text(&Habit::default()),
            "Wavelength (nm),Counts\n300.000,0\n300.400,13\n300.810,65535\n"
        );
        let german = Habit {
            separator: Separator::Semicolon,
            decimal_comma: true,
            header: Header::Preamble,
            header_mark: "# ".into(),
            descending: true,
            nm_decimals: 2,
            count_decimals: 1,
            crlf: true,
            byte_order_mark: true,
        };
        assert_eq!(
            text(&german),
            "\u{feff}# tube\r\n# Integration time (ms): 200\r\n\r\nWavelength (nm);Counts\r\n\
             300,81;65535,0\r\n300,40;12,6\r\n300,00;-0,2\r\n"
        );
    }

    #[test]
    fn texts_that_cannot_be_read_back_are_refused() {
        for habit in [
            Habit { decimal_comma: true, ..Habit::default() },
            Habit { nm_decimals: 0, ..Habit::default() },
            Habit { nm_decimals: 99, ..Habit::default() },
            Habit { header_mark: "\n".into(), ..Habit::default() },
        ] {
            assert!(export_text(&small(), &habit, "t", &[]).is_err(), "{habit:?}");
        }
    }
}
