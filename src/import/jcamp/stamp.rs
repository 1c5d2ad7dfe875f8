//! Dates of both versions as one form, `2024-05-01T12:30:05+02:00`.

/// Years of two digits from here on are of the last century: the format dates from 1988, and its
/// oldest files from some years before.
const CENTURY_PIVOT: u32 = 70;

/// A date in ISO 8601 with a note where something was guessed, or the text that is none.
type Stamp = Result<(String, Option<String>), String>;

/// The time of a recording: ##LONGDATE= of version 5, else ##DATE= and ##TIME= of version 4.
pub(super) fn iso(long: Option<&str>, date: Option<&str>, time: Option<&str>) -> Option<Stamp> {
    if let Some(long) = long.map(str::trim).filter(|t| !t.is_empty()) {
        return Some(longdate(long).map(|t| (t, None)).ok_or_else(|| long.to_string()));
    }
    let date = date.map(str::trim).filter(|t| !t.is_empty())?;
    let Some((day, century_guessed)) = day(date) else { return Some(Err(date.to_string())) };
    let note = century_guessed
        .then(|| format!("The year of `{date}` has two digits and was taken as {}.", &day[..4]));
    let when = match time.map(str::trim).filter(|t| !t.is_empty()) {
        None => day,
        Some(t) => match clock(t) {
            Some(t) => format!("{day}T{t}"),
            None => return Some(Err(format!("{date} {t}"))),
        },
    };
    Some(Ok((when, note)))
}

/// `YYYY/MM/DD [HH:MM:SS[.SSSS] [+UUUU]]`.
fn longdate(text: &str) -> Option<String> {
    let mut words = text.split_whitespace();
    let (day, guessed) = day(words.next()?)?;
    if guessed {
        return None;
    }
    let Some(time) = words.next() else { return Some(day) };
    let time = clock(time)?;
    let zone = match words.next() {
        None => String::new(),
        Some(z) => {
            let (sign, digits) = z.split_at_checked(1)?;
            let hours = digits.get(..2)?;
            let minutes = digits.get(2..)?.trim_start_matches(':');
            let ok = |s: &str, most: u32| {
                s.len() == 2
                    && s.bytes().all(|b| b.is_ascii_digit())
                    && s.parse::<u32>().is_ok_and(|v| v <= most)
            };
            if !matches!(sign, "+" | "-") || !ok(hours, 14) || !ok(minutes, 59) {
                return None;
            }
            format!("{sign}{hours}:{minutes}")
        }
    };
    words.next().is_none().then(|| format!("{day}T{time}{zone}"))
}

/// Year, month and day between slashes (or hyphens), with whether the century was guessed.
fn day(text: &str) -> Option<(String, bool)> {
    let parts: Vec<&str> = text.split(['/', '-']).collect();
    let [y, m, d] = parts.as_slice() else { return None };
    let number = |s: &str, most: usize| -> Option<u32> {
        (!s.is_empty() && s.len() <= most && s.bytes().all(|b| b.is_ascii_digit()))
            .then(|| s.parse().ok())
            .flatten()
    };
    let (m, d) = (number(m, 2)?, number(d, 2)?);
    let (year, guessed) = match y.len() {
        4 => (number(y, 4)?, false),
        2 => {
            let y = number(y, 2)?;
            (if y >= CENTURY_PIVOT { 1900 + y } else { 2000 + y }, true)
        }
        _ => return None,
    };
    ((1..=12).contains(&m) && (1..=31).contains(&d))
        .then(|| (format!("{year:04}-{m:02}-{d:02}"), guessed))
}

/// `HH:MM[:SS[.S...]]`.
fn clock(text: &str) -> Option<String> {
    let (whole, part) = text.split_once('.').map_or((text, None), |(a, b)| (a, Some(b)));
    let fields: Vec<u32> = whole
        .split(':')
        .map(|s| s.parse::<u32>().ok().filter(|_| (1..=2).contains(&s.len())))
        .collect::<Option<_>>()?;
    let (h, m, s) = match fields.as_slice() {
        [h, m] => (*h, *m, 0),
        [h, m, s] => (*h, *m, *s),
        _ => return None,
    };
    if h > 23 || m > 59 || s > 60 {
        return None;
    }
    let part = match part {
        Some(p) if p.len() <= 9 && p.bytes().all(|b| b.is_ascii_digit()) => {
            let p = p.trim_end_matches('0');
            if p.is_empty() { String::new() } else { format!(".{p}") }
        }
        Some(_) => return None,
        None => String::new(),
    };
    Some(format!("{h:02}:{m:02}:{s:02}{part}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_of_both_versions() {
        let long = |t| iso(Some(t), None, None).unwrap().map(|s| s.0);
        assert_eq!(
            long("2024/05/01 12:30:05.2500 +0200").as_deref(),
            Ok("2024-05-01T12:30:05.25+02:00")
        );
        assert_eq!(long("2024/05/01").as_deref(), Ok("2024-05-01"));
        assert!(long("24/05/01").is_err() && long("2024/13/01").is_err() && long("today").is_err());
        assert!(long("2024/05/01 12:30:05 +99é").is_err());
        let (when, note) = iso(None, Some("88/03/02"), Some("09:05:01")).unwrap().unwrap();
        assert_eq!(when, "1988-03-02T09:05:01");
        assert!(note.unwrap().contains("1988"));
        assert_eq!(iso(None, Some("24/03/02"), None).unwrap().unwrap().0, "2024-03-02");
        assert!(iso(None, None, Some("12:00")).is_none());
    }
}
