//! The value that all rooms hand on: one recording with its axis, counts, doubts and origin.

use crate::{Error, Result};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// A number with its standard uncertainty (k = 1), both in the same unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty, k = 1.
    pub u: f64,
}

impl Measured {
    /// A value with its standard uncertainty.
    pub fn new(value: f64, u: f64) -> Self {
        Measured { value, u }
    }
}

/// What the numbers on the axis are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AxisKind {
    /// Pixel numbers of the detector.
    Pixel,
    /// Wavelength in nm, in standard air above 200 nm and in vacuum below.
    Nm,
}

/// Factor by which a step of the axis must exceed its neighbours to be a leap: blank rows that were
/// left out in an export make shorter ones (common practice, no published source).
pub const LEAP_STEPS: f64 = 30.0;

/// The axis of a recording: finite, strictly ascending numbers, any step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Axis {
    kind: AxisKind,
    values: Vec<f64>,
}

impl Axis {
    /// An axis from its values.
    ///
    /// # Errors
    /// [`Error::Usage`] where a value is not finite or does not exceed the one before it.
    pub fn new(kind: AxisKind, values: Vec<f64>) -> Result<Self> {
        if let Some(i) = values.iter().position(|v| !v.is_finite()) {
            return Err(Error::usage(
                format!("axis value {i} is not a finite number"),
                "give every point a place on the axis",
            ));
        }
        if let Some(i) = values.windows(2).position(|w| w[1] <= w[0]) {
            return Err(Error::usage(
                format!("axis values {} and {} do not ascend", values[i], values[i + 1]),
                "sort the points by axis value and merge equal ones",
            ));
        }
        Ok(Axis { kind, values })
    }

    /// Pixel axis 0, 1, … n − 1.
    pub fn pixels(n: usize) -> Self {
        Axis { kind: AxisKind::Pixel, values: (0..n).map(|i| i as f64).collect() }
    }

    /// What the numbers are.
    pub fn kind(&self) -> AxisKind {
        self.kind
    }

    /// The numbers, ascending.
    pub fn values(&self) -> &[f64] {
        &self.values
    }

    /// Lowest and highest value (`(0, 0)` for an empty axis).
    pub fn range(&self) -> (f64, f64) {
        (
            self.values.first().copied().unwrap_or_default(),
            self.values.last().copied().unwrap_or_default(),
        )
    }

    /// Distance from one point to the next at point `i`, in axis units (central where possible).
    pub fn step(&self, i: usize) -> f64 {
        let n = self.values.len();
        if n < 2 {
            return 1.0;
        }
        let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
        (self.values[b] - self.values[a]) / (b - a) as f64
    }

    /// Where the axis leaps, as where the stretches of two detectors were joined: index of the
    /// point before the leap, and the values on both sides of it. A leap is a step that is more
    /// than [`LEAP_STEPS`] times both its neighbours, next to which the axis is evenly spaced.
    pub fn gap(&self) -> Option<(usize, f64, f64)> {
        let v = &self.values;
        (2..v.len().saturating_sub(3)).find_map(|i| {
            let step = v[i + 1] - v[i];
            let before = (v[i] - v[i - 1]).max(v[i - 1] - v[i - 2]);
            let after = (v[i + 2] - v[i + 1]).max(v[i + 3] - v[i + 2]);
            (step > LEAP_STEPS * before.max(after)).then_some((i, v[i], v[i + 1]))
        })
    }

    /// Fractional index of the place `x`, clamped to the axis.
    pub fn index_of(&self, x: f64) -> f64 {
        let n = self.values.len();
        if n == 0 || x <= self.values[0] {
            return 0.0;
        }
        if x >= self.values[n - 1] {
            return (n - 1) as f64;
        }
        let i = self.values.partition_point(|v| *v <= x) - 1;
        i as f64 + (x - self.values[i]) / (self.values[i + 1] - self.values[i])
    }
}

/// Why a point must not be taken at face value; a set of flags.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Mask(u8);

impl Mask {
    /// Nothing wrong.
    pub const GOOD: Mask = Mask(0);
    /// The detector or its converter was at its end.
    pub const SATURATED: Mask = Mask(1);
    /// No value was recorded, or a pixel that always shows the same (blank, NaN, hot, dead).
    pub const DEAD: Mask = Mask(2);
    /// Outside the stretch that the user or the instrument declares valid.
    pub const OUTSIDE: Mask = Mask(4);

    /// The flags with their words.
    const WORDS: [(Mask, &str); 3] =
        [(Mask::SATURATED, "saturated"), (Mask::DEAD, "dead"), (Mask::OUTSIDE, "outside")];

    /// The flags in words for a table, joined by `+`; `good` where none is set.
    pub fn words(self) -> String {
        let set: Vec<&str> =
            Mask::WORDS.iter().filter(|(flag, _)| self.has(*flag)).map(|(_, word)| *word).collect();
        if set.is_empty() { "good".into() } else { set.join("+") }
    }

    /// The flag that a word of [`Mask::words`] stands for, in either case of letters; `None` for any
    /// other word.
    pub fn of_word(word: &str) -> Option<Mask> {
        let good = (Mask::GOOD, "good");
        let mut all = Mask::WORDS.iter().chain([&good]);
        all.find(|(_, known)| known.eq_ignore_ascii_case(word)).map(|(flag, _)| *flag)
    }

    /// True where no flag is set.
    pub fn is_good(self) -> bool {
        self.0 == 0
    }

    /// True where all flags of `other` are set.
    pub fn has(self, other: Mask) -> bool {
        self.0 & other.0 == other.0 && other.0 != 0
    }

    /// Sets the flags of `other`.
    pub fn set(&mut self, other: Mask) {
        self.0 |= other.0;
    }
}

/// Where a recording came from and what was guessed on the way in.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Provenance {
    /// Short name for titles (file name without folder and extension).
    pub name: String,
    /// File it was read from.
    pub path: Option<PathBuf>,
    /// SHA-256 of the file's bytes, lower-case hexadecimal.
    pub sha256: Option<String>,
    /// Header lines that said something about the recording, as key and value, in file order.
    pub metadata: Vec<(String, String)>,
    /// What was guessed or done on the way in, one sentence each.
    pub notes: Vec<String>,
    /// True where the file listed the axis from high to low.
    pub reversed: bool,
}

/// One recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Spectrum {
    axis: Axis,
    counts: Vec<f64>,
    /// Standard uncertainty of each point in the unit of the counts, where it was measured
    /// (repeats); `None` where it has to be estimated from the data.
    sigma: Option<Vec<f64>>,
    mask: Vec<Mask>,
    /// Standard uncertainty of each axis value in nm, where the axis has been calibrated.
    axis_u: Option<Vec<f64>>,
    /// Unit of the intensity, `counts` unless told.
    pub unit: String,
    /// Origin.
    pub provenance: Provenance,
}

impl Spectrum {
    /// A recording from its axis and counts. Points whose count is not finite become
    /// [`Mask::DEAD`] and are stored as 0.
    ///
    /// # Errors
    /// [`Error::Usage`] where the lengths differ.
    pub fn new(axis: Axis, counts: Vec<f64>) -> Result<Self> {
        let n = axis.values.len();
        if counts.len() != n {
            return Err(Error::usage(
                format!("{n} axis values but {} counts", counts.len()),
                "give one count for each axis value",
            ));
        }
        let mut mask = vec![Mask::GOOD; n];
        let mut counts = counts;
        for (c, m) in counts.iter_mut().zip(&mut mask) {
            if !c.is_finite() {
                *c = 0.0;
                m.set(Mask::DEAD);
            }
        }
        Ok(Spectrum {
            axis,
            counts,
            sigma: None,
            mask,
            axis_u: None,
            unit: "counts".into(),
            provenance: Provenance::default(),
        })
    }

    /// The same recording with measured standard uncertainties, one a point, same unit as the
    /// counts.
    ///
    /// # Errors
    /// [`Error::Usage`] where the length differs or a value is negative or not finite.
    pub fn with_sigma(mut self, sigma: Vec<f64>) -> Result<Self> {
        if sigma.len() != self.len() || sigma.iter().any(|s| !(s.is_finite() && *s >= 0.0)) {
            return Err(Error::usage(
                "the uncertainties do not fit the counts".to_string(),
                "give one finite, non-negative uncertainty for each point",
            ));
        }
        self.sigma = Some(sigma);
        Ok(self)
    }

    /// The same recording with the standard uncertainty of each axis value, nm.
    ///
    /// # Errors
    /// [`Error::Usage`] where the length differs or a value is negative or not finite.
    pub fn with_axis_u(mut self, axis_u: Vec<f64>) -> Result<Self> {
        if axis_u.len() != self.len() || axis_u.iter().any(|s| !(s.is_finite() && *s >= 0.0)) {
            return Err(Error::usage(
                "the axis uncertainties do not fit the axis".to_string(),
                "give one finite, non-negative uncertainty for each point",
            ));
        }
        self.axis_u = Some(axis_u);
        Ok(self)
    }

    /// Number of points.
    pub fn len(&self) -> usize {
        self.counts.len()
    }

    /// True without any point.
    pub fn is_empty(&self) -> bool {
        self.counts.is_empty()
    }

    /// The axis.
    pub fn axis(&self) -> &Axis {
        &self.axis
    }

    /// Axis values, ascending.
    pub fn x(&self) -> &[f64] {
        &self.axis.values
    }

    /// Counts in the order of the axis; masked-out points hold 0 where nothing was recorded.
    pub fn counts(&self) -> &[f64] {
        &self.counts
    }

    /// Measured standard uncertainty of each point, if any.
    pub fn sigma(&self) -> Option<&[f64]> {
        self.sigma.as_deref()
    }

    /// Flags of each point.
    pub fn mask(&self) -> &[Mask] {
        &self.mask
    }

    /// Sets flags at a point.
    pub fn flag(&mut self, i: usize, flags: Mask) {
        self.mask[i].set(flags);
    }

    /// Standard uncertainty of each axis value in nm, where the axis has been calibrated.
    pub fn axis_u(&self) -> Option<&[f64]> {
        self.axis_u.as_deref()
    }

    /// Standard uncertainty of the axis at `x` in nm, where the axis has been calibrated.
    pub fn axis_u_at(&self, x: f64) -> Option<f64> {
        let u = self.axis_u.as_ref()?;
        u.get(self.axis.index_of(x).round() as usize).copied()
    }

    /// The same counts on another axis. `values` holds the new axis value of each present point
    /// and `axis_u` its standard uncertainty; where the new values descend, all points are turned
    /// round.
    ///
    /// # Errors
    /// [`Error::Usage`] where the lengths differ or the new axis is neither ascending nor
    /// descending.
    pub fn on_axis(&self, kind: AxisKind, values: Vec<f64>, axis_u: Vec<f64>) -> Result<Spectrum> {
        let mut s = self.clone();
        let (mut values, mut axis_u) = (values, axis_u);
        if values.len() > 1 && values[0] > values[values.len() - 1] {
            values.reverse();
            axis_u.reverse();
            s.counts.reverse();
            s.mask.reverse();
            if let Some(v) = &mut s.sigma {
                v.reverse();
            }
            s.provenance.reversed = !s.provenance.reversed;
        }
        s.axis = Axis::new(kind, values)?;
        if s.axis.values.len() != s.counts.len() {
            return Err(Error::usage(
                "the new axis has another number of points".to_string(),
                "use the axis of the same instrument",
            ));
        }
        s.with_axis_u(axis_u)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axis_must_ascend() {
        assert!(Axis::new(AxisKind::Nm, vec![1.0, 1.0]).is_err());
        assert!(Axis::new(AxisKind::Nm, vec![2.0, 1.0]).is_err());
        assert!(Axis::new(AxisKind::Nm, vec![1.0, f64::NAN]).is_err());
    }

    #[test]
    fn nan_counts_are_dead_points() {
        let s = Spectrum::new(Axis::pixels(3), vec![1.0, f64::NAN, 2.0]).unwrap();
        assert!(s.mask()[1].has(Mask::DEAD) && s.mask()[0].is_good());
        assert_eq!(s.counts()[1], 0.0);
    }

    #[test]
    fn a_descending_axis_turns_the_points_round() {
        let s = Spectrum::new(Axis::pixels(3), vec![1.0, 2.0, 3.0]).unwrap();
        let t = s.on_axis(AxisKind::Nm, vec![700.0, 600.0, 500.0], vec![0.1, 0.2, 0.3]).unwrap();
        assert_eq!(t.counts(), [3.0, 2.0, 1.0]);
        assert_eq!(t.axis_u().unwrap(), [0.3, 0.2, 0.1]);
        assert!(t.provenance.reversed);
    }

    #[test]
    fn index_of_is_the_inverse_of_the_axis() {
        let a = Axis::new(AxisKind::Nm, vec![1.0, 2.0, 4.0]).unwrap();
        assert_eq!(a.index_of(3.0), 1.5);
        assert_eq!(a.index_of(-5.0), 0.0);
        assert_eq!(a.index_of(9.0), 2.0);
    }
}
