//! The page that `run` writes.

use crate::place::{Place, demo};

/// A page of twenty items is lighter than this, bytes.
const MOST_BYTES: usize = 2_000_000;
/// Items of the heavier bench.
const ITEMS: usize = 20;

/// The demo drawer with its tubes once more until there are [`ITEMS`] items.
fn twenty(p: &Place) {
    demo(p);
    let sheet = p.read("demo-spectra/drawer.toml");
    let (tubes, lights) = sheet.split_once("[[light]]").unwrap();
    let blocks: Vec<&str> = tubes.split("[[tube]]").skip(1).collect();
    let has = blocks.len() + 1 + lights.matches("[[light]]").count();
    let more: String = blocks
        .iter()
        .cycle()
        .take(ITEMS - has)
        .map(|b| format!("[[tube]]{}", b.replacen("name = \"", "name = \"again ", 1)))
        .collect();
    p.write("demo-spectra/twenty.toml", format!("{tubes}{more}[[light]]{lights}"));
}

#[test]
fn twenty_items_weigh_less_than_two_megabytes() {
    let p = Place::new();
    twenty(&p);
    p.answer(&["run", "demo-spectra/twenty.toml", "--out", "out", "--quiet"]);
    let page = p.read("out/report.html");
    assert_eq!(
        page.matches("<article").count(),
        ITEMS + 2,
        "items, the lamp and the tubes together"
    );
    assert!(page.len() < MOST_BYTES, "{} bytes", page.len());
    println!("{} bytes for {ITEMS} items", page.len());
}

#[test]
fn words_of_the_sheet_stay_words() {
    let p = Place::new();
    demo(&p);
    let hostile = "</script><script>alert(1)</script> \\\"'><svg onload=alert(2)> ]]>";
    let sheet = format!(
        "[instrument]\nname = \"{hostile}\"\nlamp = \"lamp.csv\"\nremarks = \"{hostile}\"\n\
         [[tube]]\nname = \"{hostile}\"\nfile = \"tube-a1.csv\"\nremarks = \"{hostile}\"\n\
         [[tube]]\nname = \"none\"\nfile = \"missing.csv\"\n\
         [[light]]\nname = \"b{hostile}\"\nfile = \"nail-lamp.csv\"\nclaim = \"365\"\n"
    );
    p.write("demo-spectra/hostile.toml", sheet);
    let ran = p.run(&["run", "demo-spectra/hostile.toml", "--out", "out", "--quiet"]);
    assert_eq!(ran.code, Some(2), "one item is missing: {}", ran.err);
    let page = p.read("out/report.html");
    assert_eq!(page.matches("<script").count(), 1);
    assert_eq!(page.matches("onload=alert(2)&gt;").count(), page.matches("onload=").count());
    assert!(page.contains("&lt;/script&gt;&lt;script&gt;alert(1)"));
    assert!(page.contains("No answer: "));
}

#[test]
fn no_item_takes_the_name_of_the_page() {
    let p = Place::new();
    demo(&p);
    p.write("demo-spectra/one.toml", "[[tube]]\nname = \"report\"\nfile = \"tube-a1.csv\"\n");
    p.answer(&["run", "demo-spectra/one.toml", "--out", "out", "--quiet"]);
    assert!(p.files().contains(&"out/report-2.json".to_string()), "{:?}", p.files());
    assert!(p.read("out/report.html").contains("No lamp and no profile set the axis"));
}
