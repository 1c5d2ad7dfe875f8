//! The measured folder made worse: what a rule says of these files alone, it must not say by accident.
//!
//! Each change leaves what the list says of a file true: light and lines are the same, the instrument is
//! poorer. A changed folder is written beside the system's other temporary files and removed again.

use rand::{SeedableRng, rngs::ChaCha8Rng};
use rand_distr::{Distribution, StandardNormal};
use std::path::{Path, PathBuf};

/// What is done to each recording of the folder.
#[derive(Debug, Clone, Copy)]
pub enum Change {
    /// Response that rises by this many e-folds over the detector.
    Tilt(f64),
    /// Noise of this part of the highest point.
    Noise(f64),
    /// Axes in nm read this much too high, nm.
    Shift(f64),
    /// A slit of so many points to each side, twice.
    Broad(usize),
    /// Full scale at this part of the highest point.
    Clip(f64),
    /// Only this part of the detector.
    Crop(f64, f64),
    /// The detector turned round.
    Flip,
}

/// All that are tried.
pub const CHANGES: [Change; 14] = [
    Change::Tilt(3.0),
    Change::Tilt(-3.0),
    Change::Noise(1.0 / 200.0),
    Change::Noise(1.0 / 50.0),
    Change::Shift(1.0),
    Change::Shift(-1.5),
    Change::Broad(1),
    Change::Broad(3),
    Change::Clip(0.4),
    Change::Clip(0.1),
    Change::Crop(0.0, 0.6),
    Change::Crop(0.2, 0.8),
    Change::Crop(0.4, 1.0),
    Change::Flip,
];

/// A table of text without its heading; cells of each line.
type Rows = Vec<Vec<String>>;

fn read(path: &Path) -> (Vec<String>, Rows) {
    let mut csv = csv::ReaderBuilder::new().flexible(true).from_path(path).unwrap();
    let head = csv.headers().unwrap().iter().map(String::from).collect();
    let rows = csv.records().map(|r| r.unwrap().iter().map(String::from).collect()).collect();
    (head, rows)
}

fn write(path: &Path, head: &[String], rows: &Rows) {
    let mut csv = csv::WriterBuilder::new().flexible(true).from_path(path).unwrap();
    csv.write_record(head).unwrap();
    rows.iter().for_each(|r| csv.write_record(r).unwrap());
    csv.flush().unwrap();
}

/// Running mean over `k` points to each side.
fn smooth(y: &[f64], k: usize) -> Vec<f64> {
    (0..y.len())
        .map(|i| {
            let near = &y[i.saturating_sub(k)..(i + k + 1).min(y.len())];
            near.iter().sum::<f64>() / near.len() as f64
        })
        .collect()
}

impl Change {
    /// Writes the changed recording, and says which points of it are left.
    fn recording(self, from: &Path, to: &Path, seed: u64) -> (usize, usize, usize) {
        let (head, mut rows) = read(from);
        let pixels = head[0].starts_with("pixel");
        let n = rows.len();
        let mut y: Vec<f64> = rows.iter().map(|r| r[1].parse().unwrap()).collect();
        let top = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut sorted = y.clone();
        sorted.sort_by(f64::total_cmp);
        let low = sorted[n / 10];
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        match self {
            Change::Tilt(folds) => {
                for (i, v) in y.iter_mut().enumerate() {
                    *v = low + (*v - low) * (folds * (i as f64 / n as f64 - 0.5)).exp();
                }
            }
            Change::Noise(part) => {
                let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
                y.iter_mut().for_each(|v| *v += part * (top - low) * normal());
            }
            Change::Broad(k) => y = smooth(&smooth(&y, k), k),
            Change::Clip(part) => {
                y.iter_mut().for_each(|v| *v = v.min(low + part * (top - low)));
            }
            Change::Shift(_) | Change::Crop(..) | Change::Flip => {}
        }
        for (r, y) in rows.iter_mut().zip(&y) {
            r[1] = y.to_string();
        }
        let (mut first, mut last) = (0, n);
        match self {
            Change::Shift(nm) if !pixels => {
                rows.iter_mut().for_each(|r| {
                    r[0] = format!("{:.4}", r[0].parse::<f64>().unwrap() + nm);
                });
            }
            Change::Crop(a, b) => {
                (first, last) = ((a * n as f64) as usize, (b * n as f64) as usize);
                rows = rows[first..last].to_vec();
            }
            Change::Flip if pixels => rows.reverse(),
            _ => {}
        }
        if pixels {
            rows.iter_mut().enumerate().for_each(|(i, r)| r[0] = i.to_string());
        }
        write(to, &head, &rows);
        (first, last, n)
    }

    /// Writes the places of the lines as they are on the changed pixels.
    fn truth(self, from: &Path, to: &Path, (first, last, n): (usize, usize, usize)) {
        let (head, mut rows) = read(from);
        let place = |r: &Vec<String>| r[0].parse::<f64>().unwrap();
        rows.retain(|r| (first as f64..last as f64).contains(&place(r)));
        for r in &mut rows {
            let x = place(r);
            let x =
                if matches!(self, Change::Flip) { n as f64 - 1.0 - x } else { x - first as f64 };
            r[0] = format!("{x:.3}");
        }
        write(to, &head, &rows);
    }

    /// The changed folder.
    pub fn folder(self, from: &Path) -> PathBuf {
        let name = format!("glowtell-stress-{}-{self:?}", std::process::id());
        let to = std::env::temp_dir().join(name.replace([' ', '(', ')', ','], "_"));
        std::fs::create_dir_all(&to).unwrap();
        let (head, mut list) = read(&from.join("INDEX.csv"));
        let column = |name: &str| head.iter().position(|h| h == name).unwrap();
        let [file, truth, kind, axis, bias] =
            ["file", "truth_file", "truth_kind", "axis", "axis_bias_nm"].map(column);
        for (k, e) in list.iter_mut().enumerate() {
            let left = self.recording(&from.join(&e[file]), &to.join(&e[file]), k as u64);
            let name = &e[truth];
            match e[kind].as_str() {
                "lines" => self.truth(&from.join(name), &to.join(name), left),
                "per-pixel" => {
                    self.recording(&from.join(name), &to.join(name), k as u64);
                }
                _ => {}
            }
            if let (Change::Shift(nm), "nm", Ok(b)) =
                (self, e[axis].as_str(), e[bias].parse::<f64>())
            {
                e[bias] = format!("{:+.2}", b + nm);
            }
        }
        write(&to.join("INDEX.csv"), &head, &list);
        to
    }
}
