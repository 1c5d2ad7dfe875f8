//! JSON text with rounded numbers.

use crate::report::format::significant;
use crate::{Error, Result};
use serde::Serialize;
use serde_json::ser::{CompactFormatter, Formatter, Serializer};
use std::io::{self, Write};

/// Significant digits of every number in JSON: far beyond any uncertainty here, and short of the
/// last bits, in which machines differ.
pub const DIGITS: usize = 9;

/// One line a field, indented by its depth; the values of an array follow each other on a line,
/// so that long columns of numbers stay short files. Numbers are rounded to [`DIGITS`].
#[derive(Default)]
struct Rounded {
    depth: usize,
    /// True where the innermost object has a field already.
    filled: bool,
}

impl Rounded {
    fn new_line<W: ?Sized + Write>(&self, out: &mut W) -> io::Result<()> {
        out.write_all(b"\n")?;
        (0..self.depth).try_for_each(|_| out.write_all(b" "))
    }
}

impl Formatter for Rounded {
    fn write_f64<W: ?Sized + Write>(&mut self, out: &mut W, value: f64) -> io::Result<()> {
        CompactFormatter.write_f64(out, significant(value, DIGITS))
    }

    fn begin_array_value<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        if first { Ok(()) } else { out.write_all(b", ") }
    }

    fn begin_object<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.depth += 1;
        self.filled = false;
        out.write_all(b"{")
    }

    fn end_object<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.depth = self.depth.saturating_sub(1);
        if self.filled {
            self.new_line(out)?;
        }
        self.filled = true;
        out.write_all(b"}")
    }

    fn begin_object_key<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        if !first {
            out.write_all(b",")?;
        }
        self.filled = true;
        self.new_line(out)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        out.write_all(b": ")
    }
}

/// Any value as indented JSON text with a line end. Numbers are rounded to [`DIGITS`] significant
/// digits; what is not finite becomes `null`.
///
/// # Errors
/// [`Error::Usage`] where a value has no JSON form (a map whose keys are no text).
pub fn to_json<T: Serialize + ?Sized>(value: &T) -> Result<String> {
    let mut out = Vec::new();
    let formatter = Rounded::default();
    let failed = |e: &dyn std::fmt::Display| {
        Error::usage(format!("the result has no JSON form ({e})"), "report this as a defect")
    };
    value
        .serialize(&mut Serializer::with_formatter(&mut out, formatter))
        .map_err(|e| failed(&e))?;
    out.push(b'\n');
    String::from_utf8(out).map_err(|e| failed(&e))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_rounded_and_holes_are_null() {
        let last_bits = (1.0 / 3.0, f64::from_bits((1.0f64 / 3.0).to_bits() + 3));
        let text = to_json(&(last_bits, f64::NAN, -0.0, Some(1e-30), 7u8)).unwrap();
        let flat: String = text.split_whitespace().collect();
        assert_eq!(flat, "[[0.333333333,0.333333333],null,0.0,1e-30,7]");
    }

    #[test]
    fn fields_have_their_lines_and_columns_share_one() {
        let value = serde_json::json!({"a": [1.0, 2.5], "b": {}, "c": [{"d": "x\ny"}, {"e": []}]});
        let text = to_json(&value).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        let wanted = [
            "{",
            " \"a\": [1.0, 2.5],",
            " \"b\": {},",
            " \"c\": [{",
            "  \"d\": \"x\\ny\"",
            " }, {",
            "  \"e\": []",
            " }]",
            "}",
        ];
        assert_eq!(lines, wanted);
        assert_eq!(serde_json::from_str::<serde_json::Value>(&text).unwrap(), value);
    }
}
