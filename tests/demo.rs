//! The demonstration drawer: made by its recipe, byte for byte, and described in full.

use glowtell::reference::Tables;
use glowtell::simulate::recipe::{Item, Recipe, make_all};
use glowtell::simulate::{factory_axis, truth_axis};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Files of the drawer stay below this, bytes: a reader can open each of them.
const LARGEST_FILE: usize = 60_000;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-spectra")
}

fn text(name: &str) -> String {
    std::fs::read_to_string(folder().join(name)).unwrap()
}

fn recipe() -> Recipe {
    Recipe::load(&folder().join("recipe.toml")).unwrap()
}

fn item<'a>(recipe: &'a Recipe, file: &str) -> &'a Item {
    recipe.item.iter().find(|i| i.file == file).unwrap()
}

/// Axis and counts of a file in whatever habit the recipe gives it, in ascending order; a plain
/// reader of its own, so that this test does not judge the importer by itself.
fn rows(file: &str) -> Vec<(f64, f64)> {
    let recipe = recipe();
    let habit = &item(&recipe, file).habit;
    let mut rows: Vec<(f64, f64)> = text(file)
        .trim_start_matches('\u{feff}')
        .lines()
        .filter_map(|line| {
            let (x, y) = line.split_once(habit.separator.text())?;
            let number = |s: &str| s.trim().replace(',', ".").parse::<f64>().ok();
            Some((number(x)?, number(y)?))
        })
        .collect();
    if habit.descending {
        rows.reverse();
    }
    rows
}

#[test]
fn the_recipe_makes_the_files_byte_for_byte() {
    let made = make_all(&recipe(), &Tables::bundled().unwrap()).unwrap();
    for (name, bytes) in &made {
        assert!(bytes.len() < LARGEST_FILE, "{name}: {} bytes", bytes.len());
        let kept = std::fs::read(folder().join(name))
            .unwrap_or_else(|e| panic!("demo-spectra/{name}: {e}"));
        assert!(
            kept == *bytes,
            "demo-spectra/{name} is not what its recipe makes; after a wanted change of recipe, \
             tables or model: `glowtell simulate demo-spectra/recipe.toml --out demo-spectra`"
        );
    }
}

#[test]
fn every_file_is_described_and_nothing_else_lies_there() {
    let recipe = recipe();
    let made: BTreeSet<String> = recipe.item.iter().map(|i| i.file.clone()).collect();
    let described =
        [".gitattributes", "README.md", "recipe.toml", "drawer.toml", "pictures"].map(String::from);
    let there: BTreeSet<String> = std::fs::read_dir(folder())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(there, made.iter().cloned().chain(described).collect());

    let readme = text("README.md");
    let sheet: toml::Table = toml::from_str(&text("drawer.toml")).unwrap();
    let mut on_sheet: Vec<String> = vec![sheet["instrument"]["lamp"].as_str().unwrap().to_string()];
    for kind in ["tube", "light"] {
        for entry in sheet[kind].as_array().unwrap() {
            match (entry.get("file"), entry.get("files")) {
                (Some(f), None) => on_sheet.push(f.as_str().unwrap().into()),
                (None, Some(list)) => on_sheet.extend(
                    list.as_array().unwrap().iter().map(|f| f.as_str().unwrap().to_string()),
                ),
                _ => panic!("either file or files: {entry}"),
            }
        }
    }
    let unique: BTreeSet<String> = on_sheet.iter().cloned().collect();
    assert_eq!(unique.len(), on_sheet.len(), "a file stands twice on the sheet");
    assert_eq!(unique, made, "sheet and recipe name the same files");
    for file in &made {
        assert!(readme.contains(&format!("`{file}`")), "README.md does not name {file}");
    }
}

/// The sheet must not give away what the recipe knows, and both must agree on the exposure.
#[test]
fn sheet_and_recipe_agree_and_the_sheet_keeps_the_secret() {
    let recipe = recipe();
    let sheet: toml::Table = toml::from_str(&text("drawer.toml")).unwrap();
    for entry in ["tube", "light"].iter().flat_map(|k| sheet[*k].as_array().unwrap()) {
        let files: Vec<&str> = match entry.get("files") {
            Some(list) => list.as_array().unwrap().iter().filter_map(|f| f.as_str()).collect(),
            None => vec![entry["file"].as_str().unwrap()],
        };
        for file in files {
            let ms = entry["exposure-ms"].as_integer().unwrap() as f64;
            assert_eq!(item(&recipe, file).exposure_ms, Some(ms), "{file}");
        }
        let remarks = entry["remarks"].as_str().unwrap().to_lowercase();
        for word in ["neon", "argon", "helium", "krypton", "xenon", "mercury", "nitrogen"] {
            assert!(!remarks.contains(word), "{entry}");
        }
    }
    let tables = Tables::bundled().unwrap();
    for i in &recipe.item {
        assert!(!i.truth.is_empty() && !i.story.is_empty(), "{}", i.name);
        assert!(i.faint.iter().all(|g| i.gases.contains(g)), "{}", i.name);
        for gas in &i.gases {
            assert!(tables.species().iter().any(|s| s.gas == *gas), "{}: {gas}", i.name);
        }
    }
}

#[test]
fn all_files_share_the_wrong_axis_of_one_instrument() {
    let recipe = recipe();
    let (truth, factory) = (truth_axis(&recipe.instrument), factory_axis(&recipe.instrument));
    let errors: Vec<f64> = factory.iter().zip(&truth).map(|(f, t)| f - t).collect();
    let (least, most) =
        errors.iter().fold((f64::MAX, f64::MIN), |(l, m), e| (l.min(*e), m.max(*e)));
    assert!((0.9..1.1).contains(&least) && (2.3..2.5).contains(&most), "{least} {most}");
    for i in &recipe.item {
        let rows = rows(&i.file);
        assert_eq!(rows.len(), recipe.instrument.pixels, "{}", i.file);
        for ((x, _), f) in rows.iter().zip(&factory) {
            assert!((x - f).abs() <= 0.000_501, "{}: {x} {f}", i.file);
        }
    }
}

#[test]
fn the_drawer_holds_what_its_stories_say() {
    let recipe = recipe();
    let truth = truth_axis(&recipe.instrument);
    let full = recipe.instrument.detector.full_scale_counts;
    // Mean of the three pixels around a true wavelength over the median of the surroundings.
    let height = |rows: &[(f64, f64)], nm: f64| -> f64 {
        let at = truth.partition_point(|t| *t < nm);
        let mut around: Vec<f64> =
            (at - 30..at + 30).filter(|i| i.abs_diff(at) > 8).map(|i| rows[i].1).collect();
        around.sort_by(f64::total_cmp);
        rows[at - 1..=at + 1].iter().map(|r| r.1).sum::<f64>() / 3.0 - around[around.len() / 2]
    };
    for i in &recipe.item {
        let clipped = rows(&i.file).iter().filter(|r| r.1 >= full).count();
        assert_eq!(clipped > 0, i.file == "tube-a2.csv", "{}: {clipped} clipped", i.file);
    }
    // Noise of the darkest recordings: sqrt(25² + stray and dark electrons)/1.2, about 22 counts.
    const QUIET: f64 = 22.0;
    let a9 = rows("tube-a9.csv");
    // Krypton 811.29 alone stands out of the noise; 760.15 and 829.81 do not.
    assert!(height(&a9, 811.29) > 4.0 * QUIET);
    assert!(height(&a9, 760.15) < 2.0 * QUIET && height(&a9, 829.81) < 2.0 * QUIET);
    // The lamp shows mercury and the argon of its cold start.
    let lamp = rows("lamp.csv");
    for nm in [365.02, 404.66, 435.83, 546.08, 763.51, 811.53, 912.30] {
        assert!(height(&lamp, nm) > 10.0 * QUIET, "{nm}");
    }
    // The nail lamp's maximum lies near 396.5 nm, far from its label.
    let nail = rows("nail-lamp.csv");
    let top = (0..nail.len()).max_by(|a, b| nail[*a].1.total_cmp(&nail[*b].1)).unwrap();
    assert!((truth[top] - 396.5).abs() < 2.0);
    // Repeats of one tube: the same lines, another noise.
    let (a, b) = (rows("tube-a5-1.csv"), rows("tube-a5-2.csv"));
    assert!((height(&a, 640.22) / height(&b, 640.22) - 1.0).abs() < 0.03);
    assert_ne!(a, b);
}
