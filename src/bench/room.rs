//! Light of the room taken away, where it was recorded by itself.

use crate::signal::median;
use crate::{Error, Mask, Result, Spectrum};

/// Share of the points that hold no light, from which the dark level is taken (common practice, no
/// published source).
const DARK_SHARE: f64 = 0.1;
/// Height above the dark level from which a point of the room's light says how much of it is in the
/// recording: over its scatter …
const BRIGHT_SIGMA: f64 = 10.0;
/// … and over its highest point.
const BRIGHT_SHARE: f64 = 0.05;
/// The tube adds light of its own to some of these points and takes none away, so that the lower
/// quarter of the ratios is the room's.
const ROOM_QUANTILE: f64 = 0.25;
/// Scatter of a normal distribution over the median of the absolute differences of neighbours.
const SIGMA_PER_DIFFERENCE: f64 = 1.4826 / std::f64::consts::SQRT_2;

/// The recording without as much of the room's light as it can hold, and that multiple of `room`.
///
/// `room` is a recording of the same instrument with the tube dark; its exposure need not be the
/// same. A note tells the multiple.
///
/// # Errors
/// [`Error::Refused`] where both are not on the same axis, or where the room's recording is dark.
pub fn without_room(spectrum: &Spectrum, room: &Spectrum) -> Result<(Spectrum, f64)> {
    let what = || format!("room light in {}", spectrum.provenance.name);
    if spectrum.x() != room.x() {
        return Err(Error::refused(
            what(),
            "the recording of the room is on another axis",
            "record both with the same instrument and settings",
        ));
    }
    let above_dark = |s: &Spectrum| -> Vec<f64> {
        let mut sorted = s.counts().to_vec();
        sorted.sort_by(f64::total_cmp);
        let dark = sorted.get((sorted.len() as f64 * DARK_SHARE) as usize).copied().unwrap_or(0.0);
        s.counts().iter().map(|c| c - dark).collect()
    };
    let (light, of_room) = (above_dark(spectrum), above_dark(room));
    let mut steps: Vec<f64> = of_room.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let sigma = SIGMA_PER_DIFFERENCE * median(&mut steps);
    let top = of_room.iter().copied().fold(0.0, f64::max);
    let least = (BRIGHT_SIGMA * sigma).max(BRIGHT_SHARE * top);
    let mut ratios: Vec<f64> = (0..light.len())
        .filter(|i| of_room[*i] > least)
        .filter(|i| spectrum.mask()[*i].is_good() && !room.mask()[*i].has(Mask::SATURATED))
        .map(|i| light[i] / of_room[i])
        .collect();
    if ratios.is_empty() || top <= 0.0 {
        return Err(Error::refused(
            what(),
            "nothing stands out in the recording of the room",
            "record the room longer, or leave it out",
        ));
    }
    ratios.sort_by(f64::total_cmp);
    let times = ratios[(ratios.len() as f64 * ROOM_QUANTILE) as usize].max(0.0);
    let counts = spectrum.counts().iter().zip(&of_room).map(|(c, r)| c - times * r).collect();
    let mut out = Spectrum::new(spectrum.axis().clone(), counts)?;
    if let Some(s) = spectrum.sigma() {
        out = out.with_sigma(s.to_vec())?;
    }
    if let Some(u) = spectrum.axis_u() {
        out = out.with_axis_u(u.to_vec())?;
    }
    spectrum.mask().iter().enumerate().for_each(|(i, m)| out.flag(i, *m));
    out.unit.clone_from(&spectrum.unit);
    out.provenance = spectrum.provenance.clone();
    out.provenance.notes.push(format!(
        "{times:.3} times the light of the room ({}) was taken away",
        room.provenance.name
    ));
    Ok((out, times))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Axis, AxisKind};

    fn recording(lines: &[(f64, f64)], dark: f64) -> Spectrum {
        let x: Vec<f64> = (0..1000).map(|i| 400.0 + 0.4 * f64::from(i)).collect();
        let counts = x
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let light: f64 =
                    lines.iter().map(|(c, h)| h * (-2.77 * ((x - c) / 1.5).powi(2)).exp()).sum();
                dark + light + ((i * 7919) % 101) as f64 * 0.05
            })
            .collect();
        Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), counts).unwrap()
    }

    #[test]
    fn the_room_goes_and_the_tube_stays() {
        let room = [(435.8, 900.0), (546.1, 1500.0), (611.6, 1200.0)];
        let mut both: Vec<(f64, f64)> = room.iter().map(|(c, h)| (*c, 0.3 * h)).collect();
        both.extend([(585.2, 800.0), (640.2, 1000.0)]);
        let (left, times) =
            without_room(&recording(&both, 250.0), &recording(&room, 100.0)).unwrap();
        assert!((times - 0.3).abs() < 0.02, "{times}");
        let at = |nm: f64| left.counts()[left.axis().index_of(nm).round() as usize];
        assert!(at(546.1) < 250.0 + 50.0 && at(640.2) > 1200.0, "{} {}", at(546.1), at(640.2));
    }

    #[test]
    fn another_axis_and_a_dark_room_are_refused() {
        let tube = recording(&[(585.2, 800.0)], 100.0);
        let other = Spectrum::new(Axis::pixels(1000), vec![1.0; 1000]).unwrap();
        assert!(without_room(&tube, &other).is_err());
        let flat = Spectrum::new(tube.axis().clone(), vec![100.0; 1000]).unwrap();
        assert!(without_room(&tube, &flat).is_err());
    }
}
