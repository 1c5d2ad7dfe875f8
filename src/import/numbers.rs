//! Cells become numbers.

/// What a cell of a table holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell {
    /// A finite number.
    Number {
        /// Its value.
        value: f64,
        /// Digits after the decimal sign.
        decimals: u8,
        /// Digits before the decimal sign.
        whole: u8,
    },
    /// A word or sign that stands for "no value here" (`nan`, `-`, `inf`, ...).
    Missing,
    /// Nothing at all.
    Blank,
    /// Anything else.
    Text,
}

impl Cell {
    /// The number, if it is one.
    pub fn number(self) -> Option<f64> {
        match self {
            Cell::Number { value, .. } => Some(value),
            _ => None,
        }
    }
}

/// Most digits for which an integer is held exactly by an f64 (10^15 < 2^53).
const EXACT_DIGITS: usize = 15;
/// Powers of ten that an f64 holds exactly.
const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];
/// Longest number in bytes; more digits are no measurement.
const MAX_NUMBER_BYTES: usize = 64;

/// Words for "no value", in lower case.
const MISSING: &[&str] = &[
    "-",
    "--",
    "---",
    ".",
    "..",
    "nan",
    "+nan",
    "-nan",
    "na",
    "n/a",
    "#n/a",
    "#na",
    "null",
    "nil",
    "none",
    "inf",
    "+inf",
    "-inf",
    "infinity",
    "+infinity",
    "-infinity",
    "1.#inf",
    "-1.#inf",
    "1.#qnan",
    "-1.#ind",
    "1.#ind",
    "#num!",
    "#value!",
    "#div/0!",
    "*",
    "**",
    "***",
    "?",
    "missing",
    "\u{221e}",
    "-\u{221e}",
    "\u{2013}",
    "\u{2014}",
];

/// Reads a cell whose numbers have the decimal sign `mark`. Blanks and quotes around it do not
/// count.
#[inline]
pub(super) fn parse(cell: &[u8], mark: u8) -> Cell {
    match plain(cell, mark) {
        Some(number) => number,
        None => general(cell, mark),
    }
}

/// The common case, `-123.45`, of up to 15 digits: one integer over one power of ten, both exact,
/// so that the quotient is the nearest f64, as `str::parse` gives it.
#[inline]
fn plain(cell: &[u8], mark: u8) -> Option<Cell> {
    let (negative, digits) = match cell.split_first()? {
        (b'-', rest) => (true, rest),
        _ => (false, cell),
    };
    if digits.len() > EXACT_DIGITS + 1 {
        return None;
    }
    let mut integer = 0u64;
    let mut whole = digits.len();
    for (i, b) in digits.iter().enumerate() {
        let d = b.wrapping_sub(b'0');
        if d < 10 {
            integer = integer * 10 + u64::from(d);
        } else if *b == mark && whole == digits.len() {
            whole = i;
        } else {
            return None;
        }
    }
    let decimals = (digits.len() - whole).saturating_sub(1);
    if whole == 0 || (whole < digits.len() && decimals == 0) || whole + decimals > EXACT_DIGITS {
        return None;
    }
    let value = integer as f64 / POWERS[decimals];
    let value = if negative { -value } else { value };
    Some(Cell::Number { value, decimals: decimals as u8, whole: whole as u8 })
}

/// Everything else: exponents, signs, long numbers, words.
#[cold]
fn general(cell: &[u8], mark: u8) -> Cell {
    let cell = trim(cell);
    if cell.is_empty() {
        return Cell::Blank;
    }
    if let Some(number) = plain(cell, mark).or_else(|| written_out(cell, mark)) {
        return number;
    }
    if MISSING.iter().any(|word| cell.eq_ignore_ascii_case(word.as_bytes())) {
        Cell::Missing
    } else {
        Cell::Text
    }
}

/// `[sign] digits [mark digits] [e|d [sign] digits]`, checked, then left to the standard library.
fn written_out(cell: &[u8], mark: u8) -> Option<Cell> {
    let mut out = [0u8; MAX_NUMBER_BYTES];
    let mut len = 0;
    let mut put = |b: u8| -> Option<()> {
        *out.get_mut(len)? = b;
        len += 1;
        Some(())
    };
    let mut rest = cell;
    let sign = |rest: &mut &[u8], put: &mut dyn FnMut(u8) -> Option<()>| -> Option<()> {
        if let Some(r) = rest.strip_prefix("\u{2212}".as_bytes()).or(rest.strip_prefix(b"-")) {
            *rest = r;
            put(b'-')?;
        } else if let Some(r) = rest.strip_prefix(b"+") {
            *rest = r;
        }
        Some(())
    };
    let digits = |rest: &mut &[u8], put: &mut dyn FnMut(u8) -> Option<()>| -> Option<usize> {
        let n = rest.iter().take_while(|b| b.is_ascii_digit()).count();
        let (digits, r) = rest.split_at_checked(n)?;
        digits.iter().try_for_each(|d| put(*d))?;
        *rest = r;
        Some(n)
    };
    sign(&mut rest, &mut put)?;
    let whole = digits(&mut rest, &mut put)?;
    let mut decimals = 0;
    if let Some(r) = rest.strip_prefix(&[mark]) {
        rest = r;
        put(b'.')?;
        decimals = digits(&mut rest, &mut put)?;
        // `400,` is a number followed by a comma rather than a decimal comma without decimals.
        if decimals == 0 && mark != b'.' {
            return None;
        }
    }
    if whole + decimals == 0 {
        return None;
    }
    if let [b'e' | b'E' | b'd' | b'D', r @ ..] = rest {
        rest = r;
        put(b'e')?;
        sign(&mut rest, &mut put)?;
        if digits(&mut rest, &mut put)? == 0 {
            return None;
        }
    }
    if !rest.is_empty() {
        return None;
    }
    let value: f64 = std::str::from_utf8(out.get(..len)?).ok()?.parse().ok()?;
    if !value.is_finite() {
        return Some(Cell::Missing);
    }
    Some(Cell::Number { value, decimals: decimals as u8, whole: whole as u8 })
}

/// Without blanks, quotes and no-break spaces at both ends.
pub(super) fn trim(cell: &[u8]) -> &[u8] {
    let mut cell = cell;
    loop {
        cell = cell.trim_ascii();
        // Only a quote or a sign beyond ASCII (and the end-of-file sign of old) can follow.
        let odd = |b: Option<&u8>| b.is_some_and(|b| !(b'#'..=b'~').contains(b));
        if !odd(cell.first()) && !odd(cell.last()) {
            return cell;
        }
        let before = cell.len();
        cell = cell.strip_prefix(b"\"").unwrap_or(cell);
        cell = cell.strip_suffix(b"\"").unwrap_or(cell);
        for space in ["\u{a0}", "\u{202f}", "\u{1a}"] {
            cell = cell.strip_prefix(space.as_bytes()).unwrap_or(cell);
            cell = cell.strip_suffix(space.as_bytes()).unwrap_or(cell);
        }
        if cell.len() == before {
            return cell;
        }
    }
}

/// True for a cell of digits, signs, decimal and thousands signs only that has at least one digit:
/// a number in another habit, or several run together.
pub(super) fn looks_like_number(cell: &[u8]) -> bool {
    let cell = trim(cell);
    let allowed = |b: &u8| {
        b.is_ascii_digit() || matches!(b, b'.' | b',' | b';' | b'\'' | b' ' | b'\t' | b'+' | 0x80..)
    };
    let cell = cell.strip_prefix(b"-").unwrap_or(cell);
    if !cell.iter().all(allowed) || !cell.iter().any(u8::is_ascii_digit) {
        return false;
    }
    if cell.is_ascii() {
        return true;
    }
    let grouping = ['\u{2019}', '\u{a0}', '\u{202f}', '\u{2009}'];
    std::str::from_utf8(cell)
        .is_ok_and(|t| t.chars().all(|c| c.is_ascii() || grouping.contains(&c)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn value(text: &str, mark: u8) -> Option<f64> {
        parse(text.as_bytes(), mark).number()
    }

    #[test]
    fn numbers_of_many_habits() {
        assert_eq!(value("400.5", b'.'), Some(400.5));
        assert_eq!(value("400,5", b','), Some(400.5));
        assert_eq!(value(" \"400,5\" ", b','), Some(400.5));
        assert_eq!(value("-1.5E+03", b'.'), Some(-1500.0));
        assert_eq!(value("1.5D-1", b'.'), Some(0.15));
        assert_eq!(value("+7", b'.'), Some(7.0));
        assert_eq!(value(".5", b'.'), Some(0.5));
        assert_eq!(value("5.", b'.'), Some(5.0));
        assert_eq!(value("\u{2212}3", b'.'), Some(-3.0));
        assert_eq!(value("\u{a0}3\u{a0}", b'.'), Some(3.0));
        assert_eq!(value("400,", b','), None);
        assert_eq!(value("400,5", b'.'), None);
        assert_eq!(value("1.234,5", b','), None);
        assert_eq!(value("0x10", b'.'), None);
        assert_eq!(value("1e", b'.'), None);
    }

    #[test]
    fn missing_values_are_told_from_text() {
        for word in ["nan", "NaN", "-", "inf", "-Inf", "N/A", "1.#QNAN", "1e999", "\u{2014}"] {
            assert_eq!(parse(word.as_bytes(), b'.'), Cell::Missing, "{word}");
        }
        assert_eq!(parse(b" \t", b'.'), Cell::Blank);
        assert_eq!(parse(b"over", b'.'), Cell::Text);
    }

    #[test]
    fn numbers_in_another_habit_are_recognised() {
        for text in ["1.234,5", "1'234.5", "12 345", "1.234.567", "-1,234.5"] {
            assert!(looks_like_number(text.as_bytes()), "{text}");
        }
        assert!(!looks_like_number(b"2024-05-01"));
        assert!(!looks_like_number(b"12:30"));
        assert!(!looks_like_number(b"abc"));
    }

    proptest! {
        #[test]
        fn agrees_with_the_standard_library(text in "-?[0-9]{1,20}(\\.[0-9]{1,20})?") {
            let expected: f64 = text.parse().unwrap();
            prop_assert_eq!(value(&text, b'.'), Some(expected));
            prop_assert_eq!(value(&text.replace('.', ","), b','), Some(expected));
        }

        #[test]
        fn every_f64_comes_back(v in proptest::num::f64::NORMAL) {
            prop_assert_eq!(value(&format!("{v:e}"), b'.'), Some(v));
        }

        #[test]
        fn never_panics(bytes in proptest::collection::vec(any::<u8>(), 0..40)) {
            let cell = parse(&bytes, b',');
            prop_assert!(cell.number().is_none_or(f64::is_finite));
            looks_like_number(&bytes);
        }
    }
}
