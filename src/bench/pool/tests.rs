use super::*;
use crate::gases::Verdict;
use proptest::prelude::*;
use std::io::Cursor;

/// A made-up row; what it says depends on `k` alone.
fn row(k: u32) -> Row {
    let dice = |m: u32| (k.wrapping_mul(2_654_435_761) >> 7) % m;
    let shown = [Verdict::Seen, Verdict::Likely, Verdict::Undecided, Verdict::NotSeen];
    Row {
        format: ROW_FORMAT.into(),
        row_version: ROW_VERSION,
        schema_version: 3,
        program_version: "0.1.0".into(),
        digest: format!("{k:064x}"),
        input: Some(format!("{:064x}", k + 1000)),
        item: format!("T{k}"),
        light: false,
        kind: if dice(4) == 0 { String::new() } else { "counter tube".into() },
        instrument: format!("club {}", dice(6)),
        failed: dice(11) == 0,
        gases: [
            ("Ne".to_string(), shown[dice(2) as usize]),
            ("Br".into(), shown[dice(4) as usize]),
        ]
        .into(),
        lines: (0..8)
            .map(|l| RowLine {
                species: "Ne I".into(),
                table_nm: 600.0 + f64::from(l),
                off_nm: f64::from(dice(6)) * 0.01 + f64::from(dice(97) % 5) * 1e-3,
            })
            .collect(),
        numbers: [(
            "tube_voltage_v".to_string(),
            RowNumber {
                value: 400.0 + f64::from(dice(31)),
                u: (dice(5) > 0).then(|| 1.0 + f64::from(dice(3))),
            },
        )]
        .into(),
        ultraviolet: ["yes", "no", "not-tried", ""][dice(4) as usize].into(),
    }
}

fn text(rows: &[Row]) -> String {
    rows.iter().map(|r| serde_json::to_string(r).unwrap() + "\n").collect()
}

fn pooled(text: &str) -> Result<PoolReport> {
    let mut from = Cursor::new(text.as_bytes().to_vec());
    pool(vec![Source::Lines(&mut from)], [2, 3], &mut |_| Ok(()), &mut |_| {})
}

#[test]
fn counts_are_complete() {
    let mut rows: Vec<Row> = (0..40).map(row).collect();
    rows.push(row(7));
    // Another record of the same recording and item, by a newer program.
    rows.push(Row { digest: "f".repeat(64), program_version: "0.2.0".into(), ..row(8) });
    let bad = "{\"format\":\"glowtell-record\",\"schema_version\":1}\n{\"format\":\"glowtell-record\",\
               \"schema_version\":99}\n{broken\n[1,2]\n{\"format\":\"glowtell-row\",\"row_version\":9}\n\n\
               {\"format\":\"glowtell-record\",\"schema_version\":3,\"peaks\":7}\n";
    let r = pooled(&(text(&rows) + bad)).unwrap();
    let c = &r.counts;
    assert_eq!((c.documents, c.pooled, c.duplicates, c.replaced), (48, 40, 1, 1));
    let unread: Vec<(Unread, u64)> = c.unread.iter().map(|u| (u.why, u.count)).collect();
    use Unread::*;
    assert_eq!(unread, [(Damaged, 2), (Older, 1), (Newer, 2), (NoRecord, 1)]);
    assert_eq!(
        c.unread.iter().map(|u| u.count).sum::<u64>() + c.pooled + c.duplicates + c.replaced,
        c.documents
    );
    let of_kind: u64 = r.types.iter().map(|t| t.records).sum();
    assert_eq!(of_kind, 40);
    for t in &r.types {
        let u = &t.ultraviolet;
        assert_eq!(u.yes + u.no + u.not_tried + u.not_told, t.records);
        for g in &t.gases {
            assert_eq!(g.seen + g.likely + g.undecided + g.not_seen + g.out_of_reach, t.records);
        }
        for n in &t.numbers {
            assert_eq!(n.values + n.missing, t.records);
        }
    }
}

#[test]
fn an_instrument_that_is_off_and_a_value_that_is_odd_are_named() {
    let mut rows: Vec<Row> = (0..60).map(row).collect();
    for r in &mut rows {
        let off = if r.instrument == "club 3" { 0.4 } else { 0.0 };
        for (k, l) in r.lines.iter_mut().enumerate() {
            l.off_nm = off + 0.004 * (k as f64 - 3.5);
        }
    }
    rows[5].numbers.get_mut("tube_voltage_v").unwrap().value = 4000.0;
    let r = pooled(&text(&rows)).unwrap();
    let off: Vec<&str> =
        r.instruments.iter().filter(|i| i.stands_off).map(|i| i.name.as_str()).collect();
    assert_eq!(off, ["club 3"]);
    let odd: Vec<&str> = r
        .types
        .iter()
        .flat_map(|t| &t.numbers)
        .flat_map(|n| &n.odd)
        .map(|o| o.item.as_str())
        .collect();
    assert_eq!(odd, ["T5"]);
}

#[test]
fn no_record_at_all_is_refused() {
    let e = pooled("[]\n{}\n").unwrap_err().to_string();
    assert!(e.contains("none of 2 documents"), "{e}");
}

#[test]
fn a_line_without_end_is_passed_over() {
    let long = format!("{}\n", "x".repeat(MOST_BYTES as usize + 10));
    let r = pooled(&(text(&[row(1)]) + &long + &text(&[row(2)]))).unwrap();
    assert_eq!((r.counts.pooled, r.counts.unread[0].count), (2, 1));
    let nested = format!("{}\n", "[".repeat(100_000));
    let r = pooled(&(text(&[row(1)]) + &nested)).unwrap();
    assert_eq!((r.counts.pooled, r.counts.unread[0].count), (1, 1));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn order_and_splitting_change_nothing(order in Just((0..50u32).collect::<Vec<_>>()).prop_shuffle()) {
        let all: Vec<Row> = (0..50).map(row).collect();
        let shuffled: Vec<Row> = order.iter().map(|k| row(*k)).collect();
        let plain = pooled(&text(&all)).unwrap();
        prop_assert_eq!(&pooled(&text(&shuffled)).unwrap(), &plain);
        // Two machines in short, pooled again.
        let short = |part: &[Row]| {
            let mut out = Vec::new();
            let mut from = Cursor::new(text(part).into_bytes());
            pool(vec![Source::Lines(&mut from)], [2, 3], &mut |r| { out.push(r.clone()); Ok(()) }, &mut |_| {}).unwrap();
            text(&out)
        };
        let halves = short(&shuffled[..20]) + &short(&shuffled[20..]);
        prop_assert_eq!(&pooled(&halves).unwrap(), &plain);
    }
}
