//! Light of the room taken away, where it was recorded by itself.

use crate::signal::median;
use crate::{Error, Mask, Measured, Result, Spectrum};

/// Share of the points that hold no light, from which the dark level is taken (common practice, no
/// published source).
const DARK_SHARE: f64 = 0.1;
/// Height above the dark level from which a point of the room's light says how much of it is in the
/// recording: over its scatter …
const BRIGHT_SIGMA: f64 = 10.0;
/// … and over its highest point.
const BRIGHT_SHARE: f64 = 0.05;
/// Pieces into which the bright points of the room are cut, as a share of all points: about one
/// line each.
const PIECE_SHARE: f64 = 1.0 / 256.0;
/// Fewest points of a piece that says something.
const PIECE_POINTS: usize = 3;
/// Standard deviations within which pieces agree on the factor …
const AGREE_SIGMAS: f64 = 3.0;
/// … together with this share of the factor, by which lines of a room drift against each other.
const DRIFT_SHARE: f64 = 0.1;
/// Standard deviations from which on there is light of the room at all.
const THERE_SIGMAS: f64 = 3.0;
/// Share of a recording's light that a room may explain; a recording that is nearly all room is none
/// of a tube.
const MOST_SHARE: f64 = 0.8;
/// Rounds of gathering the pieces that agree; the set stands still after two or three.
const ROUNDS: usize = 4;
/// Height of light above the dark level that counts for that share, in its scatter.
const LIGHT_SIGMA: f64 = 5.0;
/// Scatter of a normal distribution over the median of the absolute differences of neighbours.
const SIGMA_PER_DIFFERENCE: f64 = 1.4826 / std::f64::consts::SQRT_2;

/// What was found of the room's light in a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomTaken {
    /// The recording without it.
    pub spectrum: Spectrum,
    /// Multiple of the room's recording that was taken away; a value of 0 where none was found.
    pub times: Measured,
    /// Share of the recording's light that it made up, 0 to 1.
    pub share: f64,
}

/// The recording without as much of the room's light as it can hold.
///
/// `room` is a recording of the same instrument with the tube dark; its exposure need not be the
/// same. A tube adds light to some features of the room and takes none away, so that the features
/// with the least of the room's light tell the factor; one that is missing says that the recording
/// holds none of it. A note tells the multiple with its standard uncertainty.
///
/// # Errors
/// [`Error::Refused`] where both are not on the same axis, where the room's recording is dark, is
/// the recording itself, or explains nearly all of it.
pub fn without_room(spectrum: &Spectrum, room: &Spectrum) -> Result<RoomTaken> {
    let what = || format!("room light in {}", spectrum.provenance.name);
    if spectrum.x() != room.x() {
        return Err(Error::refused(
            what(),
            "the recording of the room is on another axis",
            "record both with the same instrument and settings",
        ));
    }
    if spectrum.counts() == room.counts() {
        return Err(Error::refused(
            what(),
            format!("{} is the recording itself", room.provenance.name),
            "record the room with the tube dark, into a file of its own",
        ));
    }
    let (light, of_room) = (Above::of(spectrum), Above::of(room));
    let top = of_room.counts.iter().copied().fold(0.0, f64::max);
    let least = (BRIGHT_SIGMA * of_room.sigma).max(BRIGHT_SHARE * top);
    let is_bright = |i: usize| {
        of_room.counts[i] > least
            && spectrum.mask()[i].is_good()
            && !room.mask()[i].has(Mask::SATURATED)
    };
    let mut pieces: Vec<Measured> = Vec::new();
    let longest = ((light.counts.len() as f64 * PIECE_SHARE) as usize).max(PIECE_POINTS);
    let mut run: Vec<usize> = Vec::new();
    for i in 0..=light.counts.len() {
        let bright = i < light.counts.len() && is_bright(i);
        if bright {
            run.push(i);
        }
        if run.len() == longest || !bright {
            if run.len() >= PIECE_POINTS {
                pieces.extend(ratio(&light, &of_room, &run));
            }
            run.clear();
        }
    }
    let Some((times, agreeing)) = factor(&pieces) else {
        return Err(Error::refused(
            what(),
            "nothing stands out in the recording of the room",
            "record the room longer, or leave it out",
        ));
    };
    if times.value < THERE_SIGMAS * times.u {
        let mut out = spectrum.clone();
        out.provenance.notes.push(format!(
            "None of the light of the room ({}) was found, and nothing was taken away: {:.3} ± {:.3} \
             times it, from {agreeing} of its {} features.",
            room.provenance.name,
            times.value,
            times.u,
            pieces.len()
        ));
        return Ok(RoomTaken {
            spectrum: out,
            times: Measured { value: 0.0, u: times.u },
            share: 0.0,
        });
    }
    let all: Vec<usize> = (0..light.counts.len())
        .filter(|i| light.counts[*i] > LIGHT_SIGMA * light.sigma && spectrum.mask()[*i].is_good())
        .collect();
    let sum: f64 = all.iter().map(|i| light.counts[*i]).sum();
    let taken: f64 =
        all.iter().map(|i| (times.value * of_room.counts[*i]).clamp(0.0, light.counts[*i])).sum();
    let share = if sum > 0.0 { taken / sum } else { 0.0 };
    if share > MOST_SHARE {
        return Err(Error::refused(
            what(),
            format!(
                "{} explains {:.0} % of the light of the recording, so that hardly any is left for a \
                 tube",
                room.provenance.name,
                100.0 * share
            ),
            "record the room with the tube dark; if this is what you did, the recording shows the \
             room alone",
        ));
    }
    let counts =
        spectrum.counts().iter().zip(&of_room.counts).map(|(c, r)| c - times.value * r).collect();
    let mut out = Spectrum::new(spectrum.axis().clone(), counts)?;
    if let Some(s) = spectrum.sigma() {
        let own = |i: usize| (times.value * of_room.sigma).hypot(times.u * of_room.counts[i]);
        out = out.with_sigma(s.iter().enumerate().map(|(i, u)| u.hypot(own(i))).collect())?;
    }
    if let Some(u) = spectrum.axis_u() {
        out = out.with_axis_u(u.to_vec())?;
    }
    spectrum.mask().iter().enumerate().for_each(|(i, m)| out.flag(i, *m));
    out.unit.clone_from(&spectrum.unit);
    out.provenance = spectrum.provenance.clone();
    out.provenance.notes.push(format!(
        "{:.3} ± {:.3} times the light of the room ({}) was taken away, {:.0} % of all light: as much \
         as {agreeing} of its {} features allow.",
        times.value,
        times.u,
        room.provenance.name,
        100.0 * share,
        pieces.len()
    ));
    Ok(RoomTaken { spectrum: out, times, share })
}

/// Light above the dark level, and its scatter between neighbours.
struct Above {
    counts: Vec<f64>,
    sigma: f64,
}

impl Above {
    fn of(s: &Spectrum) -> Self {
        let mut sorted = s.counts().to_vec();
        sorted.sort_by(f64::total_cmp);
        let dark = sorted.get((sorted.len() as f64 * DARK_SHARE) as usize).copied().unwrap_or(0.0);
        let counts: Vec<f64> = s.counts().iter().map(|c| c - dark).collect();
        let mut steps: Vec<f64> = counts.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
        Above { sigma: SIGMA_PER_DIFFERENCE * median(&mut steps), counts }
    }
}

/// Light of the recording over that of the room in a few neighbouring points.
fn ratio(light: &Above, room: &Above, at: &[usize]) -> Option<Measured> {
    let rr: f64 = at.iter().map(|i| room.counts[*i].powi(2)).sum();
    let lr: f64 = at.iter().map(|i| room.counts[*i] * light.counts[*i]).sum();
    let r: f64 = at.iter().map(|i| room.counts[*i]).sum();
    let value = lr / rr;
    let scatter = light.sigma.hypot(value * room.sigma);
    // The dark level, common to all points, is known to about the scatter of one.
    let u = (scatter / rr.sqrt()).hypot(scatter * r / rr);
    (value.is_finite() && u.is_finite()).then_some(Measured { value, u })
}

/// The factor that the pieces with the least of the room's light agree on, and how many they are.
fn factor(pieces: &[Measured]) -> Option<(Measured, usize)> {
    // Lowest by its upper end, so that a piece that knows little has little to say.
    let lowest =
        pieces.iter().min_by(|a, b| (a.value + a.u).total_cmp(&(b.value + b.u))).copied()?;
    let mut now = lowest;
    let mut agreeing = 1;
    for _ in 0..ROUNDS {
        let drift = DRIFT_SHARE * now.value.abs();
        let near: Vec<&Measured> = pieces
            .iter()
            .filter(|p| (p.value - now.value).abs() <= AGREE_SIGMAS * p.u.hypot(now.u) + drift)
            .collect();
        if near.is_empty() {
            break;
        }
        let weight = |p: &Measured| (p.u.powi(2) + drift.powi(2)).recip();
        let sum: f64 = near.iter().map(|p| weight(p)).sum();
        let value = near.iter().map(|p| weight(p) * p.value).sum::<f64>() / sum;
        let chi: f64 = near.iter().map(|p| weight(p) * (p.value - value).powi(2)).sum();
        let scatter = (chi / (near.len().max(2) - 1) as f64).sqrt().max(1.0);
        agreeing = near.len();
        now = Measured { value: value.max(0.0), u: scatter / sum.sqrt() };
    }
    // Pieces to which the tube adds a little agree too, and raise the factor by up to the drift.
    now.u = now.u.hypot(DRIFT_SHARE * now.value);
    Some((now, agreeing))
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
        let taken = without_room(&recording(&both, 250.0), &recording(&room, 100.0)).unwrap();
        let (left, times) = (taken.spectrum, taken.times);
        assert!((times.value - 0.3).abs() < 0.02 && times.u < 0.05, "{times:?}");
        // A line of the room that the tube has too adds to one feature and moves nothing.
        both.push((546.1, 5000.0));
        let again = without_room(&recording(&both, 250.0), &recording(&room, 100.0)).unwrap();
        assert!((again.times.value - 0.3).abs() < 0.03, "{:?}", again.times);
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

    #[test]
    fn what_is_not_in_the_recording_is_not_taken_from_it() {
        // A line in common, and two of the room that the recording lacks.
        let tube = recording(&[(585.2, 800.0), (640.2, 1000.0), (811.0, 500.0)], 100.0);
        let room = recording(&[(435.8, 900.0), (546.1, 1500.0), (640.2, 1200.0)], 100.0);
        let taken = without_room(&tube, &room).unwrap();
        assert_eq!(taken.spectrum.counts(), tube.counts());
        assert!(taken.spectrum.provenance.notes.iter().any(|n| n.starts_with("None of the light")));
    }

    #[test]
    fn the_recording_itself_and_nearly_all_of_it_are_refused() {
        let tube = recording(&[(585.2, 800.0), (640.2, 1000.0)], 100.0);
        let e = without_room(&tube, &tube).unwrap_err().to_string();
        assert!(e.contains("is the recording itself"), "{e}");
        let twin = recording(&[(585.2, 880.0), (640.2, 1100.0)], 103.0);
        let e = without_room(&tube, &twin).unwrap_err().to_string();
        assert!(e.contains("explains"), "{e}");
    }
}
