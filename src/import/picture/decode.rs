//! PNG and JPEG become numbers of 8 or 16 bit.

use super::bad;
use crate::Result;
use png::{BitDepth, ColorType, Transformations};
use std::io::Cursor;
use std::path::Path;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// Most points of a picture; large telephone cameras have 50 million.
pub(super) const MAX_POINTS: usize = 52_000_000;
/// Longest side, points.
const MAX_SIDE: usize = 30_000;
/// Memory that a PNG decoder may take beside the picture itself, bytes.
const DECODER_BYTES: usize = 64 << 20;
/// The exponent that files for screens carry, which stands for the sRGB curve.
const SCREEN_GAMMA: f32 = 0.45455;

/// A picture as it was stored.
pub(super) struct Picture {
    pub width: usize,
    pub height: usize,
    /// 1 (grey) or 3 (red, green, blue).
    pub channels: usize,
    /// Highest value that a channel can have.
    pub top: u16,
    /// Row by row, channels together.
    pub data: Vec<u16>,
    pub jpeg: bool,
    /// Exponent of the stored values, where the file tells one that is not that of a screen.
    pub gamma: Option<f32>,
}

/// Looks at the size before anything is unpacked.
fn check_size(width: usize, height: usize, path: &Path) -> Result<()> {
    let points = width.checked_mul(height);
    if width > MAX_SIDE || height > MAX_SIDE || points.is_none_or(|p| p > MAX_POINTS) {
        return Err(bad(
            path,
            format!("the picture claims {width} × {height} points"),
            "cut out the strip of the spectrum and give that",
        ));
    }
    Ok(())
}

pub(super) fn png(bytes: &[u8], path: &Path) -> Result<Picture> {
    let broken = |e: &dyn std::fmt::Display| {
        bad(path, format!("the PNG picture cannot be read ({e})"), "save the picture again")
    };
    let limits = png::Limits { bytes: DECODER_BYTES };
    let mut decoder = png::Decoder::new_with_limits(Cursor::new(bytes), limits);
    decoder.set_transformations(Transformations::EXPAND);
    let mut reader = decoder.read_info().map_err(|e| broken(&e))?;
    let (width, height) = (reader.info().width as usize, reader.info().height as usize);
    check_size(width, height, path)?;
    let gamma = reader.info().gamma().map(|g| g.into_value());
    let gamma = gamma.filter(|g| g.is_finite() && *g > 0.0 && (g - SCREEN_GAMMA).abs() > 0.01);
    let (colour, depth) = reader.output_color_type();
    let size = reader.output_buffer_size().ok_or_else(|| broken(&"its size overflows"))?;
    let mut raw = vec![0u8; size];
    reader.next_frame(&mut raw).map_err(|e| broken(&e))?;
    let stored = match colour {
        ColorType::Grayscale => 1,
        ColorType::GrayscaleAlpha => 2,
        ColorType::Rgb => 3,
        ColorType::Rgba => 4,
        ColorType::Indexed => return Err(broken(&"its palette was not resolved")),
    };
    let channels = if stored >= 3 { 3 } else { 1 };
    let (bytes_each, top) = match depth {
        BitDepth::Sixteen => (2, u16::MAX),
        BitDepth::Eight => (1, u16::from(u8::MAX)),
        _ => return Err(broken(&"its depth is neither 8 nor 16 bit")),
    };
    let mut data = Vec::with_capacity(width * height * channels);
    for point in raw.chunks_exact(stored * bytes_each).take(width * height) {
        for value in point.chunks_exact(bytes_each).take(channels) {
            data.push(match value {
                [high, low] => u16::from_be_bytes([*high, *low]),
                [one] => u16::from(*one),
                _ => 0,
            });
        }
    }
    if data.len() != width * height * channels {
        return Err(broken(&"points are missing"));
    }
    Ok(Picture { width, height, channels, top, data, jpeg: false, gamma })
}

pub(super) fn jpeg(bytes: &[u8], path: &Path) -> Result<Picture> {
    let broken = |e: &dyn std::fmt::Display| {
        bad(path, format!("the JPEG picture cannot be read ({e})"), "save the picture again")
    };
    let options = DecoderOptions::default()
        .set_max_width(MAX_SIDE)
        .set_max_height(MAX_SIDE)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
    decoder.decode_headers().map_err(|e| broken(&e))?;
    let info = decoder.info().ok_or_else(|| broken(&"its header is missing"))?;
    let (width, height) = (usize::from(info.width), usize::from(info.height));
    check_size(width, height, path)?;
    let raw = decoder.decode().map_err(|e| broken(&e))?;
    let channels = match raw.len().checked_div(width * height) {
        Some(3) => 3,
        Some(1) => 1,
        _ => return Err(broken(&"it has neither one nor three colours")),
    };
    let data: Vec<u16> =
        raw.iter().take(width * height * channels).map(|v| u16::from(*v)).collect();
    let top = u16::from(u8::MAX);
    Ok(Picture { width, height, channels, top, data, jpeg: true, gamma: None })
}
