//! The whole way from bytes to a spectrum.

use super::*;
use crate::{AxisKind, Mask};
use encoding_rs::WINDOWS_1252;
use proptest::prelude::*;

fn import(text: &str) -> Result<Spectrum> {
    read_bytes(text.as_bytes(), Path::new("box/tube 7.csv"), &ImportSettings::default())
}

fn good(text: &str) -> Spectrum {
    import(text).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

fn sentence(text: &str) -> String {
    import(text).expect_err(text).to_string()
}

fn with_columns(text: &str, columns: &str) -> Result<Spectrum> {
    let settings = ImportSettings { columns: Some(columns.into()), ..Default::default() };
    read_bytes(text.as_bytes(), Path::new("a.csv"), &settings)
}

fn noted(s: &Spectrum, part: &str) -> bool {
    s.provenance.notes.iter().any(|n| n.contains(part))
}

/// Rows `n` = 0, 1, ... each from its number, below a head.
fn rows(head: &str, row: impl Fn(usize) -> String) -> String {
    (0..20).fold(head.to_string(), |t, i| t + &row(i) + "\n")
}

#[test]
fn the_origin_is_kept() {
    let text =
        rows("# Tube: no. 7\ngain=2\nScans\t5\nhello\nWavelength (nm);Counts (ADU)\n", |i| {
            format!("{}.5;{}", 400 + i, i * i)
        }) + "end of data\n";
    let s = good(&text);
    assert_eq!(s.axis().kind(), AxisKind::Nm);
    assert_eq!((s.len(), s.x()[1], s.counts()[3]), (20, 401.5, 9.0));
    assert_eq!((s.provenance.name.as_str(), s.unit.as_str()), ("tube 7", "ADU"));
    let pair = |a: &str, b: &str| (a.to_string(), b.to_string());
    assert_eq!(
        s.provenance.metadata,
        [
            pair("Tube", "no. 7"),
            pair("gain", "2"),
            pair("Scans", "5"),
            pair("", "hello"),
            pair("", "end of data")
        ]
    );
    assert!(noted(&s, "Separator: semicolon; decimal point"));
    assert!(noted(&s, "column 1 (`Wavelength (nm)`)"));
    assert!(noted(&s, "6 lines are not data (1 of headings); the data start on line 6"));
    assert!(!s.provenance.reversed);
}

#[test]
fn the_digest_is_that_of_the_bytes() {
    // FIPS 180-2, appendix B.1: the message `abc`.
    let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(build::sha256(b"abc"), expected);
    let text = rows("", |i| format!("{i},{i}"));
    assert_eq!(good(&text).provenance.sha256.unwrap(), build::sha256(text.as_bytes()));
}

#[test]
fn axis_kind_by_heading_and_by_values() {
    let kind = |head: &str, from: usize, step: f64| {
        good(&rows(head, |i| format!("{} {}", from as f64 + step * i as f64, i % 3))).axis().kind()
    };
    assert_eq!(kind("", 0, 1.0), AxisKind::Pixel);
    assert_eq!(kind("", 1, 1.0), AxisKind::Pixel);
    assert_eq!(kind("", 300, 1.0), AxisKind::Nm);
    assert_eq!(kind("", 300, 0.4), AxisKind::Nm);
    assert_eq!(kind("pixel counts\n", 300, 1.0), AxisKind::Pixel);
    assert_eq!(kind("nm counts\n", 300, 1.0), AxisKind::Nm);
    assert!(
        sentence(&rows("", |i| format!("{} {}", 5000 + i, i))).contains("neither pixels from 0")
    );
}

#[test]
fn other_lengths_become_nm() {
    for (head, scale) in [("Wavelength (µm)", 1e-3), ("Wavelength [Å]", 10.0), ("lambda (m)", 1e-9)]
    {
        let text =
            rows(&format!("{head};Counts\n"), |i| format!("{:e};{}", (400 + i) as f64 * scale, i));
        let s = good(&text);
        assert!((s.x()[3] - 403.0).abs() < 1e-9, "{head}: {}", s.x()[3]);
        assert!(noted(&s, "turned into nm"));
    }
    let text = rows("Wavenumber (cm-1);Counts\n", |i| format!("{};{i}", 20000 + i));
    assert!(sentence(&text).contains("over wavelength in nm"));
}

#[test]
fn a_falling_axis_is_turned_round() {
    let s = good(&rows("nm;counts\n", |i| format!("{};{i}", 500 - i)));
    assert!(s.provenance.reversed && noted(&s, "turned round"));
    assert_eq!((s.x()[0], s.counts()[0]), (481.0, 19.0));
}

#[test]
fn an_axis_that_turns_back_is_refused_with_its_line() {
    let text = rows("nm;counts\n", |i| format!("{};{i}", if i == 9 { 405 } else { 400 + i }));
    let text = sentence(&text);
    assert!(text.contains("line 11") && text.contains("from 408 to 405"), "{text}");
    let text = rows("nm;counts\n", |i| format!("{};{i}", if i == 9 { 495 } else { 500 - i }));
    let text = sentence(&text);
    assert!(text.contains("line 11") && text.contains("from 492 to 495"), "{text}");
}

#[test]
fn repeated_axis_values_are_averaged_if_few() {
    let s = good(&rows("nm;counts\n", |i| format!("{};{i}", if i == 9 { 408 } else { 400 + i })));
    assert_eq!((s.len(), s.counts()[8]), (19, 8.5));
    assert!(noted(&s, "1 points repeated"));
    let text = sentence(&rows("nm;counts\n", |i| format!("{};{i}", 400 + i / 2)));
    assert!(text.contains("10 of 20 points repeat"), "{text}");
}

#[test]
fn cells_without_a_count_are_dead_points() {
    let words = ["nan", "NaN", "-", "", "inf", "-inf", "N/A"];
    let text = rows("nm;counts\n", |i| {
        format!("{};{}", 400 + i, words.get(i).map_or_else(|| i.to_string(), |w| w.to_string()))
    });
    let s = good(&text);
    assert_eq!(s.mask().iter().filter(|m| m.has(Mask::DEAD)).count(), words.len());
    assert!(noted(&s, "7 of 20 points have no count"));
    assert!(
        sentence(&rows("nm;counts\n", |i| format!("{};nan", 400 + i))).contains("no point has")
    );
    let s = good(&rows("nm;counts\n", |i| {
        if i == 4 { "nan;7".into() } else { format!("{};{i}", 400 + i) }
    }));
    assert!(s.len() == 19 && noted(&s, "1 rows have no axis value"));
}

#[test]
fn counts_without_signal_are_refused() {
    assert!(sentence(&rows("", |i| format!("{i},0"))).contains("all counts are zero"));
    assert!(sentence(&rows("", |i| format!("{i},65535"))).contains("same value, 65535"));
    let few = "nm,counts\n400,1\n401,2\n402,3\n";
    assert!(sentence(few).contains("only 3 data points, and at least 8"));
}

#[test]
fn one_column_is_refused() {
    for text in [rows("", |i| i.to_string()), rows("Counts\n", |i| format!("{i}.5"))] {
        assert!(sentence(&text).contains("add a column of pixel numbers or wavelengths"));
    }
    let decimal_comma = sentence(&rows("Counts\n", |i| format!("{},5", 100 + i)));
    assert!(decimal_comma.contains("column"), "{decimal_comma}");
}

#[test]
fn repeats_are_averaged_with_their_standard_error() {
    let s = good(&rows("nm;scan 1;scan 2;scan 3\n", |i| {
        format!("{};{};{};{}", 400 + i, 10 * i, 10 * i + 3, 10 * i + 6)
    }));
    assert_eq!(s.counts()[2], 23.0);
    // Standard deviation 3 over √3 readings, and whole counts rounded: 1/√12 over √3.
    let expected = (3.0f64 + 1.0 / 36.0).sqrt();
    assert!((s.sigma().unwrap()[2] - expected).abs() < 1e-12);
    assert!(noted(&s, "mean of 3 columns"));
}

#[test]
fn a_column_of_uncertainties_is_used_and_a_dark_column_is_not() {
    let text = rows("nm;counts;dark;sigma\n", |i| format!("{};{};5;{}", 400 + i, i, 1 + i));
    let s = good(&text);
    assert_eq!((s.counts()[2], s.sigma().unwrap()[2]), (2.0, 3.0));
    assert!(noted(&s, "dark readings in column 3 (`dark`) were not subtracted"));
}

#[test]
fn columns_by_heading_whatever_their_order() {
    let s = good(&rows("Intensität;Wellenlänge [nm]\n", |i| format!("{i},5;{},25", 400 + i)));
    assert_eq!((s.x()[1], s.counts()[1]), (401.25, 1.5));
    let s =
        good(&rows("Pixel\tWavelength\tCounts\n", |i| format!("{i}\t{}.5\t{}", 400 + i, 7 * i)));
    assert_eq!((s.x()[1], s.counts()[1], s.axis().kind()), (401.5, 7.0, AxisKind::Nm));
    let s = good(&rows("pixel,intensity,truth_nm\n", |i| format!("{i},{},{}.5", 7 * i, 900 - i)));
    assert_eq!((s.counts()[1], s.axis().kind()), (7.0, AxisKind::Pixel));
    let s = good(&rows("", |i| format!("{i},{}.5,{}", 400 + i, 7 * i)));
    assert_eq!((s.x()[1], s.counts()[1]), (401.5, 7.0));
    let s = good(&rows("Wavelength\tIntensity\nnm\ta.u.\n", |i| format!("{}\t{i}", 400 + i)));
    assert_eq!((s.axis().kind(), s.unit.as_str()), (AxisKind::Nm, "a.u."));
    let s = good(&rows("# Wavelength (nm)   Counts\n", |i| format!("{} {i}", 10 + i)));
    assert_eq!(s.axis().kind(), AxisKind::Nm);
}

#[test]
fn doubtful_columns_are_refused_and_chosen_by_hand() {
    let text = rows("nm;neon;argon\n", |i| format!("{};{};{}", 400 + i, i, 2 * i));
    assert!(sentence(&text).contains("column 2 (`neon`), column 3 (`argon`) may be the counts"));
    assert_eq!(with_columns(&text, "axis=nm,counts=argon").unwrap().counts()[4], 8.0);
    assert_eq!(with_columns(&text, "1,2+3").unwrap().counts()[4], 6.0);
    let text = rows("", |i| format!("{},{},{}", 400 + i, i, 2 * i));
    assert!(sentence(&text).contains("3 columns of numbers and no headings"));
    assert_eq!(with_columns(&text, "1,3").unwrap().counts()[4], 8.0);
    let pixels = with_columns(&text, "pixel=1,counts=2").unwrap();
    assert_eq!(pixels.axis().kind(), AxisKind::Pixel);
}

#[test]
fn signs_for_thousands_are_refused() {
    let value = |i: usize| 100 + 97 * i;
    let group = |v: usize, sign: &str| {
        if v < 1000 { v.to_string() } else { format!("{}{sign}{:03}", v / 1000, v % 1000) }
    };
    for (sign, separator) in [(".", ";"), (",", ";"), ("'", ";"), (" ", "\t"), ("\u{202f}", ";")] {
        let text =
            rows("nm;counts\n", |i| format!("{}{separator}{}", 400 + i, group(value(i), sign)))
                .replace("nm;", &format!("nm{separator}"));
        let got = sentence(&text);
        assert!(got.contains("line 12") && got.contains("thousands"), "{sign:?}: {got}");
    }
    let both = rows("nm;counts\n", |i| format!("{},5;1.234,5", 400 + i));
    assert!(sentence(&both).contains("thousands"));
    // Averages of three readings, written with three decimals, are no thousands.
    let thirds =
        rows("nm;counts\n", |i| format!("{};{}", 400 + i, ["12.333", "13", "14.667"][i % 3]));
    assert_eq!(good(&thirds).counts()[2], 14.667);
}

#[test]
fn a_comma_for_columns_and_decimals_is_refused() {
    let text = rows("Wavelength,Counts\n", |i| format!("{},5,{},25", 400 + i, i));
    let got = sentence(&text);
    assert!(got.contains("separate columns and decimals alike"), "{got}");
    let quoted = rows("\"Wavelength\",\"Counts\"\n", |i| format!("\"{},5\",\"{i},25\"", 400 + i));
    assert_eq!(good(&quoted).counts()[3], 3.25);
}

#[test]
fn a_late_decimal_comma_is_still_seen() {
    let mut text = String::from("nm;counts\n");
    for i in 0..5000 {
        text += &format!("{};{}{}\n", 200 + i, i % 50, if i == 4001 { ",5" } else { "" });
    }
    let text = text.replace("nm;", "pixel;");
    assert_eq!(good(&text).counts()[4001], 1.5);
}

#[test]
fn remarks_between_and_after_are_kept_apart() {
    let s = good(
        &(rows("", |i| {
            let remark = if i % 6 == 5 { "\n\n# shutter: closed" } else { "" };
            format!("{} {}{remark}", 400 + i, i % 4)
        }) + "Points 20\n20 points\n"),
    );
    assert_eq!((s.len(), s.provenance.metadata.len()), (20, 5));
    let word = sentence(&rows("", |i| {
        format!("{},{}", 400 + i, if i == 9 { "over".into() } else { i.to_string() })
    }));
    assert!(word.contains("line 10") && word.contains("`over`"), "{word}");
    let wide = rows("", |i| format!("{} {}{}", 400 + i, i, if i == 9 { " 345" } else { "" }));
    assert!(sentence(&wide).contains("line 10"));
}

#[test]
fn limits_are_named() {
    let text = rows("", |i| format!("{i},{i}"));
    let with = |settings: ImportSettings| {
        read_bytes(text.as_bytes(), Path::new("a.csv"), &settings).unwrap_err().to_string()
    };
    let points = with(ImportSettings { max_points: 10, ..Default::default() });
    assert!(points.contains("line 11") && points.contains("more than 10 data points"), "{points}");
    let bytes = with(ImportSettings { max_bytes: 10, ..Default::default() });
    assert!(bytes.contains("limit of 10 bytes"), "{bytes}");
}

#[test]
fn files_that_are_none() {
    let folder = tempfile::tempdir().unwrap();
    let read = |p: &Path, s: &ImportSettings| read_file(p, s).unwrap_err().to_string();
    let default = ImportSettings::default();
    assert!(read(folder.path(), &default).contains("a folder"));
    assert!(read(&folder.path().join("none.csv"), &default).contains("cannot be read"));
    let file = folder.path().join("a.csv");
    let fails = |bytes: &[u8], settings: &ImportSettings| {
        std::fs::write(&file, bytes).unwrap();
        read(&file, settings)
    };
    assert!(fails(b"", &default).contains("empty"));
    assert!(fails(b"\x89PNG\r\n\x1a\n", &default).contains("PNG"));
    assert!(fails(&vec![b'7'; 3 * MAX_LINE_BYTES], &default).contains("longer than 1048576"));
    let short = ImportSettings { max_points: 10, ..Default::default() };
    let many = b"1,2\n".repeat(MAX_OTHER_LINES + 20);
    assert!(fails(&many, &short).contains("more than 10 data points"));
    let small = ImportSettings { max_bytes: 10, ..Default::default() };
    assert!(fails(b"1,2\n2,3\n3,4\n", &small).contains("limit of 10 bytes"));
}

#[test]
fn settings_are_read_strictly() {
    let s: ImportSettings = toml::from_str("columns = \"1,3\"\nmax-points = 5").unwrap();
    assert_eq!((s.columns.as_deref(), s.max_points), (Some("1,3"), 5));
    assert!(toml::from_str::<ImportSettings>("colums = \"1,3\"").is_err());
}

/// How a table is written.
#[derive(Debug, Clone)]
struct Habit {
    separator: &'static str,
    comma: bool,
    encoding: u8,
    line_end: &'static str,
    head: usize,
    heading: bool,
    falling: bool,
    footer: bool,
    quotes: bool,
}

fn habit() -> impl Strategy<Value = Habit> {
    let separator = prop::sample::select(vec![",", ";", "\t", " ", "   ", " \t ", ", ", " ; "]);
    let line_end = prop::sample::select(vec!["\n", "\r", "\r\n"]);
    let flags = (any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>());
    (separator, 0u8..7, line_end, 0usize..9, flags).prop_map(
        |(separator, encoding, line_end, head, f)| {
            let plain = separator.len() == 1 && separator != " ";
            let quotes = f.4 && plain;
            let comma = f.0 && (separator.trim() != "," || quotes);
            Habit {
                separator,
                comma,
                encoding,
                line_end,
                head,
                heading: f.1,
                falling: f.2,
                footer: f.3,
                quotes,
            }
        },
    )
}

/// A table in a habit.
fn written(h: &Habit, points: &[(f64, f64)]) -> Vec<u8> {
    const HEAD: [&str; 8] = [
        "# Größe der Röhre: 12 mm",
        "Integration time: 100 ms",
        "Gain=2",
        "",
        "hello world",
        "2048 16",
        "// Date\t2024-05-01 12:30:05",
        "% 5 readings",
    ];
    let mut lines: Vec<String> = HEAD.iter().take(h.head).map(|s| s.to_string()).collect();
    let cell = |v: f64| {
        let text = v.to_string();
        let text = if h.comma { text.replace('.', ",") } else { text };
        if h.quotes { format!("\"{text}\"") } else { text }
    };
    if h.heading {
        lines.push(["Wavelength_nm", "Counts"].join(h.separator));
    }
    let mut rows: Vec<String> =
        points.iter().map(|(x, y)| format!("{}{}{}", cell(*x), h.separator, cell(*y))).collect();
    if h.falling {
        rows.reverse();
    }
    lines.extend(rows);
    if h.footer {
        lines.push(String::new());
        lines.push("End of data".into());
    }
    let text = lines.join(h.line_end) + h.line_end;
    let wide = |bytes: fn(u16) -> [u8; 2], mark: bool| {
        let mark = mark.then_some(0xfeffu16);
        mark.into_iter().chain(text.encode_utf16()).flat_map(bytes).collect::<Vec<u8>>()
    };
    match h.encoding {
        0 => text.into_bytes(),
        1 => format!("\u{feff}{text}").into_bytes(),
        2 => wide(u16::to_le_bytes, true),
        3 => wide(u16::to_be_bytes, true),
        4 => wide(u16::to_le_bytes, false),
        5 => wide(u16::to_be_bytes, false),
        _ => WINDOWS_1252.encode(&text).0.into_owned(),
    }
}

/// A spectrum with an axis in the range of light; the first two counts differ, and one has
/// decimals that no thousands sign could have made.
fn points() -> impl Strategy<Value = Vec<(f64, f64)>> {
    prop::collection::vec((1u32..2000, -100_000i64..10_000_000), 8..120).prop_map(|steps| {
        let mut x = 200_000u32;
        let mut points: Vec<(f64, f64)> = steps
            .iter()
            .map(|(dx, y)| {
                x += dx;
                (f64::from(x) / 1000.0, *y as f64 / 100.0)
            })
            .collect();
        points[0].1 = points[1].1 + 1.25;
        points[0].0 = 200.0001;
        points
    })
}

proptest! {
    #[test]
    fn the_same_numbers_in_any_habit(h in habit(), points in points()) {
        let bytes = written(&h, &points);
        let s = read_bytes(&bytes, Path::new("a.csv"), &ImportSettings::default());
        let s = s.map_err(|e| TestCaseError::fail(format!("{e}")))?;
        let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        prop_assert_eq!(s.x(), &x[..]);
        prop_assert_eq!(s.counts(), &y[..]);
        prop_assert_eq!(s.provenance.reversed, h.falling);
        prop_assert_eq!(s.axis().kind(), AxisKind::Nm);
        // One line of the head is blank.
        let head = h.head.min(8);
        let kept = head - usize::from(head > 3) + usize::from(h.footer);
        prop_assert_eq!(s.provenance.metadata.len(), kept);
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = read_bytes(&bytes, Path::new("a.csv"), &ImportSettings::default());
    }

    #[test]
    fn random_tables_never_panic(text in "([0-9]{1,4}[.,;\t \"#naN-]{1,2}){0,60}(\n|\r)?([-0-9.,; \t\"\n\ra-f]{0,6}\n){0,80}") {
        if let Ok(s) = import(&text) {
            prop_assert!(s.len() >= MIN_POINTS);
            prop_assert!(s.counts().iter().all(|c| c.is_finite()));
        }
    }
}
