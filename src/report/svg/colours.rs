//! The strip of spectral colours, by the CIE colour-matching functions.

use super::STRIP;
use super::frame::Frame;
use super::layer::Layer;
use crate::Result;
use crate::reference::LightTables;

/// Width of one patch, nm.
const PATCH_NM: f64 = 5.0;
/// Difference of a colour's part, of 255, that is not seen.
const SAME: u8 = 5;
/// Overlap of patches, px; hides the seams.
const SEAM: f64 = 0.4;
/// Stretch on which a colour is defined well enough to be shown, nm; beyond, the strip is neutral.
const COLOURED_NM: [f64; 2] = [380.0, 780.0];
/// Grey of the strip where light has no colour.
const NEUTRAL: &str = "#8a8a8a";
/// Least lightness at the ends, so that violet and deep red are not black.
const DIMMEST: f64 = 0.25;
/// From XYZ to linear sRGB (IEC 61966-2-1).
const TO_SRGB: [[f64; 3]; 3] =
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]];

/// Colour of a single wavelength in nm as sRGB, 0 to 255. No screen shows spectral colours: what
/// is outside of its range is mixed with white until it is inside.
pub fn of_wavelength(nm: f64, tables: &LightTables) -> [u8; 3] {
    let xyz = tables.colour_matching(nm);
    let mut rgb = [0, 1, 2].map(|i| (0..3).map(|k| TO_SRGB[i][k] * xyz[k]).sum::<f64>());
    let lowest = rgb.iter().copied().fold(0.0, f64::min);
    rgb.iter_mut().for_each(|c| *c -= lowest);
    let highest = rgb.iter().copied().fold(1e-9, f64::max);
    // As bright as the screen can, dimmer where the eye hardly sees.
    let sum: f64 = xyz.iter().sum();
    let bright = sum.clamp(DIMMEST, 1.0);
    rgb.map(|c| {
        let c = c / highest * bright;
        let coded = match c {
            c if c <= 0.003_130_8 => 12.92 * c,
            c => 1.055 * c.powf(1.0 / 2.4) - 0.055,
        };
        (255.0 * coded).round().clamp(0.0, 255.0) as u8
    })
}

/// The strip at the foot of a plot from `low` to `high` nm.
///
/// # Errors
/// Those of [`LightTables::bundled`].
pub fn strip(layer: &mut Layer, frame: &Frame, low: f64, high: f64) -> Result<()> {
    let tables = LightTables::bundled()?;
    let bottom = frame.area[3];
    layer.open("colours", None);
    let mut patch = |a: f64, b: f64, fill: &str| {
        let (a, b) = (a.max(low), b.min(high));
        if b > a {
            let (left, right) = (frame.px(a), frame.px(b));
            let size = ((right - left + SEAM).min(frame.area[2] - left), STRIP - 1.0);
            layer.rectangle((left, bottom - STRIP), size, fill, 1.0);
        }
    };
    let [first, last] = COLOURED_NM;
    patch(low, first, NEUTRAL);
    // Neighbours that nobody could tell apart are one patch.
    let mut open: Option<(f64, [u8; 3])> = None;
    let mut nm = first;
    while nm < last {
        let colour = of_wavelength(nm + PATCH_NM / 2.0, &tables);
        match open {
            Some((_, c)) if c.iter().zip(colour).all(|(a, b)| a.abs_diff(b) <= SAME) => {}
            Some((from, [r, g, b])) => {
                patch(from, nm, &format!("#{r:02x}{g:02x}{b:02x}"));
                open = Some((nm, colour));
            }
            None => open = Some((nm, colour)),
        }
        nm += PATCH_NM;
    }
    if let Some((from, [r, g, b])) = open {
        patch(from, last, &format!("#{r:02x}{g:02x}{b:02x}"));
    }
    patch(last, high, NEUTRAL);
    layer.close();
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The names that ISO 21348 gives to stretches of the visible, by the strongest primaries.
    #[test]
    fn wavelengths_have_their_colours() {
        let t = LightTables::bundled().unwrap();
        let [r, g, b] = of_wavelength(450.0, &t);
        assert!(b > r && b > g, "blue: {r} {g} {b}");
        let [r, g, b] = of_wavelength(530.0, &t);
        assert!(g > r && g > b, "green: {r} {g} {b}");
        let [r, g, b] = of_wavelength(580.0, &t);
        assert!(r > 200 && g > 150 && b < 100, "yellow: {r} {g} {b}");
        let [r, g, b] = of_wavelength(640.0, &t);
        assert!(r > 200 && g < 80 && b < 80, "red: {r} {g} {b}");
        let [r, g, b] = of_wavelength(405.0, &t);
        assert!(b > r && r > g, "violet: {r} {g} {b}");
    }
}
