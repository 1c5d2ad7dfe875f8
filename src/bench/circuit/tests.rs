use super::*;
use nalgebra::{Matrix2, Vector2};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};

/// Supply behind `source` ohm, a load of `meter` ohm behind `probe` ohm: the voltage at the meter, by the
/// nodal equations of the network (Kirchhoff's current law at both nodes), solved by nalgebra.
fn at_the_meter(supply: f64, source: f64, probe: f64, meter: f64) -> f64 {
    let g = Matrix2::new(
        1.0 / source + 1.0 / probe,
        -1.0 / probe,
        -1.0 / probe,
        1.0 / probe + 1.0 / meter,
    );
    g.lu().solve(&Vector2::new(supply / source, 0.0)).unwrap()[1]
}

/// The same without a probe.
fn at_the_meter_alone(supply: f64, source: f64, meter: f64) -> f64 {
    supply * (1.0 / source) / (1.0 / source + 1.0 / meter)
}

const METER: f64 = 10e6;
const STRING: f64 = 1e9;
const SOURCE: f64 = 470e3;

fn probe() -> Probe {
    Probe {
        direct_v: Some(at_the_meter_alone(200.0, SOURCE, METER)),
        through_probe_v: Some(at_the_meter(200.0, SOURCE, STRING, METER)),
        meter_resistance_ohm: Some(METER),
        source_resistance_ohm: Some(SOURCE),
        accuracy_percent: Some(0.5),
        accuracy_v: Some(0.002),
        ..Probe::default()
    }
}

/// A tube that draws `tube_a` behind `resistor`: its voltage with probe and meter across it.
fn loaded(supply: f64, resistor: f64, tube_a: f64) -> f64 {
    (supply / resistor - tube_a) / (1.0 / resistor + 1.0 / (STRING + METER))
}

#[test]
fn factor_voltage_and_current_are_those_of_the_network() {
    let (supply, resistor, tube_a) = (420.0, 4.7e6, 3.0e-6);
    let across = loaded(supply, resistor, tube_a);
    let facts = CircuitFacts {
        probe_reading_v: Some(across * METER / (STRING + METER)),
        supply_accuracy_percent: Some(1.0),
        series_resistor_tolerance_percent: Some(1.0),
        ..CircuitFacts::default()
    };
    let p = probe();
    let told =
        Told { probe: &p, supply_v: Some(supply), resistor_ohm: Some(resistor), facts: &facts };
    let c = circuit(told).unwrap();
    let is = |q: Option<Quantity>, truth: f64| {
        let v = q.unwrap().value;
        assert!((v / truth - 1.0).abs() < 1e-9, "{v} {truth}");
    };
    is(c.probe_factor, (STRING + METER) / METER);
    is(c.probe_resistance_ohm, STRING + METER);
    is(c.tube_voltage_v, across);
    is(c.largest_current_a, supply / resistor);
    is(c.current_a, tube_a);
    // A counter tube draws nothing: without the meter the whole supply stands across it.
    let idle = loaded(supply, resistor, 0.0);
    let facts = CircuitFacts { probe_reading_v: Some(idle * METER / (STRING + METER)), ..facts };
    is(circuit(Told { facts: &facts, ..told }).unwrap().unloaded_voltage_v, supply);
    // The plain ratio of the two readings would be 4.7 per cent too low here.
    let plain = p.direct_v.unwrap() / p.through_probe_v.unwrap();
    assert!(plain < 0.96 * (STRING + METER) / METER);
}

/// JCGM 101:2008 (GUM, Supplement 1): the distribution of the result by drawing the inputs, each evenly
/// within its limits of error.
#[test]
fn uncertainties_agree_with_drawing() {
    let (supply, resistor) = (420.0, 4.7e6);
    let p = probe();
    let facts = CircuitFacts {
        probe_reading_v: Some(3.9),
        supply_accuracy_percent: Some(2.0),
        series_resistor_tolerance_percent: Some(5.0),
        ..CircuitFacts::default()
    };
    let c = circuit(Told {
        probe: &p,
        supply_v: Some(supply),
        resistor_ohm: Some(resistor),
        facts: &facts,
    })
    .unwrap();
    let mut dice = ChaCha8Rng::seed_from_u64(11);
    let mut near = |v: f64, limit: f64| v + limit * dice.random_range(-1.0..1.0);
    let (mut volts, mut amps) = (Vec::new(), Vec::new());
    for _ in 0..40_000 {
        let mut read = |v: f64| near(v, 0.005 * v + 0.002);
        let (a, b) = (read(p.direct_v.unwrap()), read(p.through_probe_v.unwrap()));
        let r = read(3.9);
        let f = 1.0 + (1.0 + SOURCE / METER) * (a / b - 1.0);
        let (s, ohm) = (near(supply, 0.02 * supply), near(resistor, 0.05 * resistor));
        volts.push(f * r);
        amps.push((s - f * r) / ohm - r / METER);
    }
    let spread = |v: &[f64]| {
        let mean = v.iter().sum::<f64>() / v.len() as f64;
        (v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / v.len() as f64).sqrt()
    };
    // 40,000 draws give a spread to 0.4 per cent; the law of propagation leaves out higher orders.
    let stated = c.tube_voltage_v.unwrap().u.unwrap();
    assert!((stated / spread(&volts) - 1.0).abs() < 0.02, "{stated} {}", spread(&volts));
    // Voltage and load share the factor, which the current's uncertainty takes for independent.
    let stated = c.current_a.unwrap().u.unwrap();
    assert!((stated / spread(&amps) - 1.0).abs() < 0.05, "{stated} {}", spread(&amps));
}

#[test]
fn what_is_not_told_is_not_known() {
    let p = Probe { accuracy_percent: None, accuracy_v: None, ..probe() };
    let facts = CircuitFacts { probe_reading_v: Some(3.9), ..CircuitFacts::default() };
    let told = Told { probe: &p, supply_v: None, resistor_ohm: None, facts: &facts };
    let c = circuit(told).unwrap();
    assert_eq!((c.tube_voltage_v.unwrap().u, c.current_a, c.largest_current_a), (None, None, None));
    assert!(c.notes.iter().any(|n| n.contains("accuracy-percent")), "{:?}", c.notes);
    let none = CircuitFacts::default();
    assert_eq!(circuit(Told { facts: &none, ..told }), None);
    let alone = Probe { meter_resistance_ohm: None, ..p };
    let c = circuit(Told { probe: &alone, ..told }).unwrap();
    assert!(c.notes.iter().any(|n| n.contains("does not pull down")), "{:?}", c.notes);
}

#[test]
fn a_plateau_is_told_in_a_word_only_where_the_uncertainty_allows() {
    let place = |volts: f64, percent: f64| {
        let p = Probe { accuracy_percent: Some(percent), ..Probe::default() };
        let facts = CircuitFacts {
            direct_reading_v: Some(volts),
            plateau_v: Some([380.0, 480.0]),
            plateau_slope_percent_per_100v: Some(8.0),
            ..CircuitFacts::default()
        };
        circuit(Told { probe: &p, supply_v: None, resistor_ohm: None, facts: &facts })
            .unwrap()
            .plateau
            .unwrap()
    };
    let on = place(455.0, 0.5);
    assert_eq!(on.place, PlateauPlace::On);
    assert!((on.along_percent.unwrap().value - 75.0).abs() < 1e-9);
    // 25 V above the middle at 8 per cent per 100 V: 2 per cent.
    let change = on.rate_change_percent.unwrap();
    assert!((change.value - 2.0).abs() < 1e-9, "{change:?}");
    assert!((change.u.unwrap() - 0.08 * 455.0 * 0.005 / 3f64.sqrt()).abs() < 1e-6);
    assert_eq!(place(350.0, 0.5).place, PlateauPlace::Below);
    assert_eq!(place(520.0, 0.5).place, PlateauPlace::Above);
    assert_eq!(place(480.0, 0.5).place, PlateauPlace::CannotTell);
    assert_eq!(place(430.0, 30.0).place, PlateauPlace::CannotTell);
    assert_eq!(place(520.0, 0.5).rate_change_percent, None);
}

#[test]
fn a_contradiction_is_told() {
    let p = Probe {
        meter_resistance_ohm: Some(METER),
        accuracy_percent: Some(0.5),
        ..Probe::default()
    };
    let facts = CircuitFacts {
        direct_reading_v: Some(300.0),
        supply_accuracy_percent: Some(1.0),
        series_resistor_tolerance_percent: Some(5.0),
        ..CircuitFacts::default()
    };
    let c =
        circuit(Told { probe: &p, supply_v: Some(200.0), resistor_ohm: Some(1e6), facts: &facts })
            .unwrap();
    assert!(c.notes.iter().any(|n| n.contains("contradict")), "{:?}", c.notes);
}
