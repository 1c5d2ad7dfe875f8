//! Circuits of tubes.

use super::grid::{Column, grid};
use super::{Style, notes_by};
use crate::bench::{Circuit, Quantity};
use crate::report::circuit::{amperes, plateau, volts};
use crate::report::format::{self, NONE};

/// Circuits of many tubes, one row each; empty where there is none.
pub fn circuits(list: &[(&str, &Circuit)], style: &Style) -> String {
    if list.is_empty() {
        return String::new();
    }
    let or_none = |q: Option<Quantity>, words: fn(Quantity) -> String| q.map_or(NONE.into(), words);
    let columns = [
        ("circuit of", Column::Word),
        ("across the tube", Column::Text),
        ("without the meter", Column::Text),
        ("current", Column::Text),
        ("at most", Column::Text),
        ("on the stated plateau", Column::Text),
        ("answers to UV", Column::Text),
    ];
    let row = |(name, c): &(&str, &Circuit)| {
        vec![
            name.to_string(),
            or_none(c.tube_voltage_v, volts),
            or_none(c.unloaded_voltage_v, volts),
            or_none(c.current_a, amperes),
            or_none(c.largest_current_a, amperes),
            c.plateau.as_ref().map_or(NONE.into(), plateau),
            c.responds_to_ultraviolet.map_or(NONE.into(), |r| r.words().into()),
        ]
    };
    let mut out = grid(&columns, list.iter().map(row).collect(), style.columns());
    let factor = list.iter().find_map(|(_, c)| c.probe_factor);
    if let Some(f) = factor {
        let words = match f.u {
            Some(u) => format::measured(crate::Measured::new(f.value, u)),
            None => format::plain(format::significant(f.value, 4)),
        };
        out += &format!("Factor of the probe: {words}\n");
    }
    let all = list.iter().flat_map(|(n, c)| c.notes.iter().map(move |t| (*n, t.as_str())));
    out += &notes_by("Notes on the circuits", all, style);
    out
}
