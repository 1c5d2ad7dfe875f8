//! What a label says: read, not judged.

use super::region::Region;
use crate::{Error, Result};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Tolerance of a wavelength that a label gives as one number, nm: ultraviolet LEDs are sold within
/// 5 nm of their nominal peak (note of a maker of ultraviolet radiometers, 2023).
pub const USUAL_TOLERANCE_NM: f64 = 5.0;
/// Wavelengths that a label may name, nm.
const WAVELENGTHS_NM: [f64; 2] = [100.0, 3000.0];
/// Narrowest tolerance and range, nm.
const NARROWEST_NM: f64 = 0.01;

/// What a label says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Claim {
    /// A wavelength with its tolerance, nm.
    Wavelength {
        /// As said.
        nm: f64,
        /// Either way.
        tolerance_nm: f64,
        /// False where the label gives none and the usual one was taken.
        tolerance_given: bool,
    },
    /// A wavelength between two, nm.
    Between {
        /// Lower end.
        from_nm: f64,
        /// Upper end.
        to_nm: f64,
    },
    /// A part of the spectrum.
    Part {
        /// Name as told to the user.
        name: String,
        /// Lower edge, nm.
        from_nm: f64,
        /// Upper edge, nm.
        to_nm: f64,
    },
}

impl Claim {
    /// Reads a label: `365`, `365 nm`, `254±2`, `254 +- 2`, `395-405`, `UV-C`, `UV`, `visible`,
    /// `near infrared`, or a colour from violet to red (ISO 21348).
    ///
    /// # Errors
    /// [`Error::Usage`] with what can be said.
    pub fn parse(text: &str) -> Result<Self> {
        let wrong = |why: &str| {
            Error::usage(
                format!("`{text}` is no claim that can be tested: {why}"),
                "write a wavelength (365, 254±2, 395-405) in nm, or UV-C, UV-B, UV-A, UV, visible, \
                 infrared, violet, blue, green, yellow, orange, red",
            )
        };
        let plain: String =
            text.trim().to_lowercase().replace(['−', '–', '—', '‐'], "-").replace("+/-", "±");
        let plain = plain.replace("+-", "±").replace("..", "-").replace(" to ", "-");
        let plain = plain.trim().trim_end_matches('.').to_string();
        if plain.is_empty() {
            return Err(wrong("it is empty"));
        }
        if let Some(part) = part(&plain) {
            return Ok(part);
        }
        if plain.contains(',') {
            return Err(wrong("write a decimal point, and give several claims one by one"));
        }
        let number = |s: &str| -> Result<f64> {
            let s = s.trim().trim_end_matches("nm").trim();
            match s.parse::<f64>() {
                Ok(v) if v.is_finite() => Ok(v),
                _ => Err(wrong(&format!("`{s}` is no number"))),
            }
        };
        let wavelength = |s: &str| -> Result<f64> {
            let nm = number(s)?;
            let [low, high] = WAVELENGTHS_NM;
            if !(low..=high).contains(&nm) {
                return Err(wrong(&format!("{nm} nm is not between {low} and {high} nm")));
            }
            Ok(nm)
        };
        if let Some((nm, tolerance)) = plain.split_once('±') {
            let (nm, tolerance_nm) = (wavelength(nm)?, number(tolerance)?);
            if !(NARROWEST_NM..=0.5 * nm).contains(&tolerance_nm) {
                return Err(wrong("its tolerance makes no sense"));
            }
            return Ok(Claim::Wavelength { nm, tolerance_nm, tolerance_given: true });
        }
        if let Some((a, b)) = plain.split_once('-') {
            let (from_nm, to_nm) = (wavelength(a)?, wavelength(b)?);
            if to_nm - from_nm < NARROWEST_NM {
                return Err(wrong("its shorter wavelength has to stand first"));
            }
            return Ok(Claim::Between { from_nm, to_nm });
        }
        let nm = wavelength(&plain)?;
        Ok(Claim::Wavelength { nm, tolerance_nm: USUAL_TOLERANCE_NM, tolerance_given: false })
    }

    /// Ends of what the claim admits, nm.
    pub fn window_nm(&self) -> [f64; 2] {
        match self {
            Claim::Wavelength { nm, tolerance_nm, .. } => [nm - tolerance_nm, nm + tolerance_nm],
            Claim::Between { from_nm, to_nm } | Claim::Part { from_nm, to_nm, .. } => {
                [*from_nm, *to_nm]
            }
        }
    }

    /// True for a claim of ultraviolet.
    pub fn is_ultraviolet(&self) -> bool {
        self.window_nm()[1] <= Region::UvA.edges_nm()[1] + USUAL_TOLERANCE_NM
    }
}

/// A part of the spectrum by its name; edges of ISO 21348:2007 (colours from memory of it).
fn part(plain: &str) -> Option<Claim> {
    let squeezed: String =
        plain.chars().filter(|c| !c.is_whitespace() && !matches!(c, '-' | '_')).collect();
    let of = |r: Region| {
        let [a, b] = r.edges_nm();
        (r.word(), a, b)
    };
    let (name, from_nm, to_nm) = match squeezed.as_str() {
        "uvc" => of(Region::UvC),
        "uvb" => of(Region::UvB),
        "uva" | "blacklight" => of(Region::UvA),
        "uv" | "ultraviolet" | "uvlight" => ("ultraviolet", 100.0, 400.0),
        "visible" | "vis" => ("visible", 380.0, 760.0),
        "ir" | "nir" | "infrared" | "nearinfrared" | "ira" => of(Region::NearInfrared),
        "violet" | "purple" => ("violet", 360.0, 450.0),
        "blue" => ("blue", 450.0, 500.0),
        "green" => ("green", 500.0, 570.0),
        "yellow" => ("yellow", 570.0, 591.0),
        "orange" | "amber" => ("orange", 591.0, 610.0),
        "red" => ("red", 610.0, 760.0),
        _ => return None,
    };
    Some(Claim::Part { name: name.into(), from_nm, to_nm })
}

impl fmt::Display for Claim {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Claim::Wavelength { nm, tolerance_nm, .. } => write!(f, "{nm} ± {tolerance_nm} nm"),
            Claim::Between { from_nm, to_nm } => write!(f, "{from_nm} to {to_nm} nm"),
            Claim::Part { name, from_nm, to_nm } => {
                write!(f, "{name} ({from_nm} to {to_nm} nm)")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn window(text: &str) -> [f64; 2] {
        Claim::parse(text).unwrap().window_nm()
    }

    #[test]
    fn labels_are_read() {
        for text in ["365", "365nm", " 365 nm ", "365±5", "365 +- 5 nm", "365+/-5", "360-370"] {
            assert_eq!(window(text), [360.0, 370.0], "{text}");
        }
        assert_eq!(window("254±2"), [252.0, 256.0]);
        for text in ["395-405", "395–405", "395..405 nm", "395 to 405", "395 nm - 405 nm"] {
            assert_eq!(window(text), [395.0, 405.0], "{text}");
        }
        for text in ["UV-C", "uvc", "UV C"] {
            assert_eq!(window(text), [100.0, 280.0], "{text}");
        }
        assert_eq!(window("UV"), [100.0, 400.0]);
        assert_eq!(Claim::parse("365").unwrap().to_string(), "365 ± 5 nm");
    }

    #[test]
    fn what_is_no_claim_is_refused_with_the_way_out() {
        for text in
            ["", "hello", "365,5", "-5", "1e9", "nan", "405-395", "365±0", "365±900", "±", "-"]
        {
            let e = Claim::parse(text).unwrap_err().to_string();
            assert!(e.contains("UV-C") && !e.contains('\n'), "{text}: {e}");
        }
    }

    proptest! {
        #[test]
        fn no_label_brings_it_down(text in "\\PC{0,20}") {
            let _ = Claim::parse(&text);
        }

        #[test]
        fn what_is_written_is_read(nm in 150u32..1200, t in 1u32..20) {
            let back = Claim::parse(&format!("{nm}±{t}")).unwrap().window_nm();
            prop_assert_eq!(back, [f64::from(nm - t), f64::from(nm + t)]);
        }
    }
}
