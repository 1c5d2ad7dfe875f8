//! Digits: the one place where numbers become text for people.

use crate::Measured;

/// Digits of an uncertainty that are printed (GUM 7.2.6: two at most).
const UNCERTAINTY_DIGITS: usize = 2;
/// Printed for a number that does not exist.
pub const NONE: &str = "–";
/// Probabilities above this are printed as `> 99.9 %`: no model is surer than that.
const SUREST: f64 = 0.999;
/// Numbers from this size on are printed with a power of ten.
const LARGE: f64 = 1e7;

/// `x` rounded to `digits` significant decimal digits; not-a-number and infinities are returned
/// as they are, and −0 becomes 0.
///
/// Rounds the exact decimal value of the binary number, half to even, so that all machines agree.
pub fn significant(x: f64, digits: usize) -> f64 {
    if !x.is_finite() || x == 0.0 {
        return if x == 0.0 { 0.0 } else { x };
    }
    format!("{x:.*e}", digits.max(1) - 1).parse().unwrap_or(x)
}

/// Decimal exponent of `x` after rounding to `digits` significant digits; 0 for 0.
pub(crate) fn exponent(x: f64, digits: usize) -> i32 {
    let text = format!("{x:.*e}", digits.max(1) - 1);
    text.rsplit_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0)
}

/// `x` with `decimals` places after the point; negative `decimals` round to tens, hundreds, …
/// Very large numbers are written with a power of ten.
pub fn decimals(x: f64, decimals: i32) -> String {
    if !x.is_finite() {
        return NONE.into();
    }
    if x.abs() >= LARGE {
        let digits = (exponent(x, 17) + 1 + decimals).clamp(1, 15) as usize;
        return format!("{x:.*e}", digits - 1);
    }
    let text = if decimals >= 0 {
        format!("{x:.*}", decimals as usize)
    } else {
        let unit = 10f64.powi(-decimals);
        format!("{:.0}", (x / unit).round() * unit)
    };
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| c == '0' || c == '.') => rest.into(),
        _ => text,
    }
}

/// Value and uncertainty as two texts with the same number of places, the uncertainty with two
/// significant digits. Without a usable uncertainty (0, negative, not a number) the value keeps
/// six significant digits and the uncertainty is [`NONE`].
///
/// ```
/// use glowtell::{Measured, report::format::pair};
/// assert_eq!(pair(Measured::new(640.2246, 0.0231)), ("640.225".into(), "0.023".into()));
/// ```
pub fn pair(m: Measured) -> (String, String) {
    if !m.value.is_finite() {
        return (NONE.into(), NONE.into());
    }
    if !(m.u.is_finite() && m.u > 0.0) {
        return (plain(m.value), NONE.into());
    }
    let places = UNCERTAINTY_DIGITS as i32 - 1 - exponent(m.u, UNCERTAINTY_DIGITS);
    (decimals(m.value, places), decimals(m.u, places))
}

/// Value and uncertainty as [`pair`] gives them, joined by `±`.
pub fn measured(m: Measured) -> String {
    let (value, u) = pair(m);
    if u == NONE { value } else { format!("{value} ± {u}") }
}

/// A number without an uncertainty, six significant digits at most.
pub fn plain(x: f64) -> String {
    /// Digits that survive single precision.
    const DIGITS: usize = 6;
    if !x.is_finite() {
        return NONE.into();
    }
    let r = significant(x, DIGITS);
    if r != 0.0 && (r.abs() >= LARGE || r.abs() < 1e-4) { format!("{r:e}") } else { format!("{r}") }
}

/// A number with as many digits as bring it back exactly; where it would be long, with an exponent that
/// has a sign and two digits or more.
pub(crate) fn exact(x: f64) -> String {
    /// Numbers outside of these powers of ten are written with an exponent.
    const PLAIN_FROM: f64 = 1e-5;
    const PLAIN_TO: f64 = 1e15;
    let size = x.abs();
    if x == 0.0 || (PLAIN_FROM..PLAIN_TO).contains(&size) {
        return if x == 0.0 { "0".into() } else { x.to_string() };
    }
    let text = format!("{x:E}");
    match text.split_once('E') {
        Some((digits, power)) => {
            let (sign, power) = match power.strip_prefix('-') {
                Some(p) => ('-', p),
                None => ('+', power),
            };
            format!("{digits}E{sign}{power:0>2}")
        }
        None => text,
    }
}

/// A wavelength from a table, two places: `640.22`.
pub fn nm(x: f64) -> String {
    decimals(x, 2)
}

/// An uncertainty or a width alone, two significant digits.
pub fn two_digits(x: f64) -> String {
    if !x.is_finite() {
        return NONE.into();
    }
    decimals(x, UNCERTAINTY_DIGITS as i32 - 1 - exponent(x, UNCERTAINTY_DIGITS))
}

/// A probability in words that never claim certainty: `> 99.9 %`, `97 %`, `0.4 %`, `< 0.1 %`.
pub fn probability(p: f64) -> String {
    if !p.is_finite() {
        return NONE.into();
    }
    match p {
        p if p > SUREST => "> 99.9 %".into(),
        p if p < 1.0 - SUREST => "< 0.1 %".into(),
        // One decimal where a whole number would read as certainty or as one of the limits.
        p if p > 0.985 => format!("{:.1} %", (p * 1000.0).floor() / 10.0),
        p if p < 0.03 => format!("{:.1} %", (p * 1000.0).ceil() / 10.0),
        p => format!("{:.0} %", p * 100.0),
    }
}

/// A share of the whole, 0 to 1, in per cent; 0 is [`NONE`].
pub fn share(s: f64) -> String {
    match s {
        s if !s.is_finite() || s <= 0.0 => NONE.into(),
        s if s < 0.001 => "< 0.1 %".into(),
        s if s < 0.1 => format!("{:.1} %", s * 100.0),
        s => format!("{:.0} %", s * 100.0),
    }
}

/// A limit relative to the strongest line, in per cent with two significant digits.
pub fn limit(relative: f64) -> String {
    if relative.is_finite() { format!("{} %", two_digits(relative * 100.0)) } else { NONE.into() }
}

/// `1 line`, `3 lines`.
pub fn counted(n: usize, singular: &str, plural: &str) -> String {
    if n == 1 { format!("1 {singular}") } else { format!("{n} {plural}") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// GUM (JCGM 100:2008) 7.2.2: m_s = 100.021 47 g with u_c = 0.35 mg.
    #[test]
    fn rounds_as_the_gum_prints() {
        assert_eq!(measured(Measured::new(100.021_473, 0.000_354)), "100.02147 ± 0.00035");
    }

    #[test]
    fn two_digits_of_the_uncertainty_rule() {
        assert_eq!(measured(Measured::new(640.2246, 0.0231)), "640.225 ± 0.023");
        assert_eq!(measured(Measured::new(640.2246, 0.0996)), "640.22 ± 0.10");
        assert_eq!(measured(Measured::new(12_345.6, 1_234.0)), "12300 ± 1200");
        assert_eq!(measured(Measured::new(-0.004, 0.31)), "0.00 ± 0.31");
        assert_eq!(measured(Measured::new(5.0, 12.0)), "5 ± 12");
    }

    #[test]
    fn what_does_not_exist_is_a_dash_or_a_bare_value() {
        assert_eq!(measured(Measured::new(f64::NAN, 1.0)), NONE);
        assert_eq!(measured(Measured::new(3.25, f64::NAN)), "3.25");
        assert_eq!(measured(Measured::new(3.25, 0.0)), "3.25");
        assert_eq!(plain(f64::INFINITY), NONE);
        assert_eq!(plain(-0.0), "0");
    }

    #[test]
    fn nothing_is_certain() {
        assert_eq!(probability(1.0), "> 99.9 %");
        assert_eq!(probability(0.0), "< 0.1 %");
        assert_eq!(probability(0.9985), "99.8 %");
        assert_eq!(probability(0.97), "97 %");
        assert_eq!(probability(0.0201), "2.1 %");
        assert_eq!(probability(f64::NAN), NONE);
    }

    #[test]
    fn shares_and_limits() {
        assert_eq!(share(0.0), NONE);
        assert_eq!(share(0.0004), "< 0.1 %");
        assert_eq!(share(0.034), "3.4 %");
        assert_eq!(share(0.876), "88 %");
        assert_eq!(limit(0.00834), "0.83 %");
        assert_eq!(limit(0.5), "50 %");
    }

    proptest! {
        #[test]
        fn significant_is_idempotent_and_near(x in -1e12f64..1e12, d in 1usize..12) {
            let r = significant(x, d);
            prop_assert_eq!(r, significant(r, d));
            prop_assert!((r - x).abs() <= 0.5000001 * x.abs() * 10f64.powi(1 - d as i32));
        }

        #[test]
        fn no_probability_reads_as_certain(p in 0.0f64..=1.0) {
            let t = probability(p);
            prop_assert!(t != "100 %" && t != "100.0 %" && t != "0 %" && t != "0.0 %", "{}", t);
        }

        #[test]
        fn value_and_uncertainty_have_equal_places(v in -1e4f64..1e4, e in -6i32..3, m in 1.0f64..9.99) {
            let (a, b) = pair(Measured::new(v, m * 10f64.powi(e)));
            let places = |s: &str| s.split_once('.').map_or(0, |(_, f)| f.len());
            prop_assert_eq!(places(&a), places(&b));
        }
    }
}
