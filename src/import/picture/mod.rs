//! A picture of a spectrum: a strip of light with lines across it, as a camera behind a grating
//! shows it. It becomes a recording over pixels, to be calibrated by a lamp.
//!
//! 1. The stored values are turned back into light: the sRGB curve (IEC 61966-2-1), or the exponent
//!    that the file tells.
//! 2. The strip is found by the second moments of the light, with its tilt (or taken from
//!    [`ImportSettings::rows`], as it lies).
//! 3. Lines that lean or bend are straightened by what the rows of the strip say of each other.
//! 4. The light of all colours is summed across the strip. Places where a colour is at its end in
//!    more than a tenth of the rows are marked as saturated.
//!
//! The axis counts pixels along the strip from the edge of the picture, so that pictures of one
//! camera that has not moved have one axis. What a picture cannot give: true heights (the camera's
//! own tone curve is unknown), and lines closer than the mosaic of its sensor.

mod decode;
mod strip;

use super::points::{Points, Quantity};
use super::{Error, ImportSettings, Result, Spectrum};
use decode::Picture;
use std::path::Path;

/// Value of a channel from which on it is clipped, as a share of the highest: JPEG rings by some
/// units around a hard edge.
const CLIPPED_SHARE: f32 = 0.98;
/// Counts that full light is written as, in each colour; a unit without a meaning of its own.
const FULL_COUNTS: f64 = 65_535.0;

/// A sentence about the picture.
fn bad(path: &Path, what: impl Into<String>, remedy: &str) -> Error {
    Error::input(path, None, what, remedy)
}

/// Reads the recording of a picture.
pub(super) fn read(
    bytes: &[u8],
    path: &Path,
    settings: &ImportSettings,
    is_png: bool,
) -> Result<Spectrum> {
    let picture = match is_png {
        true => decode::png(bytes, path)?,
        false => decode::jpeg(bytes, path)?,
    };
    let (light, clipped, mut notes) = linear(&picture);
    let image = strip::Image { width: picture.width, height: picture.height, light, clipped };
    drop(picture.data);
    let found = strip::find(&image, settings.rows, path)?;
    notes.extend(found.notes);
    let n = found.counts.len();
    let y = found.counts.iter().map(|v| v * FULL_COUNTS).collect();
    let mut points = Points::new((0..n).map(|i| i as f64).collect(), y, Quantity::Pixel);
    points.mask = found
        .saturated
        .iter()
        .map(|s| if *s { crate::Mask::SATURATED } else { crate::Mask::GOOD })
        .collect();
    points.unit = Some("counts".into());
    points.notes = notes;
    points.metadata.push(("picture".into(), format!("{} × {}", picture.width, picture.height)));
    points.spectrum(bytes, path, settings.max_points)
}

/// The light of each point (mean of the colours, 1 is full), where a colour is clipped, and notes.
fn linear(p: &Picture) -> (Vec<f32>, Vec<bool>, Vec<String>) {
    let top = f32::from(p.top);
    let curve: Vec<f32> = (0..=p.top)
        .map(|v| {
            let v = f32::from(v) / top;
            match p.gamma {
                Some(g) => v.powf(1.0 / g),
                None if v <= 0.04045 => v / 12.92,
                None => ((v + 0.055) / 1.055).powf(2.4),
            }
        })
        .collect();
    let end = (CLIPPED_SHARE * top) as u16;
    let mut light = Vec::with_capacity(p.width * p.height);
    let mut clipped = Vec::with_capacity(p.width * p.height);
    let mut each = [0usize; 3];
    for point in p.data.chunks_exact(p.channels) {
        let mut sum = 0.0;
        let mut any = false;
        for (v, n) in point.iter().zip(&mut each) {
            sum += curve.get(usize::from(*v)).copied().unwrap_or(1.0);
            let at_end = *v >= end;
            any |= at_end;
            *n += usize::from(at_end);
        }
        light.push(sum / p.channels as f32);
        clipped.push(any);
    }
    let mut notes = vec![format!(
        "A picture of {} × {} points, {} bit, {}.",
        p.width,
        p.height,
        if p.top == u16::MAX { 16 } else { 8 },
        match p.gamma {
            Some(g) => format!("with the exponent {g:.3} that the file tells undone"),
            None => "with the sRGB curve undone (no other is told)".to_string(),
        }
    )];
    let names = if p.channels == 3 { &["red", "green", "blue"][..] } else { &["grey"][..] };
    let ended: Vec<String> = names
        .iter()
        .zip(each)
        .filter(|(_, n)| *n > 0)
        .map(|(name, n)| format!("{n} in {name}"))
        .collect();
    if !ended.is_empty() {
        notes.push(format!("Clipped points of the picture: {}.", ended.join(", ")));
    }
    notes.push(
        "Heights are rough: the camera's own curve, white balance and colour filters are unknown, and \
         it shows hardly anything beyond 400 to 700 nm."
            .into(),
    );
    if p.channels == 3 {
        notes.push(
            "Colours are filled in from neighbouring points of the sensor: lines closer than two or \
             three pixels cannot be told apart."
                .into(),
        );
    }
    if p.jpeg {
        notes.push(
            "JPEG keeps blocks of 8 × 8 points with few digits and colours more coarsely: faint lines \
             beside strong ones may be its work. A raw or PNG picture is better."
                .into(),
        );
    }
    (light, clipped, notes)
}

#[cfg(test)]
mod tests;
