//! Air and vacuum wavelengths.

/// Refractivity n − 1 of standard air (dry, 15 °C, 101 325 Pa, 450 ppm CO2) at a vacuum
/// wavelength in nm.
///
/// Source: P. E. Ciddor, Appl. Opt. 35, 1566 (1996), equation 1; fitted for 300 to 1690 nm.
pub fn refractivity_ciddor(vacuum_nm: f64) -> f64 {
    let s2 = (1000.0 / vacuum_nm).powi(2);
    1e-8 * (5_792_105.0 / (238.0185 - s2) + 167_917.0 / (57.362 - s2))
}

/// Air wavelength in nm of a vacuum wavelength in nm (standard air, [`refractivity_ciddor`]).
pub fn vacuum_to_air_nm(vacuum_nm: f64) -> f64 {
    vacuum_nm / (1.0 + refractivity_ciddor(vacuum_nm))
}

/// Vacuum wavelength in nm of an air wavelength in nm: fixed-point inverse of
/// [`vacuum_to_air_nm`], exact to 1e-9 nm after four rounds.
pub fn air_to_vacuum_nm(air_nm: f64) -> f64 {
    (0..4).fold(air_nm, |v, _| air_nm * (1.0 + refractivity_ciddor(v)))
}

/// Shortest wavelength that tables give in air; below, all is in vacuum, nm.
const AIR_FROM_NM: f64 = 200.0;

/// Vacuum wavelength in nm of a wavelength as the tables and axes of this library have it: in air
/// above 200 nm, in vacuum below.
pub fn to_vacuum_nm(nm: f64) -> f64 {
    if nm > AIR_FROM_NM { air_to_vacuum_nm(nm) } else { nm }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Refractivity is compared in units of 1e-8, as the papers print it.
    const UNIT: f64 = 1e-8;

    #[test]
    fn refractivity_is_that_of_ciddor_1996() {
        // Vacuum wavelength in nm, 1e8 (n - 1). Source: P. E. Ciddor, Appl. Opt. 35, 1566 (1996),
        // equation 1, as evaluated by three independent libraries that agree to every digit.
        let published = [
            (253.65, 30050.09),
            (300.0, 29156.86),
            (365.02, 28494.99),
            (404.66, 28251.59),
            (435.83, 28108.24),
            (500.0, 27897.38),
            (546.07, 27791.53),
            (546.074, 27791.52),
            (589.0, 27715.20),
            (589.29, 27714.75),
            (632.99, 27653.03),
            (656.28, 27625.20),
            (700.0, 27580.45),
            (800.0, 27504.78),
            (900.0, 27453.27),
            (1000.0, 27416.61),
            (1100.0, 27389.59),
        ];
        for (vacuum_nm, expected) in published {
            let got = refractivity_ciddor(vacuum_nm) / UNIT;
            assert!((got - expected).abs() < 0.01, "{vacuum_nm} nm: {got}, not {expected}");
        }
    }

    #[test]
    fn other_published_formulas_are_near() {
        // 1e8 (n - 1) of Peck and Reeder, J. Opt. Soc. Am. 62, 958 (1972), four-term form, for
        // 300 ppm CO2: they differ from Ciddor's 450 ppm by up to 2e-8, 1e-5 nm at 500 nm.
        for (vacuum_nm, peck_reeder) in [(300.0, 29155.59), (546.07, 27790.06), (1000.0, 27415.25)]
        {
            let off = refractivity_ciddor(vacuum_nm) / UNIT - peck_reeder;
            assert!((0.0..2.0).contains(&off), "{vacuum_nm} nm: {off}");
        }
    }

    #[test]
    fn air_wavelengths_of_known_vacuum_wavelengths() {
        // 632.99121258 nm: iodine-stabilised helium-neon laser, CIPM mise en pratique 2003; the
        // others are line positions in vacuum; air values by Ciddor 1996, to the digits shown.
        let pairs = [
            (632.991_212_58, 632.81622),
            (253.728, 253.65178),
            (404.7708, 404.65648),
            (435.956, 435.83350),
            (546.2268, 546.07504),
            (589.1583, 588.99506),
            (589.7558, 589.59240),
            (656.4614, 656.28010),
            (811.7542, 811.53105),
        ];
        for (vacuum_nm, air_nm) in pairs {
            let got = vacuum_to_air_nm(vacuum_nm);
            // Half a unit of the last digit, and the rounding of that.
            assert!((got - air_nm).abs() < 0.6e-5, "{vacuum_nm} nm: {got}, not {air_nm}");
        }
    }

    /// Worked values kept beside the repository; the pairs above are the ones that are always
    /// tested.
    #[test]
    fn pairs_of_the_reference_folder() {
        let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../shared/reference/standards/vacuum_air_pairs.csv");
        let Ok(text) = std::fs::read_to_string(file) else {
            println!("skipped: no reference folder beside the repository");
            return;
        };
        let mut reader = ::csv::Reader::from_reader(text.as_bytes());
        let head = reader.headers().unwrap().clone();
        let at = |part: &str| head.iter().position(|h| h.starts_with(part)).unwrap();
        let (vacuum, air) = (at("vacuum_nm"), at("air_nm"));
        let mut checked = 0;
        for row in reader.records() {
            let row = row.unwrap();
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            // Five decimals are printed.
            let off = to_vacuum_nm(number(air)) - number(vacuum);
            assert!(off.abs() < 1.1e-5, "{}: {off}", number(vacuum));
            checked += 1;
        }
        assert!(checked >= 8, "{checked}");
        assert_eq!(to_vacuum_nm(185.0), 185.0);
    }

    #[test]
    fn published_moist_air_lies_near_standard_air() {
        // n = 1.000271373 at 633 nm in air of 20 °C, 101 325 Pa, 50 % humidity (NIST Engineering
        // Metrology Toolbox, Stone and Zimmerman, Ciddor mode). Air at 20 °C is thinner than
        // standard air by (273.15 + 15)/(273.15 + 20), moisture takes another 4e-7.
        let thinner = refractivity_ciddor(633.0) * 288.15 / 293.15;
        assert!((thinner - 0.000_271_373).abs() < 1e-6, "{thinner}");
    }

    proptest! {
        #[test]
        fn there_and_back_again(vacuum_nm in 200.0..1700.0_f64) {
            let back = air_to_vacuum_nm(vacuum_to_air_nm(vacuum_nm));
            prop_assert!((back - vacuum_nm).abs() < 1e-7, "{}", back - vacuum_nm);
        }

        #[test]
        fn air_is_shorter_and_order_is_kept(nm in 200.0..1700.0_f64, step in 1e-6..10.0_f64) {
            prop_assert!(vacuum_to_air_nm(nm) < nm);
            prop_assert!(vacuum_to_air_nm(nm) < vacuum_to_air_nm(nm + step));
        }
    }
}
