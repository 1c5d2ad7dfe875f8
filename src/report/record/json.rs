//! JSON text with rounded numbers.

use crate::report::format::significant;
use crate::{Error, Result};
use serde::Serialize;
use serde_json::ser::{CompactFormatter, Formatter, PrettyFormatter, Serializer};
use std::io::{self, Write};

/// Significant digits of every number in JSON: far beyond any uncertainty here, and short of the
/// last bits, in which machines differ.
pub const DIGITS: usize = 9;

/// Indented JSON, arrays of plain numbers on one line each, numbers rounded to [`DIGITS`].
struct Rounded<'a> {
    pretty: PrettyFormatter<'a>,
}

impl Formatter for Rounded<'_> {
    fn write_f64<W: ?Sized + Write>(&mut self, out: &mut W, value: f64) -> io::Result<()> {
        CompactFormatter.write_f64(out, significant(value, DIGITS))
    }

    fn begin_array<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.pretty.begin_array(out)
    }

    fn end_array<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.pretty.end_array(out)
    }

    fn begin_array_value<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        self.pretty.begin_array_value(out, first)
    }

    fn end_array_value<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.pretty.end_array_value(out)
    }

    fn begin_object<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.pretty.begin_object(out)
    }

    fn end_object<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.pretty.end_object(out)
    }

    fn begin_object_key<W: ?Sized + Write>(&mut self, out: &mut W, first: bool) -> io::Result<()> {
        self.pretty.begin_object_key(out, first)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.pretty.begin_object_value(out)
    }

    fn end_object_value<W: ?Sized + Write>(&mut self, out: &mut W) -> io::Result<()> {
        self.pretty.end_object_value(out)
    }
}

/// Any value as indented JSON text with a line end. Numbers are rounded to [`DIGITS`] significant
/// digits; what is not finite becomes `null`.
///
/// # Errors
/// [`Error::Usage`] where a value has no JSON form (a map whose keys are no text).
pub fn to_json<T: Serialize + ?Sized>(value: &T) -> Result<String> {
    let mut out = Vec::new();
    let formatter = Rounded { pretty: PrettyFormatter::with_indent(b" ") };
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
}
