//! A tube's circuit in words, the same on the terminal and on the page.

use super::format;
use crate::Measured;
use crate::bench::{Circuit, Plateau, PlateauPlace, Quantity};

/// Digits of a value whose uncertainty is not known: those of a pocket meter (common practice, no
/// published source).
const DIGITS: usize = 3;

/// A quantity times `scale`, with its uncertainty where that is known.
fn scaled(q: Quantity, scale: f64) -> String {
    match q.u {
        Some(u) if u > 0.0 => format::measured(Measured::new(q.value * scale, u * scale)),
        _ => format::plain(format::significant(q.value * scale, DIGITS)),
    }
}

/// Volts.
pub fn volts(q: Quantity) -> String {
    format!("{} V", scaled(q, 1.0))
}

/// A current in the unit that keeps the number readable.
pub fn amperes(q: Quantity) -> String {
    let (scale, unit) = match q.value.abs() {
        a if a >= 1.0 => (1.0, "A"),
        a if a >= 1e-3 => (1e3, "mA"),
        _ => (1e6, "µA"),
    };
    format!("{} {unit}", scaled(q, scale))
}

/// A resistance.
fn ohms(q: Quantity) -> String {
    let (scale, unit) = match q.value {
        r if r >= 1e9 => (1e-9, "GΩ"),
        r if r >= 1e6 => (1e-6, "MΩ"),
        _ => (1e-3, "kΩ"),
    };
    format!("{} {unit}", scaled(q, scale))
}

/// The place on a plateau in one line.
pub fn plateau(p: &Plateau) -> String {
    let mut out = p.place.words().to_string();
    if let (PlateauPlace::On, Some(along)) = (p.place, p.along_percent) {
        out = format!("on it, {} % along", scaled(along, 1.0));
    }
    if let Some(change) = p.rate_change_percent {
        let sign = if change.value > 0.0 { "+" } else { "" };
        out += &format!("; rate {sign}{} % against its middle", scaled(change, 1.0));
    }
    out
}

/// Everything that the circuit comes to, name and value with unit.
pub fn facts(c: &Circuit) -> Vec<(String, String)> {
    let mut out = Vec::new();
    let mut put = |name: &str, what: Option<String>| {
        out.extend(what.map(|w| (name.to_string(), w)));
    };
    put("factor of the probe", c.probe_factor.map(|q| scaled(q, 1.0)));
    put("resistance of probe and meter", c.probe_resistance_ohm.map(ohms));
    put("voltage across the tube, with the meter on", c.tube_voltage_v.map(volts));
    put("voltage without the meter, if the tube draws nothing", c.unloaded_voltage_v.map(volts));
    put("current through the tube", c.current_a.map(amperes));
    put("largest current that supply and resistor allow", c.largest_current_a.map(amperes));
    let range = |p: &Plateau| format!("{} to {} V: {}", p.from_v, p.to_v, plateau(p));
    put("stated plateau", c.plateau.as_ref().map(range));
    put("answers to ultraviolet", c.responds_to_ultraviolet.map(|r| r.words().into()));
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::UltravioletResponse;

    #[test]
    fn quantities_have_units_and_no_more_digits_than_are_known() {
        let q = |value, u| Quantity { value, u };
        assert_eq!(volts(q(391.237, Some(2.31))), "391.2 ± 2.3 V");
        assert_eq!(volts(q(391.237, None)), "391 V");
        assert_eq!(amperes(q(3.02e-6, Some(0.11e-6))), "3.02 ± 0.11 µA");
        assert_eq!(amperes(q(4.2e-3, None)), "4.2 mA");
        assert_eq!(ohms(q(1.01e9, None)), "1.01 GΩ");
    }

    #[test]
    fn what_is_not_known_is_not_listed() {
        let c = Circuit {
            responds_to_ultraviolet: Some(UltravioletResponse::NotTried),
            ..Circuit::default()
        };
        assert_eq!(facts(&c), [("answers to ultraviolet".to_string(), "not tried".to_string())]);
    }
}
