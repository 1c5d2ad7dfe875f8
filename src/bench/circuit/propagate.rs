//! Quantities whose uncertainty may be unknown, and what is computed from them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A value with its standard uncertainty, where that is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Quantity {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty, k = 1; `None` where nothing was told that it could come from.
    pub u: Option<f64>,
}

impl Quantity {
    /// A value that counts as exact.
    pub(super) fn exact(value: f64) -> Self {
        Quantity { value, u: Some(0.0) }
    }

    /// A value whose error is known to stay within `±limit` and nothing more: standard uncertainty
    /// `limit/√3` (JCGM 100:2008, 4.3.7).
    pub(super) fn within(value: f64, limit: Option<f64>) -> Self {
        Quantity { value, u: limit.map(|a| a / 3f64.sqrt()) }
    }
}

/// Step of the difference quotients over the value: small against every bend of the sums and products
/// here, large against rounding (cube root of the machine's precision).
const STEP: f64 = 6e-6;

/// `f` at the values of `inputs`, with the standard uncertainty by the law of propagation for
/// independent inputs (JCGM 100:2008, 5.1.2); that is unknown where an input that matters has none.
/// Nothing where the result is not finite.
pub(super) fn propagate<const N: usize>(
    inputs: [Quantity; N],
    f: impl Fn([f64; N]) -> f64,
) -> Option<Quantity> {
    let at = inputs.map(|q| q.value);
    let value = f(at);
    let mut variance = Some(0.0);
    for (k, input) in inputs.iter().enumerate() {
        let step = STEP * input.value.abs().max(f64::MIN_POSITIVE.sqrt());
        let (mut up, mut down) = (at, at);
        up[k] += step;
        down[k] -= step;
        let slope = (f(up) - f(down)) / (up[k] - down[k]);
        if slope == 0.0 || input.u == Some(0.0) {
            continue;
        }
        variance = variance.zip(input.u).map(|(v, u): (f64, f64)| v + (slope * u).powi(2));
    }
    let u = variance.map(f64::sqrt);
    (value.is_finite() && u.is_none_or(f64::is_finite)).then_some(Quantity { value, u })
}
