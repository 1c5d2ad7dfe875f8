//! Voltages and currents of a tube's circuit, from what the sheet tells.
//!
//! The circuit is the simplest that lights a tube: a supply, a series resistor R, the tube, and across
//! the tube the meter of input resistance M, alone or behind a probe of resistance P. All of it is
//! Ohm's law and the voltage divider; uncertainties follow JCGM 100:2008 (GUM).
//!
//! - *Factor of the probe*, by which a reading behind it is multiplied: `F = (P + M)/M`. One voltage
//!   of source resistance S, read by the meter alone (`a`) and through the probe (`b`), gives
//!   `a/b = (P + M + S)/(M + S)`, hence `F = 1 + (1 + S/M)(a/b − 1)`: the meter alone pulls the
//!   source down, and the plain ratio of the readings is too low.
//! - *Voltage across the tube* while the meter is on: `F` times the reading.
//! - *Voltage without the meter*, for a tube that draws no current of its own (a counter tube between
//!   its counts): that times `1 + R/(P + M)`.
//! - *Current*: at most supply over R, and with the tube's voltage V: `(supply − V)/R − V/(P + M)`.

mod propagate;
mod told;

pub use propagate::Quantity;
pub use told::{CircuitFacts, Probe, UltravioletResponse};

use libm::erfc;
use propagate::propagate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Least probability at which the place on a plateau is told in one word: one in twenty wrong, as is
/// usual for a limit that is passed or not (common practice, no published source).
const SURE: f64 = 0.95;

/// What a circuit comes to. All uncertainties are standard uncertainties (k = 1).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Circuit {
    /// By what a reading behind the probe is multiplied.
    pub probe_factor: Option<Quantity>,
    /// Resistance of probe and meter together, ohm.
    pub probe_resistance_ohm: Option<Quantity>,
    /// Voltage across the tube while it was measured, V.
    pub tube_voltage_v: Option<Quantity>,
    /// Voltage across the tube with the meter taken away, V, if the tube draws no current.
    pub unloaded_voltage_v: Option<Quantity>,
    /// Largest current that supply and series resistor allow, A: through a tube that shorts.
    pub largest_current_a: Option<Quantity>,
    /// Current through the tube, A.
    pub current_a: Option<Quantity>,
    /// Where the voltage lies on the plateau that is stated for the tube.
    pub plateau: Option<Plateau>,
    /// Whether the tube answered to ultraviolet.
    pub responds_to_ultraviolet: Option<UltravioletResponse>,
    /// What was assumed and what to beware of, one sentence each.
    pub notes: Vec<String>,
}

/// A voltage on a stated plateau.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Plateau {
    /// Its start as stated, V.
    pub from_v: f64,
    /// Its end as stated, V.
    pub to_v: f64,
    /// Where the voltage lies.
    pub place: PlateauPlace,
    /// Probability that it lies on the plateau; `None` where the uncertainty is unknown.
    pub probability_on: Option<f64>,
    /// How far along, per cent of the plateau: 0 at its start, 100 at its end.
    pub along_percent: Option<Quantity>,
    /// By how much the counting rate differs from that in the middle of the plateau, per cent, by the
    /// stated slope; only on the plateau.
    pub rate_change_percent: Option<Quantity>,
}

/// Where a voltage lies on a plateau.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PlateauPlace {
    /// Below its start.
    Below,
    /// On it.
    On,
    /// Above its end.
    Above,
    /// The uncertainty covers an edge.
    CannotTell,
}

impl PlateauPlace {
    /// The words for it.
    pub fn words(self) -> &'static str {
        match self {
            PlateauPlace::Below => "below its start",
            PlateauPlace::On => "on it",
            PlateauPlace::Above => "above its end",
            PlateauPlace::CannotTell => "cannot tell: the uncertainty covers an edge",
        }
    }
}

/// What a sheet tells of one tube's circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Told<'a> {
    /// Meter and probe of the bench.
    pub probe: &'a Probe,
    /// Supply voltage, V.
    pub supply_v: Option<f64>,
    /// Series resistance, ohm.
    pub resistor_ohm: Option<f64>,
    /// The rest.
    pub facts: &'a CircuitFacts,
}

/// What the circuit comes to; `None` where the sheet tells nothing that anything follows from.
pub fn circuit(told: Told<'_>) -> Option<Circuit> {
    let Told { probe, facts, .. } = told;
    let mut out =
        Circuit { responds_to_ultraviolet: facts.responds_to_ultraviolet, ..Circuit::default() };
    let supply = told
        .supply_v
        .map(|v| Quantity::within(v, facts.supply_accuracy_percent.map(|p| v * p / 100.0)));
    let resistor = told.resistor_ohm.map(|r| {
        Quantity::within(r, facts.series_resistor_tolerance_percent.map(|p| r * p / 100.0))
    });
    let meter = probe.meter_resistance_ohm.map(Quantity::exact);
    if facts.probe_reading_v.is_some() {
        out.probe_factor = factor(probe, &mut out.notes);
        out.probe_resistance_ohm =
            out.probe_factor.zip(meter).and_then(|(f, m)| propagate([f, m], |[f, m]| f * m));
    }
    out.tube_voltage_v = voltage(probe, facts, out.probe_factor);
    // What hangs across the tube while it is measured.
    let load = match facts.probe_reading_v {
        Some(_) => out.probe_resistance_ohm,
        None => meter,
    };
    if let (Some(v), Some(r), Some(load)) = (out.tube_voltage_v, resistor, load) {
        out.unloaded_voltage_v = propagate([v, r, load], |[v, r, load]| v * (1.0 + r / load));
    }
    if let (Some(s), Some(r)) = (supply, resistor) {
        out.largest_current_a = propagate([s, r], |[s, r]| s / r);
        if let Some(v) = out.tube_voltage_v {
            out.current_a = current(s, r, v, load, &mut out.notes);
        }
    }
    out.plateau = plateau(facts, &mut out);
    if out.tube_voltage_v.is_some_and(|v| v.u.is_none()) {
        out.notes.push(
            "how sure the voltage is cannot be told: the sheet's [probe] has no accuracy-percent and \
             no accuracy-v of the meter"
                .into(),
        );
    }
    let nothing = Circuit { notes: Vec::new(), ..out.clone() } == Circuit::default();
    (!nothing).then_some(out)
}

/// A reading of the meter.
fn reading(probe: &Probe, v: f64) -> Quantity {
    let limit = match (probe.accuracy_percent, probe.accuracy_v) {
        (None, None) => None,
        (p, a) => Some(v * p.unwrap_or(0.0) / 100.0 + a.unwrap_or(0.0)),
    };
    Quantity::within(v, limit)
}

/// Factor of the probe.
fn factor(probe: &Probe, notes: &mut Vec<String>) -> Option<Quantity> {
    if let Some(f) = probe.factor {
        return Some(Quantity::within(f, probe.factor_accuracy_percent.map(|p| f * p / 100.0)));
    }
    let (direct, through) = (probe.direct_v?, probe.through_probe_v?);
    let pull = match (probe.source_resistance_ohm, probe.meter_resistance_ohm) {
        (Some(s), Some(m)) => s / m,
        _ => {
            notes.push(
                "the voltage that was read twice is taken for one that the meter does not pull down; \
                 source-resistance-ohm and meter-resistance-ohm in [probe] would account for that"
                    .into(),
            );
            0.0
        }
    };
    propagate([reading(probe, direct), reading(probe, through)], |[a, b]| {
        1.0 + (1.0 + pull) * (a / b - 1.0)
    })
}

/// Voltage across the tube with the meter on.
fn voltage(probe: &Probe, facts: &CircuitFacts, factor: Option<Quantity>) -> Option<Quantity> {
    match facts.probe_reading_v {
        Some(r) => propagate([factor?, reading(probe, r)], |[f, r]| f * r),
        None => facts.direct_reading_v.map(|v| reading(probe, v)),
    }
}

/// Current through the tube itself.
fn current(
    supply: Quantity,
    resistor: Quantity,
    voltage: Quantity,
    load: Option<Quantity>,
    notes: &mut Vec<String>,
) -> Option<Quantity> {
    let out = match load {
        Some(load) => {
            propagate([supply, resistor, voltage, load], |[s, r, v, load]| (s - v) / r - v / load)
        }
        None => {
            notes.push(
                "what the meter itself draws is left out of the current: [probe] has no \
                 meter-resistance-ohm"
                    .into(),
            );
            propagate([supply, resistor, voltage], |[s, r, v]| (s - v) / r)
        }
    }?;
    let below_zero = out.value < 0.0 && out.u.is_some_and(|u| out.value + 2.0 * u < 0.0);
    if below_zero || (out.u.is_none() && out.value < 0.0) {
        notes.push(
            "voltage across the tube, supply and series resistor contradict each other: the current \
             comes out below zero"
                .into(),
        );
    }
    Some(out)
}

/// Place on the stated plateau: that of the voltage without the meter where it is known, since a counter
/// tube draws next to nothing.
fn plateau(facts: &CircuitFacts, out: &mut Circuit) -> Option<Plateau> {
    let [from_v, to_v] = facts.plateau_v?;
    let (v, with_meter) = match (out.unloaded_voltage_v, out.tube_voltage_v) {
        (Some(v), _) => (v, false),
        (None, Some(v)) => (v, true),
        (None, None) => {
            out.notes.push(
                "the voltage's place on the plateau cannot be told: no reading across the tube is given"
                    .into(),
            );
            return None;
        }
    };
    if with_meter {
        out.notes.push(
            "the place on the plateau is that with the meter on; series-resistor-ohm and \
             meter-resistance-ohm would tell the one without"
                .into(),
        );
    }
    let chances = v.u.filter(|u| *u > 0.0).map(|u| {
        let below = 0.5 * erfc((v.value - from_v) / (u * std::f64::consts::SQRT_2));
        let above = 0.5 * erfc((to_v - v.value) / (u * std::f64::consts::SQRT_2));
        (below, above)
    });
    let place = match chances {
        Some((below, _)) if below >= SURE => PlateauPlace::Below,
        Some((_, above)) if above >= SURE => PlateauPlace::Above,
        Some((below, above)) if 1.0 - below - above >= SURE => PlateauPlace::On,
        Some(_) => PlateauPlace::CannotTell,
        None if v.value < from_v => PlateauPlace::Below,
        None if v.value > to_v => PlateauPlace::Above,
        None => PlateauPlace::On,
    };
    let slope = facts.plateau_slope_percent_per_100v.filter(|_| place == PlateauPlace::On);
    Some(Plateau {
        from_v,
        to_v,
        place,
        probability_on: chances.map(|(below, above)| (1.0 - below - above).max(0.0)),
        along_percent: propagate([v], |[v]| 100.0 * (v - from_v) / (to_v - from_v)),
        rate_change_percent: slope
            .and_then(|s| propagate([v], |[v]| s * (v - (from_v + to_v) / 2.0) / 100.0)),
    })
}

#[cfg(test)]
mod tests;
