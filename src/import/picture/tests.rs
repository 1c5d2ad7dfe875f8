use super::super::{ImportSettings, read_bytes};
use crate::{AxisKind, Mask, Spectrum};
use proptest::prelude::*;
use std::path::Path;

const WIDTH: usize = 640;
const HEIGHT: usize = 400;
/// Standard deviation of a line, pixels.
const SIGMA: f64 = 2.0;

/// A strip with lines at these pixels along it (counted from the edge of the picture) and heights,
/// through the middle of the picture.
struct Made {
    lines: Vec<(f64, f64)>,
    tilt_deg: f64,
    half_breadth: f64,
    lean: f64,
    bend: f64,
    off_middle: f64,
    /// Rows by which its ends lie below its middle.
    bow: f64,
}

impl Made {
    fn new(tilt_deg: f64) -> Self {
        let lines = vec![(90.0, 0.3), (171.3, 0.7), (302.6, 0.5), (350.0, 0.2), (520.25, 0.6)];
        Made {
            lines,
            tilt_deg,
            half_breadth: 30.0,
            lean: 0.0,
            bend: 0.0,
            off_middle: 20.0,
            bow: 0.0,
        }
    }

    /// Linear light at a point, 0 to 1.
    fn light(&self, x: f64, y: f64, width: usize, height: usize) -> f64 {
        let (sin, cos) = self.tilt_deg.to_radians().sin_cos();
        let (x, y) = (x - (width as f64 - 1.0) / 2.0, y - (height as f64 - 1.0) / 2.0);
        let length = if self.tilt_deg.abs() <= 45.0 { width } else { height } as f64;
        let (u, v) = (x * cos + y * sin + (length - 1.0) / 2.0, y * cos - x * sin);
        let along = 2.0 * u / (length - 1.0) - 1.0;
        let w = v - self.off_middle - self.bow * along * along;
        let across = 1.0 / (1.0 + ((w.abs() - self.half_breadth) / 1.5).exp());
        let shift = self.lean * w + self.bend * w * w;
        let lines: f64 = self
            .lines
            .iter()
            .map(|(at, h)| h * (-0.5 * ((u - shift - at) / SIGMA).powi(2)).exp())
            .sum();
        across * (0.02 + lines)
    }

    fn rgb(&self, width: usize, height: usize, encode: impl Fn(f64) -> u8) -> Vec<u8> {
        (0..width * height)
            .flat_map(|k| {
                let l = self.light((k % width) as f64, (k / width) as f64, width, height);
                let v = encode(l);
                [v, v, v]
            })
            .collect()
    }
}

fn screen(l: f64) -> u8 {
    let v = if l <= 0.003_130_8 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 };
    (255.0 * v).round().clamp(0.0, 255.0) as u8
}

fn as_png(
    rgb: &[u8],
    width: usize,
    height: usize,
    depth: png::BitDepth,
    gamma: Option<f32>,
) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width as u32, height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(depth);
    if let Some(g) = gamma {
        encoder.set_source_gamma(png::ScaledFloat::new(g));
    }
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(rgb).unwrap();
    writer.finish().unwrap();
    out
}

fn with(bytes: &[u8], settings: &ImportSettings) -> crate::Result<Spectrum> {
    read_bytes(bytes, Path::new("a.png"), settings)
}

fn read(bytes: &[u8]) -> Spectrum {
    with(bytes, &ImportSettings::default()).unwrap_or_else(|e| panic!("{e}"))
}

fn refused(bytes: &[u8]) -> String {
    with(bytes, &ImportSettings::default()).err().map_or(String::new(), |e| e.to_string())
}

/// Centroid around a pixel.
fn centre(s: &Spectrum, near: f64) -> f64 {
    let (a, b) = ((near - 8.0) as usize, (near + 9.0) as usize);
    let floor = s.counts()[a..b].iter().copied().fold(f64::INFINITY, f64::min);
    let (mut sum, mut at) = (0.0, 0.0);
    for i in a..b {
        sum += s.counts()[i] - floor;
        at += (s.counts()[i] - floor) * i as f64;
    }
    at / sum
}

#[test]
fn strips_of_any_tilt_come_in_with_their_lines_in_place() {
    for tilt in [0.0, 5.0, -12.0, 90.0, 84.0] {
        let made = Made::new(tilt);
        let (w, h) = if tilt > 45.0 { (HEIGHT, WIDTH) } else { (WIDTH, HEIGHT) };
        let s = read(&as_png(&made.rgb(w, h, screen), w, h, png::BitDepth::Eight, None));
        assert_eq!((s.len(), s.axis().kind()), (WIDTH, AxisKind::Pixel), "{tilt}");
        for (at, height) in &made.lines {
            let found = centre(&s, *at);
            assert!((found - at).abs() < 0.25, "{tilt}: {found} for {at}");
            // Light is what comes back, not its display value.
            let top = s.counts()[at.round() as usize] / 65535.0;
            assert!((top / height - 1.0).abs() < 0.3, "{tilt}: {top} for {height}");
        }
    }
}

#[test]
fn leaning_and_bent_lines_are_straightened() {
    let made = Made { lean: 0.08, bend: 0.004, ..Made::new(3.0) };
    let s =
        read(&as_png(&made.rgb(WIDTH, HEIGHT, screen), WIDTH, HEIGHT, png::BitDepth::Eight, None));
    assert!(s.provenance.notes.iter().any(|n| n.contains("straightened")));
    let top = s.counts()[171] / 65535.0;
    assert!(top > 0.55, "the line is smeared to {top}");
    assert!((centre(&s, 171.3) - 171.3).abs() < 0.6, "{}", centre(&s, 171.3));
}

/// Summed straight, the ends of a strip that is bowed by more than its breadth would be lost.
#[test]
fn a_bowed_strip_is_followed() {
    for (bow, tilt) in [(40.0, 0.0), (-25.0, 5.0), (18.0, 90.0)] {
        let made = Made { bow, half_breadth: 12.0, ..Made::new(tilt) };
        let (w, h) = if tilt > 45.0 { (HEIGHT, WIDTH) } else { (WIDTH, HEIGHT) };
        let s = read(&as_png(&made.rgb(w, h, screen), w, h, png::BitDepth::Eight, None));
        let notes = &s.provenance.notes;
        assert!(notes.iter().any(|n| n.contains("bowed")), "{notes:?}");
        for (at, height) in &made.lines {
            let found = centre(&s, *at);
            assert!((found - at).abs() < 0.25, "{bow}, {tilt}: {found} for {at}");
            let top = s.counts()[at.round() as usize] / 65535.0;
            assert!((top / height - 1.0).abs() < 0.35, "{bow}, {tilt}: {top} for {height}");
        }
    }
    let straight = Made::new(5.0);
    let png =
        as_png(&straight.rgb(WIDTH, HEIGHT, screen), WIDTH, HEIGHT, png::BitDepth::Eight, None);
    assert!(!read(&png).provenance.notes.iter().any(|n| n.contains("bowed")));
}

#[test]
fn sixteen_bit_and_linear_files() {
    let made = Made::new(0.0);
    let wide: Vec<u8> = (0..WIDTH * HEIGHT)
        .flat_map(|k| {
            let l = made.light((k % WIDTH) as f64, (k / WIDTH) as f64, WIDTH, HEIGHT);
            let v = ((65535.0 * l).round().min(65535.0) as u16).to_be_bytes();
            [v, v, v].concat()
        })
        .collect();
    let s = read(&as_png(&wide, WIDTH, HEIGHT, png::BitDepth::Sixteen, Some(1.0)));
    let (strong, weak) = (s.counts()[171] - s.counts()[220], s.counts()[350] - s.counts()[220]);
    assert!((strong / weak / 3.5 - 1.0).abs() < 0.06, "{}", strong / weak);
    assert!(s.provenance.notes.iter().any(|n| n.contains("16 bit")));
}

#[test]
fn rows_may_be_given_and_clipping_is_marked() {
    let mut made = Made::new(0.0);
    made.lines[1].1 = 3.0;
    let png = as_png(&made.rgb(WIDTH, HEIGHT, screen), WIDTH, HEIGHT, png::BitDepth::Eight, None);
    let rows = |a, b| ImportSettings { rows: Some([a, b]), ..Default::default() };
    // The middle of the strip is 20 rows below that of the picture.
    let s = with(&png, &rows(210, 230)).unwrap();
    assert!(s.mask()[171].has(Mask::SATURATED) && s.mask()[302].is_good());
    assert!(s.provenance.notes.iter().any(|n| n.contains("in red")), "{:?}", s.provenance.notes);
    assert!(with(&png, &rows(390, 401)).is_err());
    let columns = ImportSettings { columns: Some("1,2".into()), ..Default::default() };
    assert!(with(&png, &columns).is_err());
}

#[test]
fn pictures_without_a_strip_are_refused() {
    let even = vec![128u8; WIDTH * HEIGHT * 3];
    let e = refused(&as_png(&even, WIDTH, HEIGHT, png::BitDepth::Eight, None));
    assert!(e.contains("no strip") && e.contains("--rows"), "{e}");
    // A round spot.
    let spot: Vec<u8> = (0..WIDTH * HEIGHT)
        .flat_map(|k| {
            let (x, y) = ((k % WIDTH) as f64 - 300.0, (k / WIDTH) as f64 - 200.0);
            let v = screen((-(x * x + y * y) / 1800.0).exp());
            [v, v, v]
        })
        .collect();
    assert!(
        refused(&as_png(&spot, WIDTH, HEIGHT, png::BitDepth::Eight, None)).contains("no strip")
    );
}

#[test]
fn hostile_pictures_are_refused_soon() {
    let start = std::time::Instant::now();
    // Headers that claim more than there is, with a right check sum.
    let tiny = as_png(&[0, 0, 0], 1, 1, png::BitDepth::Eight, None);
    for (w, h) in [(9000u32, 9000u32), (65_535, 2_147_483_647), (29_999, 1_700), (1, 29_999)] {
        let mut bytes = tiny.clone();
        bytes[16..20].copy_from_slice(&w.to_be_bytes());
        bytes[20..24].copy_from_slice(&h.to_be_bytes());
        let sum = crc(&bytes[12..29]).to_be_bytes();
        bytes[29..33].copy_from_slice(&sum);
        let e = refused(&bytes);
        assert!(e.contains("claims") || e.contains("cannot be read"), "{w} {h}: {e}");
        assert!(u64::from(w) * u64::from(h) < 52_000_000 || e.contains("claims"), "{e}");
    }
    // The same of a JPEG: its frame header begins with ff c0, length, depth, height, width.
    let mut jpeg = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut jpeg, 80);
    encoder.encode(&[0; 192], 8, 8, jpeg_encoder::ColorType::Rgb).unwrap();
    let at = jpeg.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
    jpeg[at + 5..at + 9].copy_from_slice(&[0x74, 0x00, 0x74, 0x00]);
    assert!(refused(&jpeg).contains("claims"), "{}", refused(&jpeg));
    assert!(start.elapsed().as_secs() < 20);
}

/// Check sum of a PNG chunk (PNG Specification, annex D).
fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |c, b| {
        (0..8).fold(
            c ^ u32::from(*b),
            |c, _| if c & 1 == 1 { 0xedb8_8320 ^ (c >> 1) } else { c >> 1 },
        )
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn no_damage_makes_it_panic(
        hits in prop::collection::vec((0usize..6000, any::<u8>()), 1..20),
        cut in 20usize..9000, jpeg: bool,
    ) {
        let made = Made { half_breadth: 8.0, off_middle: 0.0, ..Made::new(2.0) };
        let (w, h) = (96usize, 48usize);
        let rgb = made.rgb(w, h, screen);
        let mut bytes = Vec::new();
        if jpeg {
            let encoder = jpeg_encoder::Encoder::new(&mut bytes, 80);
            encoder.encode(&rgb, w as u16, h as u16, jpeg_encoder::ColorType::Rgb).unwrap();
        } else {
            bytes = as_png(&rgb, w, h, png::BitDepth::Eight, None);
        }
        for (at, b) in hits {
            if let Some(x) = bytes.get_mut(at) {
                *x = b;
            }
        }
        bytes.truncate(cut);
        let _ = with(&bytes, &ImportSettings::default());
        let _ = with(&bytes, &ImportSettings { rows: Some([1, 20]), ..Default::default() });
    }
}
