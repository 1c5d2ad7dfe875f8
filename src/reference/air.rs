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
