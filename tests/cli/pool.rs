//! Records pooled, and what a record is.

use super::place::{Place, demo};
use serde_json::Value;

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn bench(place: &Place) {
    demo(place);
    place.answer(&["run", "demo-spectra/drawer.toml", "--out", "out", "--quiet"]);
}

#[test]
fn records_keep_to_their_schema() {
    let place = Place::new();
    bench(&place);
    let schema = json(&place.answer(&["pool", "--schema"]).out);
    let validator = jsonschema::validator_for(&schema).unwrap();
    let mut checked = 0;
    for name in place.files().iter().filter(|f| f.starts_with("out/") && f.ends_with(".json")) {
        if name.ends_with("summary.json") {
            continue;
        }
        let record = json(&place.read(name));
        let errors: Vec<String> = validator.iter_errors(&record).map(|e| e.to_string()).collect();
        assert!(errors.is_empty(), "{name}: {errors:?}");
        checked += 1;
    }
    assert_eq!(checked, 13);
    let mut wrong = json(&place.read("out/a1.json"));
    wrong["gases"]["gases"][0]["verdict"] = "perhaps".into();
    assert!(!validator.is_valid(&wrong), "the schema lets everything through");
}

#[test]
fn a_drawer_is_pooled_the_same_from_records_rows_and_standard_input() {
    let place = Place::new();
    bench(&place);
    let whole = place.answer(&["pool", "out", "--json"]).out;
    let short =
        ["pool", "out", "--json", "--short", "r.jsonl", "--table", "t.arrow", "--svg", "p.svg"];
    assert_eq!(place.answer(&short).out, whole);
    let again = json(&place.answer(&["pool", "r.jsonl", "--json"]).out);
    let whole = json(&whole);
    for part in ["types", "instruments", "lines"] {
        assert_eq!(again[part], whole[part], "{part}");
    }
    let rows = place.read("r.jsonl");
    let reversed: String = rows.lines().rev().map(|l| format!("{l}\n")).collect();
    let piped = place.program(&["pool", "-", "--json"]).write_stdin(reversed).output().unwrap();
    assert_eq!(json(&String::from_utf8(piped.stdout).unwrap()), again);
    assert_eq!(whole["counts"]["pooled"], 13);
    // What is no record is counted, not lost.
    assert_eq!(whole["counts"]["unread"][0]["first"][0], "summary.json");
    let text = place.answer(&["pool", "out"]).out;
    for part in
        ["glow lamp, bayonet: 3 records", "club spectrometer", "tube_voltage_v", "1 no record"]
    {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    assert!(place.read("p.svg").contains("club spectrometer"));
}

/// The table as the Rust library of the format reads it. With pyarrow 26.0.1 (Python) the same file gives 351
/// rows and the same columns, and 415.12 V for A5.
#[test]
fn the_table_of_columns_comes_back() {
    use arrow_array::cast::AsArray;
    let place = Place::new();
    bench(&place);
    place.answer(&["pool", "out", "--table", "t.arrow"]);
    let file = std::fs::File::open(place.path().join("t.arrow")).unwrap();
    let reader = arrow_ipc::reader::FileReader::try_new(file, None).unwrap();
    let mut seen = Vec::new();
    for batch in reader {
        let batch = batch.unwrap();
        let text = |name: &str| batch.column_by_name(name).unwrap().as_string::<i32>().clone();
        let (item, gas, verdict) = (text("item"), text("gas"), text("verdict"));
        let volts = batch.column_by_name("tube_voltage_v").unwrap();
        let volts = volts.as_primitive::<arrow_array::types::Float64Type>();
        for i in 0..batch.num_rows() {
            if item.value(i) == "A5" {
                assert!((volts.value(i) - 415.12).abs() < 0.01);
            }
            if verdict.value(i) == "seen" {
                seen.push((item.value(i).to_string(), gas.value(i).to_string()));
            }
        }
    }
    assert!(
        seen.contains(&("A5".into(), "Ne".into())) && seen.contains(&("A7".into(), "Hg".into()))
    );
}

#[test]
fn what_is_handed_round_names_no_place_and_no_person() {
    let place = Place::new();
    demo(&place);
    let spectrum = std::fs::read_to_string(place.path().join("demo-spectra/tube-a1.csv")).unwrap();
    std::fs::create_dir(place.path().join("anna")).unwrap();
    place.write(
        "anna/t.csv",
        format!("Owner: Anna Example\nFile path: /home/anna/t.csv\n{spectrum}"),
    );
    let sheet = |more: &str| {
        format!(
            "{more}[[tube]]\nname = \"T\"\nfile = \"t.csv\"\n\n[[tube]]\nname = \"U\"\nfile = \"no.csv\"\n"
        )
    };
    place.write("anna/s.toml", sheet(""));
    let path = place.path().join("anna/s.toml");
    let ran = place.run(&["run", path.to_str().unwrap(), "--out", "out"]);
    assert_eq!(ran.code, Some(2), "{}", ran.err);
    for name in place.files().iter().filter(|f| f.starts_with("out/") && !f.ends_with('/')) {
        let text = place.read(name).to_lowercase();
        assert!(!text.contains("anna"), "{name} names a person or a folder");
    }
    place.write("anna/k.toml", sheet("[record]\nkeep-header-lines = true\n"));
    place.run(&["run", "anna/k.toml", "--out", "kept"]);
    assert!(place.read("kept/t.json").contains("Anna Example"));
}

#[test]
fn nothing_to_pool_is_said() {
    let place = Place::new();
    std::fs::create_dir(place.path().join("empty")).unwrap();
    place.refuse(&["pool"], &["nothing to pool"]);
    place.refuse(&["pool", "empty"], &["holds no .json"]);
    place.refuse(&["pool", "nowhere.json"], &["nowhere.json"]);
    place.write("x.jsonl", [0u8, 159, 146, 150, 10, 7]);
    place.refuse(&["pool", "x.jsonl", "--short", "r.jsonl"], &["none of 2 documents"]);
    place.write("y.jsonl", "{}\n");
    place.refuse(&["pool", "y.jsonl", "--short", "y.jsonl"], &["overwritten"]);
}
