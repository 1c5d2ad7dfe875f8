//! Numbers of JCAMP-DX tables: plain ones (AFFN) and the packed forms PAC, SQZ, DIF and DIFDUP.
//!
//! In the packed forms a letter is sign and first digit together: `@A..I` and `a..i` of a value
//! (SQZ), `%J..R` and `j..r` of a difference (DIF), `S..Z` and `s` of a number of times (DUP).

/// How the ordinates of a table are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Packing {
    /// Plain numbers, which may have exponents, or only signs between them (PAC).
    Plain,
    /// With pseudo-digits; an `E` is one of them.
    Packed,
}

impl Packing {
    /// Any pseudo-digit but `E` and `e` (which may be exponents) makes a table packed.
    pub fn of<'a>(lines: impl Iterator<Item = (usize, &'a str)>) -> Self {
        let telling = |b: u8| matches!(b, b'@' | b'%' | b'A'..=b'D' | b'F'..=b'Z' | b'a'..=b'd' | b'f'..=b's');
        for (_, text) in lines {
            if text.bytes().any(telling) {
                return Packing::Packed;
            }
        }
        Packing::Plain
    }

    pub fn name(self) -> &'static str {
        match self {
            Packing::Plain => "plain numbers",
            Packing::Packed => "packed numbers",
        }
    }
}

/// What a line of a table holds beside its ordinates.
#[derive(Debug, PartialEq)]
pub(super) struct Row {
    /// Check value of the axis.
    pub x: f64,
    /// The last ordinate came by a difference, so that it is repeated on the next line.
    pub ends_in_difference: bool,
}

/// Most digits of one number; more are no measurement.
const MAX_DIGITS: usize = 40;

/// Reads a line: its check value, and its ordinates into `out`, at most `room` of them. `None` for
/// a line without anything.
pub(super) fn line(
    text: &str,
    packing: Packing,
    room: usize,
    out: &mut Vec<f64>,
) -> Result<Option<Row>, String> {
    out.clear();
    let mut rest = text.as_bytes();
    let mut x = None;
    // What a count of repetitions repeats.
    enum Last {
        None,
        Value,
        Difference(f64),
    }
    let mut last = Last::None;
    loop {
        while let [b' ' | b'\t' | b',' | b';' | b'\r', r @ ..] = rest {
            rest = r;
        }
        let Some(first) = rest.first().copied() else { break };
        let Some(x_value) = x else {
            let (value, r) = plain(rest, packing).ok_or_else(|| no_number(rest))?;
            x = Some(value);
            rest = r;
            continue;
        };
        let _: f64 = x_value;
        if first == b'?' {
            out.push(f64::NAN);
            last = Last::Value;
            rest = &rest[1..];
        } else if let Some((kind, lead)) = pseudo(first).filter(|_| packing == Packing::Packed) {
            let (value, r) = tail(lead, &rest[1..]).ok_or_else(|| no_number(rest))?;
            rest = r;
            match kind {
                Kind::Value => {
                    out.push(value);
                    last = Last::Value;
                }
                Kind::Difference => {
                    let before = out.last().copied().ok_or("a line begins with a difference")?;
                    out.push(before + value);
                    last = Last::Difference(value);
                }
                Kind::Times => {
                    let before = out.last().copied().ok_or("a line begins with a repetition")?;
                    // The value itself is the first of them.
                    let more = (value - 1.0).max(0.0);
                    if more > room as f64 {
                        return Err(format!("{value} repetitions are more than a recording has"));
                    }
                    let step = match last {
                        Last::Difference(d) => d,
                        Last::Value => 0.0,
                        Last::None => return Err("a repetition of nothing".into()),
                    };
                    let mut v = before;
                    for _ in 0..more as usize {
                        v += step;
                        out.push(v);
                    }
                }
            }
        } else {
            let (value, r) = plain(rest, packing).ok_or_else(|| no_number(rest))?;
            out.push(value);
            last = Last::Value;
            rest = r;
        }
        if out.len() > room {
            return Err("there are more points than the limit (max-points)".into());
        }
    }
    Ok(x.map(|x| Row { x, ends_in_difference: matches!(last, Last::Difference(_)) }))
}

fn no_number(rest: &[u8]) -> String {
    const SHOWN: usize = 20;
    let shown: String = String::from_utf8_lossy(rest).chars().take(SHOWN).collect();
    format!("`{shown}` is no number of this format")
}

enum Kind {
    Value,
    Difference,
    Times,
}

/// What a pseudo-digit begins, with sign and first digit as text.
fn pseudo(b: u8) -> Option<(Kind, &'static str)> {
    const PLUS: [&str; 10] = ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9"];
    const MINUS: [&str; 10] = ["-0", "-1", "-2", "-3", "-4", "-5", "-6", "-7", "-8", "-9"];
    let at = |list: &[&'static str; 10], from: u8, first: usize| {
        list.get(first + usize::from(b - from)).copied()
    };
    Some(match b {
        b'@'..=b'I' => (Kind::Value, at(&PLUS, b'@', 0)?),
        b'a'..=b'i' => (Kind::Value, at(&MINUS, b'a', 1)?),
        b'%' => (Kind::Difference, PLUS[0]),
        b'J'..=b'R' => (Kind::Difference, at(&PLUS, b'J', 1)?),
        b'j'..=b'r' => (Kind::Difference, at(&MINUS, b'j', 1)?),
        b'S'..=b'Z' => (Kind::Times, at(&PLUS, b'S', 1)?),
        b's' => (Kind::Times, PLUS[9]),
        _ => return None,
    })
}

/// The rest of a number that began with a pseudo-digit: digits and at most one point.
fn tail<'a>(lead: &str, rest: &'a [u8]) -> Option<(f64, &'a [u8])> {
    let mut points = 0;
    let n = rest
        .iter()
        .take_while(|b| {
            points += usize::from(**b == b'.');
            b.is_ascii_digit() || (**b == b'.' && points == 1)
        })
        .count();
    if n > MAX_DIGITS {
        return None;
    }
    let (digits, rest) = rest.split_at_checked(n)?;
    if digits.iter().all(u8::is_ascii_digit) && lead.len() + n <= 15 {
        // Exact: an integer below 2^53.
        let whole = digits.iter().fold(0i64, |a, b| a * 10 + i64::from(b - b'0'));
        let lead: i64 = lead.parse().ok()?;
        let negative = lead < 0;
        let value = (lead.abs() * 10i64.pow(n as u32) + whole) as f64;
        return Some((if negative { -value } else { value }, rest));
    }
    let text = format!("{lead}{}", std::str::from_utf8(digits).ok()?);
    Some((text.parse().ok()?, rest))
}

/// `[sign] digits [. digits] [E sign digits]` at the start of `rest`. In packed tables an exponent
/// needs its sign, since `E` alone is a digit there.
fn plain(rest: &[u8], packing: Packing) -> Option<(f64, &[u8])> {
    let mut i = usize::from(matches!(rest.first(), Some(b'+' | b'-')));
    let digits = |from: usize| {
        rest.get(from..).unwrap_or_default().iter().take_while(|b| b.is_ascii_digit()).count()
    };
    let whole = digits(i);
    i += whole;
    let mut parts = 0;
    if rest.get(i) == Some(&b'.') {
        parts = digits(i + 1);
        i += 1 + parts;
    }
    if whole + parts == 0 || whole + parts > MAX_DIGITS {
        return None;
    }
    if matches!(rest.get(i), Some(b'E' | b'e')) {
        let signed = matches!(rest.get(i + 1), Some(b'+' | b'-'));
        let n = digits(i + 1 + usize::from(signed));
        if n > 0 && n <= 4 && (signed || packing == Packing::Plain) {
            i += 1 + usize::from(signed) + n;
        }
    }
    let (number, rest) = rest.split_at_checked(i)?;
    let value: f64 = std::str::from_utf8(number).ok()?.parse().ok()?;
    value.is_finite().then_some((value, rest))
}

/// A plain number that is the whole word, or `?` for none.
pub(super) fn affn(word: &str) -> Option<f64> {
    if word == "?" {
        return Some(f64::NAN);
    }
    plain(word.as_bytes(), Packing::Plain).filter(|(_, rest)| rest.is_empty()).map(|(v, _)| v)
}

/// The words of a line of pairs.
pub(super) fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| c.is_ascii_whitespace() || matches!(c, ',' | ';'))
        .filter(|w| !w.is_empty())
}
