//! What to beware of with the things that are being measured.
//!
//! Facts from published guidance; they replace neither the code that applies where the reader
//! lives nor a licensed practitioner. Figures are those of the source named beside each.

use crate::signal::PeakList;
use crate::source::{Region, SourceReport, mercury_in};
use crate::{AxisKind, Spectrum};
use serde::Serialize;

/// One caution.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Caution {
    /// What it is about, one or two words.
    pub topic: &'static str,
    /// The caution itself, a few sentences.
    pub text: &'static str,
    /// Who says so.
    pub source: &'static str,
}

/// Ultraviolet on eyes and skin.
pub const ULTRAVIOLET: Caution = Caution {
    topic: "ultraviolet",
    text: "Ultraviolet burns eyes and skin without any warning at the time; the pain comes hours \
           later, and a source that looks dim may be strong. Do not look into the source or the \
           fibre, cover the skin, wear eye protection that blocks ultraviolet. Counts of an \
           uncalibrated spectrometer say nothing about the dose.",
    source: "ICNIRP, Health Phys. 87, 171 (2004)",
};

/// UV-C.
pub const UV_C: Caution = Caution {
    topic: "UV-C",
    text: "At 254 nm the eight-hour limit for eye and skin (60 J/m²) is reached in one minute at \
           0.1 mW/cm². UV-C is to be treated as able to cause cancer. Run such a lamp only in a \
           closed, opaque box with a switch that stops it on opening, and never use it on hands \
           or skin. A spectrometer that starts at 300 nm cannot show that UV-C is absent.",
    source: "ICNIRP 2004; EU SCHEER opinion of 2 February 2017",
};

/// Ozone.
pub const OZONE: Caution = Caution {
    topic: "ozone",
    text: "Light below 240 nm and corona make ozone. The limit at work is 0.1 ppm, and smell is \
           no safe measure of it: air the room.",
    source: "OSHA and NIOSH limits, value from memory",
};

/// Mercury of broken lamps.
pub const MERCURY: Caution = Caution {
    topic: "mercury",
    text: "Fluorescent lamps and many tubes hold mercury, a few milligrams in a household lamp. \
           If one breaks: people and pets out, air for 5 to 10 minutes, forced ventilation of the \
           house off, no vacuum cleaner; pick up with stiff paper, sticky tape and a damp wipe \
           into a jar that closes, take it outdoors, keep airing for hours. Do not open or heat \
           lamps.",
    source: "US EPA, guidance on broken fluorescent lamps",
};

/// High voltage.
pub const HIGH_VOLTAGE: Caution = Caution {
    topic: "high voltage",
    text: "Tubes are lit by voltages that kill: 300 to 1000 V for counter tubes, kilovolts for \
           sign and flash tubes; from 50 V AC or 100 V DC the voltage counts as dangerous, and \
           capacitors from 10 J (100 µF at 330 V hold 5.4 J) and recharge by themselves. Limit \
           the current, isolate from the mains, cover all bare metal, discharge and check, keep \
           one hand away, do not work alone.",
    source: "US DOE electrical safety practice; NFPA 70E",
};

/// A home-made probe in front of a meter.
pub const PROBE: Caution = Caution {
    topic: "voltage probe",
    text: "A string of resistors in front of a meter is no safety-rated high-voltage probe: resistors \
           have a voltage rating each, tracks and dust arc over, and if the meter's end comes loose the \
           full voltage stands there. Work with rated leads and insulation, connect with the supply off, \
           never hold the probe by hand while it is live.",
    source: "common practice, no published source; IEC 61010-031 is the standard for rated probes",
};

/// Tubes under more than their rating.
pub const SEALED_TUBES: Caution = Caution {
    topic: "sealed tubes",
    text: "A tube that is driven beyond its rating heats up, its seals or its thin window may \
           fail and it may implode. Fillings with halogens are corrosive and poisonous, some glow \
           lamps and starters hold traces of radioactive gas, and a tube at low pressure above \
           5 to 10 kV may give X-rays: do not open tubes, wear eye protection.",
    source: "common practice, no published source",
};

/// What goes before every list of cautions and what they do not replace.
pub const DEFER: &str = "These notes are no advice for a particular set-up: the codes where you \
                         live and a licensed practitioner come first.";

/// Said beside every share of light.
pub const LIGHT_IS_NOT_AMOUNT: &str = "Shares are shares of the recorded light, not of the \
     filling: the gas that is easiest to excite takes over the glow, so less than one per cent of \
     it may give most of the light.";

/// Cautions for what a source emits: those of ultraviolet where there is some or may be some that
/// the recording does not show, the stronger ones where it is, or may be, UV-B or UV-C.
pub fn of_source(r: &SourceReport) -> Vec<Caution> {
    let mut out = Vec::new();
    if r.short_ultraviolet {
        out.extend([UV_C, ULTRAVIOLET, OZONE]);
    } else if r.ultraviolet {
        out.push(ULTRAVIOLET);
    }
    if r.mercury.probability > 0.5 {
        out.push(MERCURY);
    }
    out
}

/// Height over that of the highest peak from which a peak counts as real light: below, a cheap
/// instrument's stray light and a hot pixel's rest make such (common practice, no published source).
const REAL_LIGHT: f64 = 0.002;

/// Cautions of ultraviolet for any recording: where peaks below 400 nm carry real light or mercury
/// is seen; those of UV-C and ozone beside it where there is light below 315 nm, or where `bare`
/// says that a mercury discharge may stand behind no phosphor and no ordinary glass. `peaks` are
/// those of the recording. Nothing on an axis in pixels.
pub fn of_recording(spectrum: &Spectrum, peaks: &PeakList, bare: bool) -> Vec<Caution> {
    if spectrum.axis().kind() != AxisKind::Nm || peaks.axis != AxisKind::Nm {
        return Vec::new();
    }
    let height = |p: &crate::signal::Peak| p.height_or(f64::INFINITY);
    let finite = peaks.peaks.iter().map(height).filter(|h| h.is_finite());
    let least = REAL_LIGHT * finite.fold(0.0, f64::max);
    let below = |nm: f64| peaks.peaks.iter().any(|p| p.centre.value < nm && height(p) > least);
    let mercury = mercury_in(spectrum, peaks).is_some_and(|m| m.probability > 0.5);
    let mut out = Vec::new();
    if below(Region::UvB.edges_nm()[1]) || (mercury && bare) {
        out.extend([UV_C, ULTRAVIOLET, OZONE]);
    } else if mercury || below(Region::UvA.edges_nm()[1]) {
        out.push(ULTRAVIOLET);
    }
    if mercury {
        out.push(MERCURY);
    }
    out
}

/// Adds to `list` what is not in it yet.
pub fn join(list: &mut Vec<Caution>, more: impl IntoIterator<Item = Caution>) {
    for c in more {
        if !list.contains(&c) {
            list.push(c);
        }
    }
}

/// Cautions for discharge tubes.
pub const TUBES: [Caution; 3] = [HIGH_VOLTAGE, SEALED_TUBES, MERCURY];
/// Cautions for lamps that may give ultraviolet.
pub const LAMPS: [Caution; 4] = [ULTRAVIOLET, UV_C, OZONE, MERCURY];
/// Cautions for the fluorescent lamp that sets the axis.
pub const CALIBRATION_LAMP: [Caution; 1] = [MERCURY];

#[cfg(test)]
mod tests {
    use super::*;

    /// 60 J/m² at 254 nm and 1 W/m²: ICNIRP 2004, Table 1 (effectiveness 0.50, 30 J/m² effective).
    #[test]
    fn the_minute_at_254_nm_follows_from_the_limit() {
        let (effective_limit, weight_254, irradiance) = (30.0, 0.50, 1.0);
        assert_eq!(effective_limit / weight_254 / irradiance, 60.0);
        assert!(UV_C.text.contains("60 J/m²") && UV_C.text.contains("one minute"));
    }

    /// A recording with lines at the places, all equally high.
    fn with_lines(lines: &[f64]) -> (Spectrum, PeakList) {
        let nm: Vec<f64> = (0..2400).map(|i| 240.0 + 0.3 * f64::from(i)).collect();
        let line = |x: f64, c: f64| 5000.0 * (-((x - c) / 0.8).powi(2)).exp();
        let level = |x: f64| 100.0 + 3.0 * (x * 7.3).sin();
        let counts = nm
            .iter()
            .map(|x| level(*x) + lines.iter().map(|c| line(*x, *c)).sum::<f64>())
            .collect();
        let s = Spectrum::new(crate::Axis::new(AxisKind::Nm, nm).unwrap(), counts).unwrap();
        let peaks = crate::signal::find_peaks(&s, &Default::default()).unwrap();
        (s, peaks)
    }

    #[test]
    fn any_recording_with_ultraviolet_or_mercury_has_its_caution() {
        let of = |lines: &[f64], bare: bool| {
            let (s, peaks) = with_lines(lines);
            of_recording(&s, &peaks, bare)
        };
        assert_eq!(of(&[585.25, 640.22, 703.24], true), []);
        assert_eq!(of(&[337.13, 585.25, 640.22], true), [ULTRAVIOLET]);
        assert_eq!(of(&[253.65, 585.25], true), [UV_C, ULTRAVIOLET, OZONE]);
        // Mercury's lines of the visible are enough.
        let mercury = [404.66, 435.83, 546.07, 578.0];
        assert_eq!(of(&mercury, false), [ULTRAVIOLET, MERCURY]);
        assert_eq!(of(&mercury, true), [UV_C, ULTRAVIOLET, OZONE, MERCURY]);
    }

    #[test]
    fn the_capacitor_example_is_right() {
        let energy: f64 = 0.5 * 100e-6 * 330.0 * 330.0;
        assert!((energy - 5.4).abs() < 0.05);
        assert!(HIGH_VOLTAGE.text.contains("5.4 J"));
    }
}
