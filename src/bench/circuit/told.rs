//! What a bench sheet tells of meter, probe and circuit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The meter, and the probe of high resistance in front of it; in a sheet the table `[probe]`.
///
/// The probe is a string of resistors in series with the meter's own resistance. Its factor comes from
/// one voltage that was read twice: by the meter alone and through the probe.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Probe {
    /// One voltage read by the meter alone, V.
    pub direct_v: Option<f64>,
    /// The same voltage read through the probe, V.
    pub through_probe_v: Option<f64>,
    /// Factor of the probe where it is known already (instead of the two readings).
    pub factor: Option<f64>,
    /// Limit of error of that factor, per cent.
    pub factor_accuracy_percent: Option<f64>,
    /// Input resistance of the meter, ohm.
    pub meter_resistance_ohm: Option<f64>,
    /// Resistance of the source of the voltage that was read twice, ohm.
    pub source_resistance_ohm: Option<f64>,
    /// Limit of error of a reading, per cent of the reading.
    pub accuracy_percent: Option<f64>,
    /// Limit of error of a reading, V, beside that in per cent: a data sheet's digits.
    pub accuracy_v: Option<f64>,
}

impl Probe {
    /// Whether the sheet says anything.
    pub fn is_told(&self) -> bool {
        *self != Probe::default()
    }

    /// What is wrong with it, and what would help.
    pub(in crate::bench) fn fault(&self) -> Option<(String, &'static str)> {
        let positive = [
            ("direct-v", self.direct_v),
            ("through-probe-v", self.through_probe_v),
            ("factor", self.factor),
            ("meter-resistance-ohm", self.meter_resistance_ohm),
        ];
        let not_negative = [
            ("factor-accuracy-percent", self.factor_accuracy_percent),
            ("source-resistance-ohm", self.source_resistance_ohm),
            ("accuracy-percent", self.accuracy_percent),
            ("accuracy-v", self.accuracy_v),
        ];
        if let Some(fault) = out_of_bounds("the probe", &positive, &not_negative) {
            return Some(fault);
        }
        if self.direct_v.is_some() != self.through_probe_v.is_some() {
            return Some((
                "the probe has one of direct-v and through-probe-v".into(),
                "give both readings of the one voltage, or neither",
            ));
        }
        if self.factor.is_some() && self.direct_v.is_some() {
            return Some((
                "the probe has both a factor and two readings".into(),
                "keep what the factor is to come from",
            ));
        }
        if let (Some(direct), Some(through)) = (self.direct_v, self.through_probe_v)
            && through >= direct
        {
            return Some((
                format!("the probe has through-probe-v = {through}, not below direct-v = {direct}"),
                "a probe lowers what the meter shows: give the meter's reading behind the probe",
            ));
        }
        if let Some(f) = self.factor.filter(|f| *f <= 1.0) {
            return Some((
                format!("the probe has factor = {f}"),
                "give what a reading behind the probe is to be multiplied with, above 1",
            ));
        }
        None
    }
}

/// What was measured at a tube's circuit; in a sheet the table `[tube.circuit]`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct CircuitFacts {
    /// Voltage across the tube as the meter shows it behind the probe, V.
    pub probe_reading_v: Option<f64>,
    /// Voltage across the tube read by the meter alone, V (instead of `probe-reading-v`).
    pub direct_reading_v: Option<f64>,
    /// Limit of error of the supply voltage, per cent.
    pub supply_accuracy_percent: Option<f64>,
    /// Tolerance of the series resistor, per cent.
    pub series_resistor_tolerance_percent: Option<f64>,
    /// Start and end of the plateau that is stated for the tube, V.
    pub plateau_v: Option<[f64; 2]>,
    /// Stated slope of that plateau, per cent of the counting rate per 100 V.
    pub plateau_slope_percent_per_100v: Option<f64>,
    /// Whether the tube answered to ultraviolet.
    pub responds_to_ultraviolet: Option<UltravioletResponse>,
}

impl CircuitFacts {
    /// Whether the sheet says anything.
    pub fn is_told(&self) -> bool {
        *self != CircuitFacts::default()
    }

    /// What is wrong with it, and what would help; `probe` is the bench's.
    pub(in crate::bench) fn fault(
        &self,
        name: &str,
        probe: &Probe,
    ) -> Option<(String, &'static str)> {
        let whose = format!("the circuit of `{name}`");
        let positive = [
            ("probe-reading-v", self.probe_reading_v),
            ("direct-reading-v", self.direct_reading_v),
        ];
        let not_negative = [
            ("supply-accuracy-percent", self.supply_accuracy_percent),
            ("series-resistor-tolerance-percent", self.series_resistor_tolerance_percent),
            ("plateau-slope-percent-per-100v", self.plateau_slope_percent_per_100v),
        ];
        if let Some(fault) = out_of_bounds(&whose, &positive, &not_negative) {
            return Some(fault);
        }
        if self.probe_reading_v.is_some() && self.direct_reading_v.is_some() {
            return Some((
                format!("{whose} has both probe-reading-v and direct-reading-v"),
                "keep the reading that was taken when the spectrum was",
            ));
        }
        if self.probe_reading_v.is_some() && probe.factor.is_none() && probe.direct_v.is_none() {
            return Some((
                format!(
                    "{whose} has probe-reading-v, but the sheet does not tell the probe's factor"
                ),
                "add a [probe] table with factor, or with direct-v and through-probe-v: one voltage \
                 read without and with the probe",
            ));
        }
        if let Some([from, to]) = self.plateau_v
            && !(from.is_finite() && to.is_finite() && from > 0.0 && to > from)
        {
            return Some((
                format!("{whose} has plateau-v = [{from}, {to}]"),
                "give its start and its end in V, the lower first",
            ));
        }
        if self.plateau_slope_percent_per_100v.is_some() && self.plateau_v.is_none() {
            return Some((
                format!("{whose} has a slope but no plateau-v"),
                "add start and end of the plateau, or leave the slope out",
            ));
        }
        None
    }
}

/// Whether a tube answered to ultraviolet, by counts or by striking.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum UltravioletResponse {
    /// It did.
    Yes,
    /// It was tried, and did not.
    No,
    /// Nobody tried.
    NotTried,
}

impl UltravioletResponse {
    /// The word for it.
    pub fn words(self) -> &'static str {
        match self {
            UltravioletResponse::Yes => "yes",
            UltravioletResponse::No => "no",
            UltravioletResponse::NotTried => "not tried",
        }
    }
}

/// The first number that cannot be.
fn out_of_bounds(
    whose: &str,
    positive: &[(&str, Option<f64>)],
    not_negative: &[(&str, Option<f64>)],
) -> Option<(String, &'static str)> {
    let told = |list: &[(&str, Option<f64>)], bad: fn(f64) -> bool| {
        let (key, v) = list.iter().find_map(|(k, v)| Some((*k, (*v)?)).filter(|x| bad(x.1)))?;
        Some(format!("{whose} has {key} = {v}"))
    };
    if let Some(what) = told(positive, |v| !(v.is_finite() && v > 0.0)) {
        return Some((what, "give a positive number, or leave the key out"));
    }
    let what = told(not_negative, |v| !(v.is_finite() && v >= 0.0))?;
    Some((what, "give zero or a positive number, or leave the key out"))
}
