//! Speed of the steps from a file to a picture: `cargo bench`.
//!
//! The recordings are made up: plain Gaussian lines at the places of neon and of a fluorescent
//! lamp, on the 3,648 pixels of a common linear detector.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use glowtell::bench::{RunSettings, Sheet, run};
use glowtell::calibrate::{CalibrateSettings, calibrate};
use glowtell::gases::{GasSettings, identify};
use glowtell::import::{ImportSettings, read_bytes, read_file};
use glowtell::reference::{LightTables, Tables};
use glowtell::report::svg::{PlotStyle, spectrum_plot};
use glowtell::signal::{PeakSettings, find_peaks};
use glowtell::source::{Outcome, SourceSettings, band, measure};
use glowtell::{Axis, AxisKind, Spectrum};
use std::hint::black_box;
use std::path::Path;
use std::time::Duration;

/// Pixels of a common linear detector.
const PIXELS: usize = 3648;
/// First and last wavelength of the made-up instrument, nm.
const RANGE_NM: [f64; 2] = [340.0, 1020.0];
/// Width of its lines, nm.
const FWHM_NM: f64 = 1.2;
/// Dark level, counts.
const DARK: f64 = 300.0;
/// Scatter at the dark level, counts.
const SCATTER: f64 = 5.0;
/// Lines of the tube.
const TUBE_LINES: usize = 40;
/// Mercury lines of a fluorescent lamp with about their heights, and its two sharpest phosphor
/// peaks; nm and counts.
const LAMP: [(f64, f64); 9] = [
    (365.015, 1500.0),
    (404.656, 6000.0),
    (435.833, 22000.0),
    (487.7, 4000.0),
    (542.4, 21000.0),
    (546.074, 30000.0),
    (576.960, 5000.0),
    (579.066, 5200.0),
    (611.6, 28000.0),
];

/// Repeatable scatter, about normal: the sum of four evenly spread numbers.
struct Scatter(u64);

impl Scatter {
    fn next(&mut self) -> f64 {
        let mut sum = -2.0;
        for _ in 0..4 {
            self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            sum += (self.0 >> 11) as f64 / (1u64 << 53) as f64;
        }
        sum * 3f64.sqrt()
    }
}

fn nm(pixel: usize) -> f64 {
    RANGE_NM[0] + (RANGE_NM[1] - RANGE_NM[0]) * pixel as f64 / (PIXELS - 1) as f64
}

fn gaussian(x: f64, centre: f64, fwhm: f64) -> f64 {
    (-4.0 * 2f64.ln() * ((x - centre) / fwhm).powi(2)).exp()
}

/// Counts of lines on a dark level with scatter.
fn counts(lines: &[(f64, f64, f64)]) -> Vec<f64> {
    let mut scatter = Scatter(1);
    (0..PIXELS)
        .map(|p| {
            let light: f64 = lines.iter().map(|(c, h, w)| h * gaussian(nm(p), *c, *w)).sum();
            DARK + light + (SCATTER * SCATTER + light).sqrt() * scatter.next()
        })
        .collect()
}

fn on_nm(counts: Vec<f64>) -> Spectrum {
    let axis = Axis::new(AxisKind::Nm, (0..PIXELS).map(nm).collect()).expect("an even axis");
    Spectrum::new(axis, counts).expect("as many counts as places")
}

/// The strongest lines of neon, all within a factor of twenty.
fn tube(tables: &Tables) -> Vec<(f64, f64, f64)> {
    let neon = tables.get("Ne I").expect("neon is in the tables");
    let mut lines: Vec<(f64, f64)> = neon
        .lines
        .iter()
        .filter(|l| l.wavelength_nm > RANGE_NM[0] && l.wavelength_nm < RANGE_NM[1])
        .filter_map(|l| Some((l.wavelength_nm, l.intensity?)))
        .collect();
    lines.sort_by(|a, b| b.1.total_cmp(&a.1));
    lines.truncate(TUBE_LINES);
    let n = lines.len() as f64;
    let height = |k: usize| 20000.0 * 20f64.powf(-(k as f64) / n);
    lines.iter().enumerate().map(|(k, l)| (l.0, height(k), FWHM_NM)).collect()
}

/// Bytes of the long file.
const LONG_BYTES: usize = 200_000_000;

/// A file of many points, as from a scan of hours, read from the disk's cache.
fn long_file(c: &mut Criterion) {
    let folder = std::env::temp_dir().join(format!("glowtell-speed-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder for the long file");
    let path = folder.join("long.csv");
    let mut text = String::from("wavelength_nm,counts\n");
    let mut i = 0usize;
    while text.len() < LONG_BYTES {
        text +=
            &format!("{:.5},{}.{:02}\n", 300.0 + i as f64 * 5e-5, 1000 + i * 7919 % 60000, i % 100);
        i += 1;
    }
    std::fs::write(&path, &text).expect("room for the long file");
    let mut group = c.benchmark_group("import of a long text");
    group.throughput(Throughput::Bytes(text.len() as u64)).sample_size(10);
    let settings = ImportSettings { max_points: i + 1, ..ImportSettings::default() };
    group.bench_function(format!("{i} points"), |b| {
        b.iter(|| read_file(&path, &settings).map(|s| black_box(s.len())))
    });
    group.finish();
    // What is left behind is a file in the folder for such.
    let _ = std::fs::remove_dir_all(&folder);
}

fn steps(c: &mut Criterion) {
    let tables = Tables::bundled().expect("the bundled tables can be read");
    let tube = on_nm(counts(&tube(&tables)));
    let lamp = counts(&LAMP.map(|(c, h)| (c, h, FWHM_NM)));
    let lamp = Spectrum::new(Axis::pixels(PIXELS), lamp).expect("as many counts as pixels");
    let led = on_nm(counts(&[(395.0, 20000.0, 14.0)]));
    let text: String = std::iter::once("wavelength_nm,counts\n".to_string())
        .chain(tube.x().iter().zip(tube.counts()).map(|(x, y)| format!("{x:.4},{y:.2}\n")))
        .collect();

    c.bench_function("line tables, load", |b| b.iter(|| Tables::bundled().map(black_box)));
    c.bench_function("import, 3648 points", |b| {
        let settings = ImportSettings::default();
        b.iter(|| read_bytes(black_box(text.as_bytes()), Path::new("tube.csv"), &settings))
    });

    let peaks = find_peaks(&tube, &PeakSettings::default()).expect("a recording with lines");
    let found = peaks.peaks.len();
    c.bench_function(&format!("peaks, {found} found"), |b| {
        b.iter(|| find_peaks(black_box(&tube), &PeakSettings::default()))
    });

    let gases = GasSettings::default();
    let report = identify(&tube, &peaks, &tables, &gases).expect("an axis in nm");
    let answer = report.gases.first().map_or("nothing", |g| g.verdict.word());
    c.bench_function(&format!("gases, neon ({answer})"), |b| {
        b.iter(|| identify(black_box(&tube), &peaks, &tables, &gases))
    });

    c.bench_function("plot, SVG", |b| {
        let style = PlotStyle::default();
        b.iter(|| spectrum_plot(black_box(&tube), &peaks, Some(&report), &style))
    });

    let lamp_peaks = find_peaks(&lamp, &PeakSettings::default()).expect("a recording with lines");
    let settings = CalibrateSettings::default();
    // A fast wrong answer would show here.
    let outcome = match calibrate(&lamp, &lamp_peaks, &tables, &settings) {
        Ok(p) => format!("rms {:.3} nm", p.rms_nm),
        Err(_) => "refused".into(),
    };
    c.bench_function(&format!("calibrate, pixel axis ({outcome})"), |b| {
        b.iter(|| calibrate(black_box(&lamp), &lamp_peaks, &tables, &settings))
    });

    c.bench_function("band of a source", |b| b.iter(|| band(black_box(&led))));

    let light = LightTables::bundled().expect("the bundled tables can be read");
    let led_peaks = find_peaks(&led, &PeakSettings::default()).expect("a recording with a band");
    let settings = SourceSettings { claims: vec!["395".into()], ..SourceSettings::default() };
    let report = measure(&led, &led_peaks, &tables, &light, &settings).expect("an axis in nm");
    let found = format!("{}, claim {}", report.kind.kind.words(), report.claims[0].outcome.words());
    c.bench_function(&format!("source ({found})"), |b| {
        b.iter(|| measure(black_box(&led), &led_peaks, &tables, &light, &settings))
    });
    sheet_of_sources(c, &tables);
}

/// A bench sheet with 40 light sources, LEDs of several places, from files to results.
fn sheet_of_sources(c: &mut Criterion, tables: &Tables) {
    /// Lights on the sheet.
    const LIGHTS: usize = 40;
    let folder = tempfile::tempdir().expect("a folder for the recordings");
    let mut sheet = String::new();
    for i in 0..LIGHTS {
        let centre = 365.0 + 5.0 * i as f64;
        let led = counts(&[(centre, 20000.0, 14.0)]);
        let text: String = std::iter::once("wavelength_nm,counts\n".to_string())
            .chain((0..PIXELS).map(|p| format!("{:.4},{:.2}\n", nm(p), led[p])))
            .collect();
        std::fs::write(folder.path().join(format!("{i}.csv")), text).expect("a file");
        sheet += &format!("[[light]]\nname = \"{i}\"\nfile = \"{i}.csv\"\nclaim = \"395\"\n");
    }
    let path = folder.path().join("sheet.toml");
    let sheet = Sheet::from_text(&sheet, &path).expect("a sound sheet");
    let settings = RunSettings::default();
    let result = run(&sheet, tables, &settings, &|_| ()).expect("recordings that can be read");
    let hold = result.items.iter().filter_map(|i| i.source.as_ref());
    let hold = hold.filter(|s| s.claims[0].outcome == Outcome::Holds).count();
    c.bench_function(&format!("sheet of {LIGHTS} sources ({hold} claims hold)"), |b| {
        b.iter(|| run(black_box(&sheet), tables, &settings, &|_| ()))
    });
}

criterion_group! {
    name = speed;
    config = Criterion::default()
        .sample_size(20)
        .warm_up_time(Duration::from_secs(1))
        .measurement_time(Duration::from_secs(4));
    targets = steps, long_file
}
criterion_main!(speed);
