//! The page read as text: whole, closed in itself, and not to be broken into.

use super::*;
use crate::bench::{Examination, InstrumentResult, ItemResult, LampResult};
use crate::report::made_up::{NEON, list, profile, recording, report};
use crate::report::svg::TINTS;
use crate::{AxisKind, Error};
use std::collections::HashSet;

/// What somebody may write, to break out of wherever it is put.
const HOSTILE: &str =
    "</script><script>alert(1)</script>\"'><img src=x onerror=alert(2)>]]>--> &amp; {{7*7}}";

fn tube(name: &str, file_name: &str) -> ItemResult {
    let mut spectrum = recording(AxisKind::Nm, 380.0, 1000.0, 2048, &NEON);
    spectrum.provenance.sha256 = Some("ab".repeat(32));
    spectrum.provenance.notes = vec![name.into()];
    let peaks = list(&spectrum, &NEON);
    let mut gases = report(&peaks);
    gases.gases[0].reason = name.into();
    ItemResult {
        name: name.into(),
        file_name: file_name.into(),
        kind: ItemKind::Tube,
        files: vec![format!("{name}.csv").into()],
        told: vec![("remarks".into(), name.into())],
        circuit: None,
        outcome: Ok(Examination { spectrum, peaks, gases: Some(gases), notes: vec![name.into()] }),
        source: None,
        exposure_ms: None,
        distance_mm: None,
    }
}

fn failed(name: &str) -> ItemResult {
    let why = Error::usage(format!("{name} is empty"), "record it again");
    ItemResult { outcome: Err(why), ..tube(name, "failed") }
}

fn bench(name: &str, items: Vec<ItemResult>) -> BenchResult {
    let lamp = recording(AxisKind::Pixel, 0.0, 1499.0, 1500, &[(261.0, 9000.0), (615.0, 5000.0)]);
    let on = profile().apply(&lamp).unwrap();
    let peaks = list(&on, &[(404.66, 9000.0), (546.07, 5000.0)]);
    let lamps = vec![LampResult { read: lamp, spectrum: on, peaks }];
    let mut profile = profile();
    profile.instrument = name.into();
    let name = name.to_string();
    BenchResult {
        instrument: InstrumentResult { name, profile: Some(profile), lamps, failure: None },
        items,
        notes: vec!["one of the whole bench".into()],
    }
}

fn made(result: &BenchResult, word: &str) -> String {
    let records: Vec<Record> = result
        .items
        .iter()
        .map(|i| match &i.outcome {
            Ok(e) => Record::answered(&i.name, "00", &e.spectrum, None, &e.peaks, e.gases.as_ref()),
            Err(why) => Record::failed(&i.name, "00", why),
        })
        .collect();
    let settings = [("peaks".to_string(), serde_json::json!({ "told": word }))];
    let files = [("summary.csv".to_string(), format!("item\n{word}\n"))];
    page(&Page {
        sheet: InputFile { role: "sheet".into(), name: word.into(), sha256: None },
        result,
        records: &records,
        tubes: None,
        comparison: None,
        settings: &settings,
        files: &files,
        inputs: &[InputFile {
            role: word.into(),
            name: word.into(),
            sha256: Some("ab".repeat(32)),
        }],
        notes: &[word],
    })
    .unwrap()
}

/// Tags and their attributes in order, after checking that what is opened is closed. Style and
/// script are taken out before: their text is no markup.
fn elements(html: &str) -> Vec<(String, Vec<(String, String)>)> {
    const EMPTY: [&str; 4] = ["meta", "link", "!DOCTYPE", "img"];
    let mut text = html.to_string();
    for (from, to) in [("<style>", "</style>"), ("<script>", "</script>")] {
        let start = text.find(from).unwrap() + from.len();
        let end = start + text[start..].find(to).unwrap();
        text.replace_range(start..end, "");
    }
    let (mut open, mut out): (Vec<String>, Vec<_>) = (Vec::new(), Vec::new());
    let mut rest = text.as_str();
    while let Some(at) = rest.find('<') {
        assert!(!rest[..at].contains('>'), "raw > in {}", &rest[..at]);
        let end = at + rest[at..].find('>').expect("a tag that never ends");
        let tag = &rest[at + 1..end];
        rest = &rest[end + 1..];
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(name), "closed out of order");
            continue;
        }
        let (name, mut attrs) = tag.split_once(char::is_whitespace).unwrap_or((tag, ""));
        let name = name.trim_end_matches('/');
        let mut attributes = Vec::new();
        while let Some(eq) = attrs.find("=\"") {
            let close = eq + 2 + attrs[eq + 2..].find('"').expect("an attribute that never ends");
            attributes.push((attrs[..eq].trim().to_string(), attrs[eq + 2..close].to_string()));
            attrs = &attrs[close + 1..];
        }
        if !tag.ends_with('/') && !EMPTY.contains(&name) {
            open.push(name.to_string());
        }
        out.push((name.to_string(), attributes));
    }
    assert!(open.is_empty(), "never closed: {open:?}");
    out
}

#[test]
fn what_users_wrote_cannot_break_out() {
    let result = bench(HOSTILE, vec![tube(HOSTILE, "a"), failed(HOSTILE)]);
    let html = made(&result, HOSTILE);
    let all = elements(&html);
    let count = |tag: &str| all.iter().filter(|e| e.0 == tag).count();
    assert_eq!((count("script"), count("style"), count("img"), count("h1")), (1, 1, 0, 1));
    assert!(all.iter().flat_map(|e| &e.1).all(|(name, _)| !name.starts_with("on")));
    assert!(html.contains("&lt;script&gt;alert(1)") && !html.contains("<script>alert"));
    // The one script is ours, to the byte, and the policy lets in no other.
    assert_eq!(html.matches(look::SCRIPT).count(), 1);
    assert!(!look::SCRIPT.contains("</") && !look::style().contains("</"));
}

#[test]
fn nothing_is_fetched() {
    let result = bench("club", vec![tube("A1", "a1")]);
    let html = made(&result, "sheet.toml");
    for (tag, attributes) in elements(&html) {
        for (name, value) in attributes {
            if ["href", "src", "xlink:href", "action", "srcset", "poster"].contains(&name.as_str())
            {
                let own = value.starts_with('#') || value.starts_with("data:");
                assert!(own, "{tag} {name}={value}");
            }
        }
    }
    let style = look::style();
    assert!(!style.contains("url(") && !style.contains("@import"));
    assert!(html.contains("default-src &#39;none&#39;"));
    assert!(!look::SCRIPT.contains("fetch(") && !look::SCRIPT.contains("XMLHttp"));
}

#[test]
fn the_page_is_whole_and_says_the_same_twice() {
    let result = bench("club", vec![tube("A1", "a1"), tube("A2", "a2"), failed("A3")]);
    let html = made(&result, "sheet.toml");
    assert_eq!(html, made(&result, "sheet.toml"));
    let all = elements(&html);
    let get = |e: &(String, Vec<(String, String)>), key: &str| {
        e.1.iter().find(|a| a.0 == key).map(|a| a.1.clone())
    };
    let ids: Vec<String> = all.iter().filter_map(|e| get(e, "id")).collect();
    assert_eq!(ids.iter().collect::<HashSet<_>>().len(), ids.len(), "{ids:?}");
    for target in all.iter().filter_map(|e| get(e, "href")).filter(|h| h.starts_with('#')) {
        assert!(ids.contains(&target[1..].to_string()), "{target} leads nowhere");
    }
    let images: Vec<_> = all.iter().filter(|e| get(e, "role").as_deref() == Some("img")).collect();
    assert_eq!(images.len(), 4, "two tubes, the lamp, how the axis was set");
    assert!(images.iter().all(|e| get(e, "aria-label").is_some_and(|l| !l.is_empty())));
    for heads in all.iter().filter(|e| e.0 == "th") {
        assert!(matches!(get(heads, "scope").as_deref(), Some("row" | "col")));
    }
    assert!(html.contains("No answer: A3 is empty"));
    assert!(html.contains(&"ab".repeat(32)), "hashes of what was read");
    for landmark in ["main", "header", "nav", "footer"] {
        assert_eq!(all.iter().filter(|e| e.0 == landmark).count(), 1, "{landmark}");
    }
}

#[test]
fn a_bench_without_lamp_and_without_items_has_a_page() {
    let mut result = bench("club", Vec::new());
    result.instrument.profile = None;
    result.instrument.lamps.clear();
    let html = made(&result, "sheet.toml");
    elements(&html);
    assert!(html.contains("No lamp and no profile set the axis"));
}

/// The recordings are as noisy as those of real instruments in the test of the whole program.
#[test]
fn twenty_items_stay_light() {
    const MOST_BYTES: usize = 2_000_000;
    let items = (0..20).map(|i| tube(&format!("A{i}"), &format!("a{i}"))).collect();
    let html = made(&bench("club", items), "sheet.toml");
    assert!(html.len() < MOST_BYTES, "{} bytes", html.len());
}

/// Each colour of the drawings has its dark one: a colour that is added to the inks and not to the
/// page's list would vanish on dark paper.
#[test]
fn drawings_have_no_colour_without_a_dark_one() {
    let style = look::style().to_lowercase();
    let result = bench("club", vec![tube("A1", "a1")]);
    let svg = svg_of(&result);
    for part in svg.split("fill=\"#").skip(1).chain(svg.split("stroke=\"#").skip(1)) {
        let colour = format!("#{}", part[..6].to_lowercase());
        let strip = svg.contains(&format!("height=\"5\" fill=\"{colour}\""));
        // The light of gases stands on either paper as it is.
        let tint = TINTS.contains(&colour.as_str());
        assert!(strip || tint || style.contains(&format!("=\"{colour}\" i]")), "{colour}");
    }
}

fn svg_of(result: &BenchResult) -> String {
    let e = result.items[0].outcome.as_ref().unwrap();
    let style = PlotStyle { width_px: 900.0, ..PlotStyle::default() };
    super::super::svg::spectrum_plot(&e.spectrum, &e.peaks, e.gases.as_ref(), &style).unwrap()
}
