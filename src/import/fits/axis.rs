//! The axis of an image from its header (Greisen et al., A&A 446, 747 (2006), "Paper III").

use super::cards::Cards;
use super::{Quantity, bad};
use crate::Result;
use std::path::Path;

/// Axis values, what they are, and notes.
pub(super) type AxisOf = (Vec<f64>, Quantity, Vec<String>);

/// The first axis of an image of `n` points.
pub(super) fn of(c: &Cards, n: usize, path: &Path) -> Result<AxisOf> {
    let mut notes = Vec::new();
    let kind = c.text("CTYPE1").unwrap_or_default().trim().to_uppercase();
    let unit = c.text("CUNIT1").map(str::trim);
    let step = c.number("CDELT1").map(|d| d * c.number("PC1_1").unwrap_or(1.0));
    let step = step.or_else(|| c.number("CD1_1"));
    let start = c.number("CRVAL1");
    let (name, algorithm) = kind.split_at_checked(4).unwrap_or((&kind, ""));
    let algorithm = algorithm.trim_start_matches('-').trim();
    let spectral = match name {
        "WAVE" if algorithm.starts_with("LEN") => None,
        "WAVE" | "AWAV" | "FREQ" | "WAVN" | "ENER" => Some(name),
        "VELO" | "VRAD" | "VOPT" | "ZOPT" | "BETA" => {
            return Err(bad(
                path,
                format!("the axis is a velocity (CTYPE1 is {kind})"),
                "export the spectrum over wavelength",
            ));
        }
        _ => None,
    };
    let length_word = ["WAVELENGTH", "LAMBDA"].iter().any(|w| kind.starts_with(w));
    let quantity = match spectral {
        Some(name) => spectral_quantity(name, unit, path)?,
        None => match unit {
            Some(u)
                if !matches!(u.to_lowercase().as_str(), "pixel" | "pix" | "chan" | "channel") =>
            {
                Quantity::Length(length(u).ok_or_else(|| unit_unknown(u, path))?)
            }
            Some(_) => Quantity::Pixel,
            None if length_word => {
                return Err(bad(
                    path,
                    "the axis is wavelength, but CUNIT1 does not tell its unit",
                    "write CUNIT1 into the header (nm, Angstrom, um, m)",
                ));
            }
            None if matches!(kind.as_str(), "" | "PIXEL" | "LINEAR") && is_pixel(start, step) => {
                Quantity::Pixel
            }
            None => match legacy_unit(c) {
                Some(f) => Quantity::Length(f),
                None => {
                    return Err(bad(
                        path,
                        format!("neither CTYPE1 (`{kind}`) nor CUNIT1 says what the axis is"),
                        "write CTYPE1 (AWAV or WAVE) and CUNIT1 (nm) into the header",
                    ));
                }
            },
        },
    };
    let reference = c.number("CRPIX1");
    let (start, step) = match (start, step) {
        (Some(s), Some(d)) if d != 0.0 => (s, d),
        (None, None) if quantity == Quantity::Pixel => (1.0, 1.0),
        _ if quantity == Quantity::Pixel => (start.unwrap_or(1.0), step.unwrap_or(1.0)),
        _ => {
            return Err(bad(
                path,
                "CRVAL1 and CDELT1 (or CD1_1) do not tell where the axis lies",
                "export the spectrum with its axis, or as a table",
            ));
        }
    };
    let reference = reference.unwrap_or_else(|| {
        if quantity != Quantity::Pixel {
            notes.push(
                "CRPIX1 is missing: CRVAL1 was taken as the place of the first pixel (the standard \
                 says pixel 0, practice pixel 1)."
                    .into(),
            );
        }
        1.0
    });
    let at = |p: usize| step * ((p + 1) as f64 - reference);
    let ten = c.whole("DC-FLAG") == Some(1);
    let x: Vec<f64> = match algorithm {
        _ if ten && spectral.is_none() => {
            notes.push(
                "The axis is the logarithm (base 10) of the wavelength (DC-FLAG = 1).".into(),
            );
            (0..n).map(|p| libm::exp10(start + at(p))).collect()
        }
        "LOG" if spectral.is_some() => {
            if start <= 0.0 {
                return Err(bad(
                    path,
                    format!("the axis is logarithmic, but CRVAL1 is {start}"),
                    "export the spectrum again",
                ));
            }
            notes.push(format!("The axis is logarithmic ({kind})."));
            (0..n).map(|p| start * libm::exp(at(p) / start)).collect()
        }
        "" => (0..n).map(|p| start + at(p)).collect(),
        _ if spectral.is_none() => (0..n).map(|p| start + at(p)).collect(),
        other => {
            return Err(bad(
                path,
                format!("the axis is given by the algorithm {other} (CTYPE1 is {kind})"),
                "export it as a table with a wavelength column",
            ));
        }
    };
    Ok((x, quantity, notes))
}

/// True where numbers can only be pixels: steps of one from zero or one.
fn is_pixel(start: Option<f64>, step: Option<f64>) -> bool {
    step.is_none_or(|d| d == 1.0) && start.is_none_or(|s| s == 0.0 || s == 1.0)
}

/// `units=angstroms` in the free text that old files carry.
fn legacy_unit(c: &Cards) -> Option<f64> {
    let text = c.text("WAT1_001")?.to_lowercase();
    let word = text.split("units=").nth(1)?.split_whitespace().next()?;
    length(word.trim_matches('"'))
}

/// What a spectral axis is; without a unit, in SI.
pub(super) fn spectral_quantity(name: &str, unit: Option<&str>, path: &Path) -> Result<Quantity> {
    let known = |f: Option<f64>| f.ok_or_else(|| unit_unknown(unit.unwrap_or_default(), path));
    Ok(match name {
        "AWAV" => Quantity::AirLength(known(unit.map_or(Some(1e9), length))?),
        "WAVE" => Quantity::VacuumLength(known(unit.map_or(Some(1e9), length))?),
        "WAVN" => Quantity::Wavenumber(known(unit.map_or(Some(0.01), wavenumber))?),
        "FREQ" => Quantity::Frequency(known(unit.map_or(Some(1.0), frequency))?),
        _ => Quantity::Energy(known(unit.map_or(Some(1.0 / ELECTRONVOLT_J), energy))?),
    })
}

/// One electronvolt in J (exact, SI).
const ELECTRONVOLT_J: f64 = 1.602_176_634e-19;

fn unit_unknown(unit: &str, path: &Path) -> crate::Error {
    bad(
        path,
        format!("the unit of the axis is `{}`", unit.chars().take(40).collect::<String>()),
        "give the axis in nm, Angstrom, um or m",
    )
}

/// Factor to nm.
pub(super) fn length(unit: &str) -> Option<f64> {
    Some(match unit.trim().to_lowercase().as_str() {
        "m" | "meter" | "metre" | "meters" | "metres" => 1e9,
        "cm" => 1e7,
        "mm" => 1e6,
        "um" | "micron" | "microns" | "micrometer" | "micrometers" => 1e3,
        "nm" | "nanometer" | "nanometers" | "nanometre" | "nanometres" => 1.0,
        "angstrom" | "angstroms" | "0.1nm" | "0.1 nm" | "10**-10 m" | "a" => 0.1,
        "pm" => 1e-3,
        _ => return None,
    })
}

/// Factor to 1/cm.
fn wavenumber(unit: &str) -> Option<f64> {
    Some(match unit.to_lowercase().replace([' ', '^', '*'], "").as_str() {
        "1/m" | "/m" | "m-1" | "m(-1)" => 0.01,
        "1/cm" | "/cm" | "cm-1" | "cm(-1)" => 1.0,
        _ => return None,
    })
}

/// Factor to Hz.
fn frequency(unit: &str) -> Option<f64> {
    Some(match unit {
        "Hz" => 1.0,
        "kHz" => 1e3,
        "MHz" => 1e6,
        "GHz" => 1e9,
        "THz" => 1e12,
        _ => return None,
    })
}

/// Factor to eV.
fn energy(unit: &str) -> Option<f64> {
    Some(match unit {
        "J" => 1.0 / ELECTRONVOLT_J,
        "eV" => 1.0,
        "keV" => 1e3,
        _ => return None,
    })
}

/// What the unit of a table's column says; `None` where it says nothing.
pub(super) fn column_quantity(unit: &str, medium: Option<&str>) -> Option<Quantity> {
    if let Some(f) = length(unit) {
        return Some(match medium {
            Some("air") => Quantity::AirLength(f),
            Some("vacuum") => Quantity::VacuumLength(f),
            _ => Quantity::Length(f),
        });
    }
    wavenumber(unit)
        .map(Quantity::Wavenumber)
        .or_else(|| frequency(unit).map(Quantity::Frequency))
        .or_else(|| energy(unit).map(Quantity::Energy))
        .or_else(|| {
            matches!(unit.to_lowercase().as_str(), "pixel" | "pix" | "chan" | "channel")
                .then_some(Quantity::Pixel)
        })
}
