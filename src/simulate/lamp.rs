//! Strengths of a fluorescent lamp with three phosphors.
//!
//! The places come from the lamp table; the strengths here are invented, so that the picture is
//! that of a usual warm-white lamp: whole light of each feature over that of mercury 546.07 nm.
//! The lamp table's intensities are no irradiances and would not do.

/// Whole light of a mercury line behind the lamp's glass: `(nominal wavelength nm, light)`.
pub(super) const MERCURY: &[(f64, f64)] = &[
    (312.57, 0.010),
    (313.16, 0.006),
    (313.18, 0.008),
    (334.15, 0.006),
    (365.02, 0.120),
    (365.48, 0.035),
    (366.29, 0.006),
    (366.33, 0.030),
    (404.66, 0.360),
    (407.78, 0.030),
    (433.92, 0.006),
    (434.75, 0.010),
    (435.83, 0.900),
    (491.61, 0.007),
    (546.08, 1.000),
    (576.96, 0.170),
    (579.07, 0.180),
    (690.75, 0.004),
    (1013.98, 0.300),
];

/// Whole light and FWHM of a phosphor peak: `(nominal wavelength nm, light, FWHM nm)`.
pub(super) const PHOSPHOR: &[(f64, f64, f64)] = &[
    (450.0, 5.50, 50.0),
    (487.7, 0.75, 6.0),
    (542.4, 1.20, 2.6),
    (545.0, 0.80, 4.0),
    (580.7, 0.08, 2.5),
    (585.0, 0.45, 8.0),
    (587.5, 0.30, 2.6),
    (593.2, 0.35, 2.8),
    (599.7, 0.25, 2.6),
    (611.5, 2.30, 2.4),
    (621.0, 0.30, 9.0),
    (631.0, 0.30, 2.6),
    (650.7, 0.08, 2.6),
    (662.6, 0.06, 2.6),
    (687.6, 0.08, 2.6),
    (693.5, 0.06, 2.6),
    (707.2, 0.11, 2.6),
    (709.4, 0.13, 2.6),
    (712.2, 0.06, 2.6),
];

/// How far a feature of the lamp table may lie from a nominal wavelength here, nm: less than the
/// distance of any two features that are to be told apart, save for pairs that no instrument of
/// this sort resolves.
pub(super) const NOMINAL_WITHIN_NM: f64 = 0.3;

/// `kT` of the argon in the first half minute, eV (invented).
pub(super) const ARGON_KT_EV: f64 = 0.6;
