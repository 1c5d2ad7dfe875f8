//! Physical constants that turn wavelengths into energies.
//!
//! Since the revision of the SI in 2019 the Planck constant, the elementary charge, the speed of
//! light and the Boltzmann constant are exact, so that the figures here are exact numbers cut off
//! after the digits shown.

/// Planck constant times speed of light in eV nm: photon energy = `HC_EV_NM` / vacuum wavelength.
///
/// Source: CODATA 2018 (exact SI values of h, c and e), Tiesinga et al., Rev. Mod. Phys. 93,
/// 025010 (2021): h = 6.626 070 15e-34 J s, c = 299 792 458 m/s, e = 1.602 176 634e-19 C.
pub const HC_EV_NM: f64 = 1_239.841_984_332_002_6;

/// Boltzmann constant in eV/K.
///
/// Source: CODATA 2018 (exact SI value k = 1.380 649e-23 J/K divided by e), as [`HC_EV_NM`].
pub const BOLTZMANN_EV_PER_K: f64 = 8.617_333_262_145_177e-5;

/// Wavenumber in 1/cm of one electronvolt.
///
/// Source: CODATA 2018, e / (h c), as [`HC_EV_NM`].
pub const PER_CM_PER_EV: f64 = 8_065.543_937_349_212;

/// Energy in eV of a level that a table gives in 1/cm.
pub fn per_cm_to_ev(per_cm: f64) -> f64 {
    per_cm / PER_CM_PER_EV
}

#[cfg(test)]
mod tests {
    use super::*;

    // The three exact SI values (BIPM, SI Brochure, 9th ed. 2019) and the charge.
    const PLANCK_J_S: f64 = 6.626_070_15e-34;
    const LIGHT_M_PER_S: f64 = 299_792_458.0;
    const CHARGE_C: f64 = 1.602_176_634e-19;
    const BOLTZMANN_J_PER_K: f64 = 1.380_649e-23;

    /// A few roundings of f64.
    const ROUNDING: f64 = 1e-14;

    #[test]
    fn constants_follow_from_the_exact_si_values() {
        let hc_ev_nm = PLANCK_J_S * LIGHT_M_PER_S / CHARGE_C * 1e9;
        assert!((HC_EV_NM / hc_ev_nm - 1.0).abs() < ROUNDING, "{hc_ev_nm}");
        assert!((BOLTZMANN_EV_PER_K / (BOLTZMANN_J_PER_K / CHARGE_C) - 1.0).abs() < ROUNDING);
        // 1 eV in 1/cm: 1e7 nm in a centimetre.
        assert!((PER_CM_PER_EV / (1e7 / hc_ev_nm) - 1.0).abs() < ROUNDING);
    }

    #[test]
    fn photon_energy_of_365_nm() {
        // 365 nm (vacuum) is 3.396827 eV, from the published hc.
        assert!((HC_EV_NM / 365.0 - 3.396_827).abs() < 1e-6);
    }

    #[test]
    fn helium_metastable_level_in_ev() {
        // He 1s2s 3S1: 159855.9743 1/cm = 19.8196 eV (NIST ASD).
        assert!((per_cm_to_ev(159_855.974_3) - 19.819_6).abs() < 1e-4);
    }
}
