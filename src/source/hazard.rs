//! Light weighted by what it does to eye and skin: relative only.
//!
//! Limits are in absolute irradiance at a person. A recording in counts has none, so that no
//! exposure time and no risk group is computed anywhere here.

use super::net::{Net, cell};
use super::region::without;
use crate::Measured;
use crate::reference::LightTables;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Said beside every weighted share.
pub const RELATIVE_ONLY: &str = "weighted shares are relative to the recorded light: they rank \
     spectra and say nothing about a dose, an exposure time or safety, which need the absolute \
     irradiance at the person";
/// Said beside the actinic share.
pub const STRAY_BEWARE: &str = "below 300 nm stray light inside a simple spectrometer may exceed \
     the true ultraviolet, just where the actinic weight is largest";

/// Weighted shares of the recorded light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Hazard {
    /// Σ S·E / Σ E with the actinic weight S (180 to 400 nm); `None` where the recording has
    /// nothing there.
    pub actinic: Option<Measured>,
    /// Σ B·E / Σ E with the blue-light weight B (300 to 700 nm); `None` where the recording has
    /// nothing there.
    pub blue_light: Option<Measured>,
    /// Stretch of the recording, nm: light outside of it is in neither.
    pub range_nm: [f64; 2],
}

/// The weighted shares of a recording.
pub(super) fn hazard(net: &Net, ghosts: &[[f64; 2]], tables: &LightTables) -> Hazard {
    let values = without(net, ghosts);
    let [from, to] = net.range();
    let over = |weight: &dyn Fn(f64) -> f64, span: [f64; 2]| {
        if from >= span[1] || to <= span[0] {
            return None;
        }
        weighted(net, &values, weight)
    };
    Hazard {
        actinic: over(&|nm| tables.actinic_weight(nm), [180.0, 400.0]),
        blue_light: over(&|nm| tables.blue_light_weight(nm), [300.0, 700.0]),
        range_nm: [from, to],
    }
}

/// Σ w·y / Σ y with its standard uncertainty by scatter and dark level.
fn weighted(net: &Net, values: &[f64], weight: &dyn Fn(f64) -> f64) -> Option<Measured> {
    let n = net.x.len();
    let cells: Vec<(f64, f64)> = (0..n).map(|i| (cell(&net.x, i), weight(net.x[i]))).collect();
    let whole: f64 = (0..n).map(|i| values[i] * cells[i].0).sum();
    if whole.is_nan() || whole <= 0.0 {
        return None;
    }
    let share = (0..n).map(|i| values[i] * cells[i].0 * cells[i].1).sum::<f64>() / whole;
    let (mut scatter, mut level) = (0.0, 0.0);
    for (i, (width, weight)) in cells.iter().enumerate() {
        let lever = width * (weight - share) / whole;
        scatter += (lever * net.sigma[i]).powi(2);
        level += lever * net.level_u[i];
    }
    Some(Measured::new(share, scatter.sqrt().hypot(level)))
}
