//! Wavelengths of a table in air, as everywhere here, or in vacuum for whoever asks.

use crate::reference::to_vacuum_nm;
use crate::signal::PeakList;
use crate::{AxisKind, Measured};

/// What the wavelengths of a table are in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Medium {
    /// Standard air above 200 nm, vacuum below.
    #[default]
    Air,
    /// Vacuum (Ciddor 1996).
    Vacuum,
}

impl Medium {
    /// What stands in the head of a table.
    pub fn words(self) -> &'static str {
        match self {
            Medium::Air => "nm (air)",
            Medium::Vacuum => "nm (vacuum)",
        }
    }

    /// A wavelength in this medium, from one as this library has it.
    pub fn nm(self, air_nm: f64) -> f64 {
        match self {
            Medium::Air => air_nm,
            Medium::Vacuum => to_vacuum_nm(air_nm),
        }
    }

    /// Peaks whose places and widths are in this medium. For printing only: whatever computes
    /// expects air. A list in pixels is given back as it is.
    pub(super) fn of_peaks(self, list: &PeakList) -> PeakList {
        let mut list = list.clone();
        if self == Medium::Air || list.axis == AxisKind::Pixel {
            return list;
        }
        for p in &mut list.peaks {
            let half = 0.5 * p.fwhm.value;
            let ends = [self.nm(p.centre.value - half), self.nm(p.centre.value + half)];
            let stretch = (ends[1] - ends[0]) / p.fwhm.value;
            // Two parts in ten thousand more, except where a width does not exist.
            let stretch = if stretch.is_finite() { stretch } else { 1.0 };
            let scaled = |m: Measured| Measured::new(m.value * stretch, m.u * stretch);
            p.centre = Measured::new(self.nm(p.centre.value), p.centre.u * stretch);
            p.fwhm = scaled(p.fwhm);
            p.area = p.area.map(scaled);
        }
        list
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::made_up::{NEON, list, recording};

    /// Sodium D2: 589.1583 nm in vacuum, 588.99506 nm in air (NIST; Ciddor 1996).
    #[test]
    fn peaks_in_vacuum() {
        let lines = [(588.995_06, 1000.0)];
        let peaks = list(&recording(AxisKind::Nm, 380.0, 1000.0, 300, &NEON), &lines);
        let vacuum = Medium::Vacuum.of_peaks(&peaks);
        assert!((vacuum.peaks[0].centre.value - 589.1583).abs() < 1e-5);
        let wider = vacuum.peaks[0].fwhm.value / peaks.peaks[0].fwhm.value - 1.0;
        assert!((2.5e-4..3.0e-4).contains(&wider), "{wider}");
        assert_eq!(Medium::Air.of_peaks(&peaks), peaks);
        let pixels = list(&recording(AxisKind::Pixel, 0.0, 500.0, 300, &[]), &lines);
        assert_eq!(Medium::Vacuum.of_peaks(&pixels), pixels);
    }
}
