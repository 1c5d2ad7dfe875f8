//! Tables of light beside the line tables: weights of hazard, colour matching, cathodes, glasses.

use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The bundled text of a table.
macro_rules! bundled {
    ($name:literal) => {
        ($name, include_str!(concat!("../../line-tables/light/", $name)))
    };
}

/// How values lie between the rows of a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Between {
    /// Straight lines.
    Linear,
    /// Straight lines of the logarithm.
    Logarithm,
}

/// A function of the wavelength, given by rows; 0 beyond the first and the last.
#[derive(Debug, Clone, PartialEq)]
struct Rows {
    nm: Vec<f64>,
    values: Vec<f64>,
    between: Between,
}

impl Rows {
    fn at(&self, nm: f64) -> f64 {
        let k = self.nm.partition_point(|x| *x <= nm);
        let (Some(b), Some(last)) = (self.nm.get(k), self.nm.last()) else {
            // On the last row itself, and beyond it.
            return match self.nm.last() {
                Some(last) if nm == *last => self.values[self.values.len() - 1],
                _ => 0.0,
            };
        };
        if k == 0 || nm > *last {
            return 0.0;
        }
        let (a, ya, yb) = (self.nm[k - 1], self.values[k - 1], self.values[k]);
        let t = (nm - a) / (b - a);
        match self.between {
            Between::Logarithm if ya > 0.0 && yb > 0.0 => ya * (yb / ya).powf(t),
            _ => ya + t * (yb - ya),
        }
    }
}

/// A cathode material.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cathode {
    /// What it is made of.
    pub material: String,
    /// Lowest value of its work function, eV.
    pub lowest_ev: f64,
    /// Usual value (polycrystalline), eV.
    pub usual_ev: f64,
    /// Highest value, eV.
    pub highest_ev: f64,
    /// Where the values are from.
    pub source: String,
}

/// A glass or window material.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Glass {
    /// What it is.
    pub material: String,
    /// Practically opaque below, nm.
    pub opaque_below_nm: f64,
    /// Practically clear above, nm.
    pub clear_above_nm: f64,
    /// Where the figures are from.
    pub source: String,
}

/// All tables of light.
#[derive(Debug, Clone, PartialEq)]
pub struct LightTables {
    actinic: Rows,
    blue_light: Rows,
    matching: [Rows; 3],
    cathodes: Vec<Cathode>,
    glasses: Vec<Glass>,
}

impl LightTables {
    /// The tables that are built into the program.
    ///
    /// # Errors
    /// [`Error::Input`] where a bundled table is damaged (a defect of the build).
    pub fn bundled() -> Result<Self> {
        let matching = read(bundled!("colour-matching.csv"))?;
        let column = |i: usize| -> Result<Rows> {
            rows_of(&matching, "colour-matching.csv", i, Between::Linear)
        };
        let log = Between::Logarithm;
        let (actinic, blue) =
            (read(bundled!("actinic-weight.csv"))?, read(bundled!("blue-light-weight.csv"))?);
        Ok(LightTables {
            actinic: rows_of(&actinic, "actinic-weight.csv", 1, log)?,
            blue_light: rows_of(&blue, "blue-light-weight.csv", 1, log)?,
            matching: [column(1)?, column(2)?, column(3)?],
            cathodes: records(bundled!("cathodes.csv"))?,
            glasses: records(bundled!("glasses.csv"))?,
        })
    }

    /// Relative effectiveness S of ultraviolet for eye and skin at a wavelength in nm, 1 at 270 nm;
    /// linear in the logarithm between the rows of 1 nm, 0 below 180 and above 400 nm.
    ///
    /// Source: ICNIRP, Health Phys. 87 (2004) 171, Table 1; Directive 2006/25/EC.
    pub fn actinic_weight(&self, nm: f64) -> f64 {
        self.actinic.at(nm)
    }

    /// Blue-light hazard function B at a wavelength in nm, 1 at 435 and 440 nm; linear in the
    /// logarithm between rows of 5 nm, 0 below 300 and above 700 nm.
    ///
    /// Source: ICNIRP, Health Phys. 105 (2013) 74; IEC 62471:2006.
    pub fn blue_light_weight(&self, nm: f64) -> f64 {
        self.blue_light.at(nm)
    }

    /// Colour-matching functions x̄, ȳ, z̄ of the CIE 1931 observer at a wavelength in nm; linear
    /// between rows of 5 nm, 0 below 360 and above 830 nm. ȳ is the luminous efficiency V.
    ///
    /// Source: CIE 018:2019; ISO/CIE 11664-1.
    pub fn colour_matching(&self, nm: f64) -> [f64; 3] {
        [0, 1, 2].map(|i| self.matching[i].at(nm))
    }

    /// Cathode materials with their work functions.
    pub fn cathodes(&self) -> &[Cathode] {
        &self.cathodes
    }

    /// Glasses and windows with their edges.
    pub fn glasses(&self) -> &[Glass] {
        &self.glasses
    }
}

/// A reader that passes over remarks.
fn reader(text: &str) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes())
}

fn damaged(name: &str, line: Option<usize>, what: impl Into<String>) -> Error {
    Error::input(
        Path::new("line-tables/light").join(name),
        line,
        what,
        "mend the table and build again",
    )
}

/// Rows of numbers.
fn read((name, text): (&str, &str)) -> Result<Vec<Vec<f64>>> {
    let mut out = Vec::new();
    for row in reader(text).records() {
        let row = row.map_err(|e| damaged(name, None, format!("is no table ({e})")))?;
        let line = row.position().map(|p| p.line() as usize);
        let numbers: Option<Vec<f64>> =
            row.iter().map(|c| c.parse().ok().filter(|v: &f64| v.is_finite())).collect();
        out.push(numbers.ok_or_else(|| damaged(name, line, "holds something else than numbers"))?);
    }
    Ok(out)
}

fn rows_of(table: &[Vec<f64>], name: &str, column: usize, between: Between) -> Result<Rows> {
    let nm: Option<Vec<f64>> = table.iter().map(|r| r.first().copied()).collect();
    let values: Option<Vec<f64>> = table.iter().map(|r| r.get(column).copied()).collect();
    match (nm, values) {
        (Some(nm), Some(values)) if nm.len() > 1 && nm.windows(2).all(|w| w[1] > w[0]) => {
            Ok(Rows { nm, values, between })
        }
        _ => Err(damaged(name, None, "lacks a column, or its wavelengths do not ascend")),
    }
}

/// Rows as records.
fn records<T: serde::de::DeserializeOwned>((name, text): (&str, &str)) -> Result<Vec<T>> {
    reader(text)
        .deserialize()
        .map(|r| r.map_err(|e| damaged(name, None, format!("is no table ({e})"))))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn tables() -> LightTables {
        LightTables::bundled().unwrap()
    }

    /// ICNIRP, Health Phys. 87 (2004) 171, Table 1: the 47 published points, and that the limit
    /// beside each is 30 J/m² over S within the rounding of two digits.
    #[test]
    fn actinic_weights_are_the_published_ones() {
        let published = [
            (180.0, 0.012, 2500.0),
            (190.0, 0.019, 1600.0),
            (200.0, 0.030, 1000.0),
            (205.0, 0.051, 590.0),
            (210.0, 0.075, 400.0),
            (220.0, 0.12, 250.0),
            (225.0, 0.15, 200.0),
            (230.0, 0.19, 160.0),
            (235.0, 0.24, 130.0),
            (240.0, 0.30, 100.0),
            (245.0, 0.36, 83.0),
            (250.0, 0.43, 70.0),
            (254.0, 0.50, 60.0),
            (255.0, 0.52, 58.0),
            (260.0, 0.65, 46.0),
            (265.0, 0.81, 37.0),
            (270.0, 1.00, 30.0),
            (275.0, 0.96, 31.0),
            (280.0, 0.88, 34.0),
            (285.0, 0.77, 39.0),
            (290.0, 0.64, 47.0),
            (295.0, 0.54, 56.0),
            (297.0, 0.46, 65.0),
            (300.0, 0.30, 100.0),
            (303.0, 0.12, 250.0),
            (305.0, 0.060, 500.0),
            (308.0, 0.026, 1200.0),
            (310.0, 0.015, 2000.0),
            (313.0, 0.0060, 5000.0),
            (315.0, 0.0030, 10000.0),
            (320.0, 0.0010, 29000.0),
            (325.0, 0.00050, 60000.0),
            (330.0, 0.00041, 73000.0),
            (340.0, 0.00028, 110000.0),
            (350.0, 0.00020, 150000.0),
            (360.0, 0.00013, 230000.0),
            (365.0, 0.00011, 270000.0),
            (370.0, 0.000093, 320000.0),
            (380.0, 0.000064, 470000.0),
            (385.0, 0.000053, 570000.0),
            (390.0, 0.000044, 680000.0),
            (395.0, 0.000036, 830000.0),
            (400.0, 0.000030, 1000000.0),
        ];
        let t = tables();
        for (nm, s, limit) in published {
            assert_relative_eq!(t.actinic_weight(nm), s, max_relative = 1e-9);
            // Two digits on both sides.
            assert!((30.0 / s / limit - 1.0).abs() < 0.06, "{nm}");
        }
        assert_eq!((t.actinic_weight(179.9), t.actinic_weight(400.1)), (0.0, 0.0));
        // Half way between rows: the geometric mean.
        let mean = (t.actinic_weight(310.0) * t.actinic_weight(311.0)).sqrt();
        assert_relative_eq!(t.actinic_weight(310.5), mean, max_relative = 1e-12);
    }

    /// ICNIRP 2013 and IEC 62471:2006: rows, and the rule from 500 to 600 nm.
    #[test]
    fn blue_light_weights_are_the_published_ones() {
        let t = tables();
        let rows = [
            (300.0, 0.01),
            (380.0, 0.01),
            (385.0, 0.013),
            (390.0, 0.025),
            (395.0, 0.05),
            (400.0, 0.10),
            (405.0, 0.20),
            (410.0, 0.40),
            (415.0, 0.80),
            (420.0, 0.90),
            (425.0, 0.95),
            (430.0, 0.98),
            (435.0, 1.0),
            (440.0, 1.0),
            (445.0, 0.97),
            (450.0, 0.94),
            (455.0, 0.90),
            (460.0, 0.80),
            (465.0, 0.70),
            (470.0, 0.62),
            (475.0, 0.55),
            (480.0, 0.45),
            (485.0, 0.40),
            (490.0, 0.22),
            (495.0, 0.16),
            (500.0, 0.10),
            (600.0, 0.001),
            (650.0, 0.001),
            (700.0, 0.001),
        ];
        for (nm, b) in rows {
            assert_relative_eq!(t.blue_light_weight(nm), b, max_relative = 1e-9);
        }
        for i in 0..100 {
            let nm = 500.0 + f64::from(i);
            let rule = 10f64.powf(0.02 * (450.0 - nm));
            assert!((t.blue_light_weight(nm) / rule - 1.0).abs() < 0.01, "{nm}");
        }
        assert_eq!((t.blue_light_weight(299.0), t.blue_light_weight(701.0)), (0.0, 0.0));
    }

    /// CIE 018:2019: luminous efficiency, and the chromaticity of single wavelengths and of the
    /// equal-energy spectrum (0.33331, 0.33329 from the rows of 5 nm).
    #[test]
    fn colour_matching_is_the_published_one() {
        let t = tables();
        let v = [
            (450.0, 0.038),
            (510.0, 0.503),
            (520.0, 0.710),
            (555.0, 1.0),
            (600.0, 0.631),
            (650.0, 0.107),
        ];
        for (nm, y) in v {
            assert!((t.colour_matching(nm)[1] - y).abs() < 5e-4, "{nm}");
        }
        let xy = |m: [f64; 3]| {
            let sum: f64 = m.iter().sum();
            [m[0] / sum, m[1] / sum]
        };
        let locus = [
            (450.0, [0.1566, 0.0177]),
            (520.0, [0.0743, 0.8338]),
            (555.0, [0.3374, 0.6588]),
            (600.0, [0.6270, 0.3725]),
            (650.0, [0.7260, 0.2740]),
        ];
        for (nm, wanted) in locus {
            let got = xy(t.colour_matching(nm));
            assert!((0..2).all(|i| (got[i] - wanted[i]).abs() < 1e-4), "{nm}: {got:?}");
        }
        let mut sum = [0.0; 3];
        for k in 0..95 {
            let m = t.colour_matching(360.0 + 5.0 * f64::from(k));
            (0..3).for_each(|i| sum[i] += m[i]);
        }
        let e = xy(sum);
        assert!((e[0] - 0.33331).abs() < 5e-5 && (e[1] - 0.33329).abs() < 5e-5, "{e:?}");
    }

    #[test]
    fn cathodes_and_glasses_make_sense() {
        let t = tables();
        assert!(t.cathodes().len() >= 20 && t.glasses().len() >= 6);
        for c in t.cathodes() {
            let fits = c.lowest_ev <= c.usual_ev && c.usual_ev <= c.highest_ev;
            assert!(fits && c.lowest_ev > 1.5 && c.highest_ev < 6.5, "{c:?}");
            assert!(!c.source.is_empty());
        }
        for g in t.glasses() {
            assert!(g.opaque_below_nm <= g.clear_above_nm && !g.source.is_empty(), "{g:?}");
        }
    }
}
