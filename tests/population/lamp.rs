//! What a fluorescent lamp's light is made of, before it is drawn.

/// Usual light of a mercury line behind the lamp's glass, over that of the green line (invented,
/// of the order of what such lamps show), by wavelength of the lamp table, nm.
pub const MERCURY: [(f64, f64); 14] = [
    (312.5674, 0.01),
    (313.1555, 0.006),
    (313.1844, 0.008),
    (334.1484, 0.006),
    (365.0158, 0.12),
    (365.4842, 0.035),
    (366.3284, 0.03),
    (404.6565, 0.36),
    (407.7837, 0.03),
    (434.7506, 0.01),
    (435.8335, 0.9),
    (546.0750, 1.0),
    (576.9610, 0.17),
    (579.0670, 0.18),
];
/// Mercury's line near the end of silicon's range.
pub const INFRARED: (f64, f64) = (1013.9750, 0.3);
/// Lines that no mercury lamp lacks, nm.
pub const NEVER_LACKING: [f64; 3] = [404.6565, 435.8335, 546.0750];
/// Most that lines of one multiplet (or of neighbouring levels: 404.66 and 407.78, the yellow pair)
/// lie apart, nm: what excites one excites the others.
pub const MULTIPLET_NM: f64 = 3.5;
/// Mercury's main lines, one of each multiplet, nm.
pub const MAIN: [f64; 5] = [365.0158, 404.6565, 435.8335, 546.0750, 578.0];

/// Usual light (invented) and FWHM of the phosphors' peaks, by wavelength of the lamp table, nm. Widths
/// are those of public recordings of compact and tube lamps with the instrument's part taken away, as
/// far as their peaks stand apart (`../shared/real-spectra`: room-fluorescent-a, tube-fluorescent-865);
/// that of the blue band is from the lamp table.
pub const PHOSPHOR: [(f64, f64, f64); 18] = [
    (450.0, 5.5, 50.0),
    (487.7, 0.75, 4.5),
    (542.4, 1.2, 1.3),
    (545.0, 0.8, 2.6),
    (580.7, 0.08, 0.8),
    (585.0, 0.45, 2.2),
    (587.5, 0.3, 0.9),
    (593.2, 0.35, 1.3),
    (599.7, 0.25, 1.5),
    (611.5, 2.3, 1.1),
    (621.0, 0.3, 4.0),
    (631.0, 0.3, 1.3),
    (650.7, 0.08, 0.9),
    (662.6, 0.06, 0.8),
    (687.6, 0.08, 1.4),
    (693.5, 0.06, 0.8),
    (707.2, 0.11, 1.5),
    (709.4, 0.13, 1.0),
];
