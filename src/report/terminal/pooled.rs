//! Pooled records.

use super::grid::{Column, grid};
use super::{Style, section};
use crate::bench::pool::{Counts, NumberReport, PoolReport, TypeReport, Unread};
use crate::report::format::{self, NONE};

/// Lines that are listed, those with most instruments first.
const MOST_LINES: usize = 20;

/// A pool: what was read, what each sort of thing holds, and where the instruments stand.
pub fn pooled(r: &PoolReport, style: &Style) -> String {
    let width = style.columns();
    let mut out = read(&r.counts, width);
    for t in &r.types {
        out.push('\n');
        out += &kind(t, width);
    }
    if !r.instruments.is_empty() {
        out.push('\n');
        out += &instruments(r, width);
    }
    if !r.lines.is_empty() {
        out.push('\n');
        out += &lines(r, width);
    }
    out
}

fn read(c: &Counts, width: usize) -> String {
    let mut out = format!(
        "{} read: {} pooled, {} without an answer among them\n",
        format::counted(c.documents as usize, "document", "documents"),
        c.pooled,
        c.failed
    );
    let mut said = Vec::new();
    if c.older_layout > 0 {
        said.push(format!(
            "{} of an older layout: what it lacks counts as not told",
            c.older_layout
        ));
    }
    if c.duplicates > 0 {
        said.push(format!("{} met again, byte for byte, and counted once", c.duplicates));
    }
    if c.replaced > 0 {
        said.push(format!(
            "{} of a recording and item that another record tells of: that of the newest program entered",
            c.replaced
        ));
    }
    for u in &c.unread {
        let why = match u.why {
            Unread::Damaged => "damaged",
            Unread::Older => "of a layout that is too old to be read",
            Unread::Newer => "of a newer layout: pool them with a newer program",
            Unread::NoRecord => "no record",
        };
        let more = if u.count as usize > u.first.len() { " and more" } else { "" };
        said.push(format!("{} {why}: {}{more}", u.count, u.first.join(", ")));
    }
    section(&mut out, "Not all entered as they are", said.iter().map(String::as_str), width);
    out
}

fn kind(t: &TypeReport, width: usize) -> String {
    let what = match (t.kind.as_str(), t.light) {
        ("", false) => "tubes whose type is not told".to_string(),
        ("", true) => "lights whose type is not told".to_string(),
        (name, false) => name.to_string(),
        (name, true) => format!("{name} (light)"),
    };
    let mut out = format!(
        "{what}: {}, {}",
        format::counted(t.records as usize, "record", "records"),
        format::counted(t.instruments, "instrument", "instruments")
    );
    if t.instrument_pairs > 0 {
        out += &format!(
            "; {} of {} see the same gases",
            t.agreeing_pairs,
            format::counted(
                t.instrument_pairs as usize,
                "pair of instruments",
                "pairs of instruments"
            )
        );
    }
    out.push('\n');
    let columns = [
        ("gas", Column::Word),
        ("seen", Column::Number),
        ("likely", Column::Number),
        ("undecided", Column::Number),
        ("not seen", Column::Number),
        ("out of reach", Column::Number),
        ("shows it, of those that decide (95 %)", Column::Number),
    ];
    let rows: Vec<Vec<String>> = t
        .gases
        .iter()
        .filter(|g| g.seen + g.likely > 0)
        .map(|g| {
            vec![
                g.gas.clone(),
                g.seen.to_string(),
                g.likely.to_string(),
                g.undecided.to_string(),
                g.not_seen.to_string(),
                g.out_of_reach.to_string(),
                g.interval.map_or(NONE.into(), |[a, b]| {
                    format!("{:.0} to {:.0} %", 100.0 * a, 100.0 * b)
                }),
            ]
        })
        .collect();
    if !rows.is_empty() {
        out += &grid(&columns, rows, width);
    }
    if !t.numbers.is_empty() {
        out += &numbers(&t.numbers, width);
    }
    let u = &t.ultraviolet;
    if u.yes + u.no + u.not_tried > 0 {
        let gases: Vec<String> = t
            .ultraviolet_by_gas
            .iter()
            .map(|(gas, yes, no)| format!("{gas} {yes} of {}", yes + no))
            .collect();
        let of = if gases.is_empty() {
            String::new()
        } else {
            format!("; by gas: {}", gases.join(", "))
        };
        out += &format!(
            "answers to ultraviolet: {} yes, {} no, {} not tried, {} not told{of}\n",
            u.yes, u.no, u.not_tried, u.not_told
        );
    }
    out
}

fn numbers(list: &[NumberReport], width: usize) -> String {
    let columns = [
        ("number", Column::Word),
        ("values", Column::Number),
        ("missing", Column::Number),
        ("median", Column::Number),
        ("spread", Column::Number),
        ("mean (random effects)", Column::Number),
        ("I²", Column::Number),
        ("odd", Column::Text),
    ];
    let rows = list
        .iter()
        .map(|n| {
            let odd: Vec<String> = n
                .odd
                .iter()
                .map(|o| format!("{} {}", o.item, format::plain(format::significant(o.value, 4))))
                .collect();
            vec![
                n.name.clone(),
                n.values.to_string(),
                n.missing.to_string(),
                format::plain(format::significant(n.median, 5)),
                if n.sigma > 0.0 {
                    format::plain(format::significant(n.sigma, 2))
                } else {
                    NONE.into()
                },
                n.mean
                    .as_ref()
                    .map_or(NONE.into(), |m| format::measured(crate::Measured::new(m.mean, m.u))),
                n.mean.as_ref().map_or(NONE.into(), |m| format!("{:.0} %", 100.0 * m.i_squared)),
                if odd.is_empty() { NONE.into() } else { odd.join(", ") },
            ]
        })
        .collect();
    grid(&columns, rows, width)
}

fn instruments(r: &PoolReport, width: usize) -> String {
    let columns = [
        ("instrument", Column::Word),
        ("records", Column::Number),
        ("lines", Column::Number),
        ("measured less tabulated, nm", Column::Number),
        ("p", Column::Number),
        ("", Column::Text),
    ];
    let rows = r
        .instruments
        .iter()
        .map(|i| {
            vec![
                if i.name.is_empty() { "not told".into() } else { i.name.clone() },
                i.records.to_string(),
                i.lines.to_string(),
                format::measured(crate::Measured::new(i.offset_nm, i.u_nm)),
                format::probability(i.adjusted_p),
                if i.stands_off { "stands off".into() } else { String::new() },
            ]
        })
        .collect();
    grid(&columns, rows, width)
}

fn lines(r: &PoolReport, width: usize) -> String {
    let columns = [
        ("line", Column::Word),
        ("nm (air)", Column::Number),
        ("recordings", Column::Number),
        ("instruments", Column::Number),
        ("measured less tabulated, nm", Column::Number),
        ("spread, nm", Column::Number),
    ];
    let mut all: Vec<_> = r.lines.iter().collect();
    all.sort_by_key(|l| std::cmp::Reverse((l.instruments, l.values)));
    let rows = all
        .iter()
        .take(MOST_LINES)
        .map(|l| {
            vec![
                l.species.clone(),
                format::nm(l.table_nm),
                l.values.to_string(),
                l.instruments.to_string(),
                format::decimals(l.off_nm, 3),
                format::decimals(l.spread_nm, 3),
            ]
        })
        .collect();
    let mut out = grid(&columns, rows, width);
    if all.len() > MOST_LINES {
        out += &format!("and {} more lines in the JSON\n", all.len() - MOST_LINES);
    }
    out
}
