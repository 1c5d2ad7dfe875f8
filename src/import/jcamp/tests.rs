use super::super::{ImportSettings, read_bytes};
use crate::{AxisKind, Spectrum};
use proptest::prelude::*;
use std::path::Path;

/// The published worked example: R. S. McDonald and P. A. Wilks, Appl. Spectrosc. 42, 151 (1988),
/// table VII, ten ordinates 1 2 3 3 2 1 0 -1 -2 -3 in each form. As data lines the first ordinate
/// is in value form, and the difference forms repeat the last ordinate on a line of its own.
const FORMS: [(&str, &str); 5] = [
    ("AFFN", "400 1 2 3 3 2 1 0 -1 -2 -3\n"),
    ("PAC", "400+1+2+3+3+2+1+0-1-2-3\n"),
    ("SQZ", "400ABCCBA@abc\n"),
    ("DIF", "400AJJ%jjjjjj\n409c\n"),
    ("DIFDUP", "400AJT%jX\n409c\n"),
];
const ORDINATES: [f64; 10] = [1.0, 2.0, 3.0, 3.0, 2.0, 1.0, 0.0, -1.0, -2.0, -3.0];

fn file(data: &str) -> String {
    format!(
        "##TITLE= worked example\n##JCAMP-DX= 4.24 $$ a comment\n##DATA TYPE= UV/VIS SPECTRUM\n\
         ##XUNITS= NANOMETERS\n##YUNITS= ARBITRARY UNITS\n##XFACTOR= 1\n##YFACTOR= 1\n\
         ##FIRSTX= 400\n##LASTX= 409\n##NPOINTS= 10\n##FIRSTY= 1\n##XYDATA= (X++(Y..Y))\n\
         {data}##END=\n"
    )
}

fn try_read(text: &str) -> crate::Result<Spectrum> {
    read_bytes(text.as_bytes(), Path::new("a.jdx"), &ImportSettings::default())
}

fn read(text: &str) -> Spectrum {
    try_read(text).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

fn refused(text: &str) -> String {
    try_read(text).unwrap_err().to_string()
}

#[test]
fn the_published_example_in_every_form() {
    for (form, data) in FORMS {
        let s = read(&file(data));
        assert_eq!(s.counts(), ORDINATES, "{form}");
        assert_eq!(s.x(), (400..410).map(f64::from).collect::<Vec<_>>(), "{form}");
        assert_eq!(s.axis().kind(), AxisKind::Nm);
        assert_eq!(s.unit, "arbitrary units");
        assert_eq!(s.provenance.name, "a");
    }
    // Repetitions, from the same table: 50V is four times 50, as is 50%U.
    let fifty = file("400E0V+1+1+2+3+4+5\n").replace("##FIRSTY= 1\n", "");
    assert_eq!(read(&fifty).counts()[..4], [50.0; 4]);
    let fifty = file("400E0%UJJJJJJ\n409E6\n").replace("##FIRSTY= 1\n", "");
    assert_eq!(read(&fifty).counts()[..5], [50.0, 50.0, 50.0, 50.0, 51.0]);
}

#[test]
fn a_file_of_another_writer() {
    // Written by the Python library jcamp 1.3.2; it reads the pairs that are written here alike.
    let bytes = include_bytes!("../../../tests/files/other.jdx");
    let s = read_bytes(bytes, Path::new("other.jdx"), &ImportSettings::default()).unwrap();
    assert_eq!(s.x(), (400..420).map(f64::from).collect::<Vec<_>>());
    let digits = [3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8, 9, 7, 9, 3, 2, 3, 8, 4];
    assert_eq!(s.counts(), digits.map(f64::from));
}

#[test]
fn check_values_are_checked() {
    assert!(refused(&file("400AJJ%jjjjjj\n409d\n")).contains("check value"));
    // Two lines, with a line between them lost.
    let e = refused(
        &file("400ABC\n407abc\n")
            .replace("NPOINTS= 10", "NPOINTS= 6")
            .replace("##LASTX= 409", "##DELTAX= 1"),
    );
    assert!(e.contains("line 14") && e.contains("407"), "{e}");
    assert!(refused(&file("400ABCC\n")).contains("says 10 points, but the table holds 4"));
    let s = read(&file("400ABCCBA@abc\n").replace("FIRSTY= 1", "FIRSTY= 7"));
    assert!(s.provenance.notes.iter().any(|n| n.contains("##FIRSTY= says 7")));
    assert!(refused(&file("400ABC&\n")).contains("line 13"));
    assert!(refused(&file("400J\n")).contains("begins with a difference"));
    assert!(refused(&file("400T\n")).contains("begins with a repetition"));
}

#[test]
fn factors_comments_and_odd_spelling() {
    let text = file("800 10 20 30 $$ lines may have comments\n806 30 20 10 0 -10\n816 -20 ?\n")
        .replace("##XFACTOR= 1", "##X_FACTOR= 0.5")
        .replace("##YFACTOR= 1", "##Y-FACTOR=1.0E-01")
        .replace("##FIRSTX", "##first x");
    let s = read(&text);
    assert_eq!(s.counts()[..4], [1.0, 2.0, 3.0, 3.0]);
    assert!(s.mask()[9].has(crate::Mask::DEAD));
    assert_eq!(s.x()[9], 409.0);
}

#[test]
fn units_of_the_axis() {
    let um = file("400ABCCBA@abc\n").replace("NANOMETERS", "MICROMETERS");
    let um = um.replace("##XFACTOR= 1", "##XFACTOR= 0.001");
    let um = um.replace("FIRSTX= 400", "FIRSTX= 0.400").replace("LASTX= 409", "LASTX= 0.409");
    let s = read(&um);
    assert!((s.x()[9] - 409.0).abs() < 1e-9 && (s.x()[0] - 400.0).abs() < 1e-9);
    // 18307.4 to 18316.4 1/cm in vacuum: 546.22 to 545.96 nm, less 0.15 nm in air.
    let cm = file("18307.4ABCCBA@abc\n").replace("NANOMETERS", "1/CM");
    let cm = cm.replace("FIRSTX= 400", "FIRSTX= 18307.4").replace("LASTX= 409", "LASTX= 18316.4");
    let s = read(&cm);
    assert!(s.provenance.reversed);
    // The green line of mercury, 18307.478 1/cm is 546.075 nm in air (NIST, from memory).
    assert!((s.x()[9] - 546.077).abs() < 0.002, "{}", s.x()[9]);
    assert_eq!(s.counts()[9], 1.0);
    assert!(s.provenance.notes.iter().any(|n| n.contains("1/cm")));
    let e = refused(&file("400ABCCBA@abc\n").replace("NANOMETERS", "SECONDS"));
    assert!(e.contains("line 4") && e.contains("SECONDS"), "{e}");
}

#[test]
fn pairs_and_peaks() {
    let pairs = "##TITLE= p\n##JCAMP-DX= 5.01\n##XUNITS= NM\n##YUNITS= COUNTS\n##NPOINTS= 8\n\
        ##LONGDATE= 2024/05/01 12:30:05 +0200\n##XYPOINTS= (XY..XY)\n\
        400.0,1;400.5,2;401.25,3 402,4\n403 5e0, 404 6E+00; 405.5, 7\n406, ?\n##END=\n";
    let s = read(pairs);
    assert_eq!(s.x()[..4], [400.0, 400.5, 401.25, 402.0]);
    assert_eq!(s.counts()[3..7], [4.0, 5.0, 6.0, 7.0]);
    let recorded = s.provenance.metadata.iter().find(|(k, _)| k == "recorded");
    assert_eq!(recorded.unwrap().1, "2024-05-01T12:30:05+02:00");
    assert!(refused(&pairs.replace("406, ?", "406")).contains("not whole"));
    let peaks = pairs.replace("##XYPOINTS=", "##PEAK TABLE=").replace("406, ?", "406, 8");
    assert!(refused(&peaks).contains("table of peaks"));
    let (list, _) =
        super::peak_table(peaks.as_bytes(), Path::new("p"), &ImportSettings::default()).unwrap();
    assert_eq!((list.len(), list[2], list[7]), (8, (401.25, 3.0), (406.0, 8.0)));
}

#[test]
fn blocks_are_told_apart() {
    let one = file("400ABCCBA@abc\n");
    let two = file("400ABCCBA@abc\n")
        .replace("worked example", "second")
        .replace("(Y..Y))\n400A", "(Y..Y))\n400I");
    let link = format!(
        "##TITLE= both\n##JCAMP-DX= 4.24\n##DATA TYPE= LINK\n##BLOCKS= 2\n{one}{two}##END=\n"
    );
    let e = refused(&link);
    assert!(e.contains("2 blocks") && e.contains("2 second") && e.contains("--block"), "{e}");
    let settings = ImportSettings { block: Some(2), ..ImportSettings::default() };
    let s = read_bytes(link.as_bytes(), Path::new("a.jdx"), &settings).unwrap();
    assert_eq!(s.counts()[0], 9.0);
    let settings = ImportSettings { block: Some(3), ..ImportSettings::default() };
    assert!(read_bytes(link.as_bytes(), Path::new("a.jdx"), &settings).is_err());
}

#[test]
fn hostile_files_are_refused_soon() {
    let start = std::time::Instant::now();
    // Repetitions without end, a count of points that lies, blocks within blocks.
    assert!(refused(&file("400AS999999999999\n")).contains("repetitions"));
    assert!(refused(&file("400ABC\n").replace("NPOINTS= 10", "NPOINTS= 4294967295")).contains("3"));
    let many: String = (0..200_000).map(|_| "##TITLE= x\n").collect();
    assert!(refused(&many).contains("deep"));
    let many: String = (0..100_000).map(|i| format!("##TITLE= x\n##$A{i}= y\n##END=\n")).collect();
    assert!(refused(&many).contains("labels") || refused(&many).contains("no block"));
    let endless = format!("##TITLE= x\n##XYDATA= (X++(Y..Y))\n{}", "A".repeat(3 << 20));
    assert!(try_read(&endless).is_err());
    let cut = file("400ABCCBA@abc\n").replace("##NPOINTS= 10\n", "").replace("##END=\n", "");
    assert!(refused(&cut).contains("cut off"));
    assert!(start.elapsed().as_secs() < 20);
}

/// Packs whole numbers as the papers say; written apart from the reader.
fn packed(y: &[i64], form: &str, per_line: usize) -> String {
    let lead = |v: i64, plus: &[u8], minus: &[u8]| {
        let digits = v.unsigned_abs().to_string();
        let first = usize::from(digits.as_bytes()[0] - b'0');
        let table = if v < 0 { minus } else { plus };
        format!("{}{}", char::from(table[first]), &digits[1..])
    };
    let sqz = |v: i64| lead(v, b"@ABCDEFGHI", b"@abcdefghi");
    let dif = |v: i64| lead(v, b"%JKLMNOPQR", b"%jklmnopqr");
    let dup = |n: usize| lead(n as i64, b"?STUVWXYZs", b"?");
    let mut out = String::new();
    let mut at = 0;
    let mut ended_in_difference = false;
    while at < y.len() {
        let mut line: Vec<String> = Vec::new();
        let from = if ended_in_difference { at - 1 } else { at };
        out += &from.to_string();
        line.push(if form == "PAC" { format!("{:+}", y[from]) } else { sqz(y[from]) });
        ended_in_difference = false;
        for i in from + 1..(at + per_line).min(y.len()) {
            line.push(match form {
                "PAC" => format!("{:+}", y[i]),
                "SQZ" => sqz(y[i]),
                _ => {
                    ended_in_difference = true;
                    dif(y[i] - y[i - 1])
                }
            });
        }
        at = (at + per_line).min(y.len());
        let mut i = 0;
        while i < line.len() {
            let n = line[i..].iter().take_while(|w| **w == line[i]).count();
            out += &line[i];
            if form == "DIFDUP" && n > 1 {
                out += &dup(n);
                i += n;
            } else {
                i += 1;
            }
        }
        out.push('\n');
    }
    if ended_in_difference {
        out += &format!("{}{}\n", y.len() - 1, sqz(y[y.len() - 1]));
    }
    out
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn packed_tables_come_back(
        y in prop::collection::vec(prop_oneof![-9i64..9, -99999i64..99999, Just(0)], 10..200),
        per_line in 2usize..30,
    ) {
        let wanted: Vec<f64> = y.iter().map(|v| *v as f64).collect();
        prop_assume!(wanted.iter().any(|v| *v != wanted[0]));
        for form in ["PAC", "SQZ", "DIF", "DIFDUP"] {
            let text = format!(
                "##TITLE= t\n##XUNITS= PIXELS\n##FIRSTX= 0\n##LASTX= {}\n##NPOINTS= {}\n\
                 ##XYDATA= (X++(Y..Y))\n{}##END=\n", y.len() - 1, y.len(), packed(&y, form, per_line));
            let s = try_read(&text).map_err(|e| TestCaseError::fail(format!("{form} {e}\n{text}")))?;
            prop_assert_eq!(s.counts(), &wanted[..], "{} {}", form, text);
        }
    }

    #[test]
    fn no_text_makes_it_panic(
        head in "(##(TITLE|XUNITS|NPOINTS|FIRSTX|LASTX|XYDATA|XYPOINTS|END)= ?[ -~]{0,12}\n){0,8}",
        body in "[ -~\n]{0,300}",
    ) {
        let _ = try_read(&format!("##TITLE= x\n##XUNITS= NM\n##LASTX= 9\n{head}##XYDATA=(X++(Y..Y))\n{body}"));
        let _ = super::peak_table(body.as_bytes(), Path::new("p"), &ImportSettings::default());
    }
}
