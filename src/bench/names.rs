//! Item names as file names.

use std::collections::HashSet;

/// Longest file name made from an item's name, in characters: long enough to be recognised, short
/// enough for any file system once an extension and a folder stand around it.
const LONGEST: usize = 60;

/// Names that some systems keep for devices (Windows), plus those of a bench's own files.
const TAKEN: [&str; 16] = [
    "con",
    "prn",
    "aux",
    "nul",
    "com1",
    "com2",
    "com3",
    "lpt1",
    "lpt2",
    "lpt3",
    "summary",
    "verdicts",
    "lamp",
    "calibration",
    "instrument",
    "report",
];

/// A safe file name (without extension) for each item's name, in order: lower-case letters, digits
/// and single hyphens, no two alike, none that a system or the bench keeps for itself.
pub fn file_names<S: AsRef<str>>(names: &[S]) -> Vec<String> {
    let mut taken: HashSet<String> = TAKEN.iter().map(|s| s.to_string()).collect();
    // Plain names first: an item that is called `a-2` keeps that name whatever else collides.
    let plain: Vec<String> = names.iter().map(|n| plain_name(n.as_ref())).collect();
    let wanted: HashSet<&String> = plain.iter().collect();
    let mut out = Vec::with_capacity(plain.len());
    for name in &plain {
        let mut candidate = name.clone();
        let mut k = 1;
        while taken.contains(&candidate) || (k > 1 && wanted.contains(&candidate)) {
            k += 1;
            candidate = format!("{name}-{k}");
        }
        taken.insert(candidate.clone());
        out.push(candidate);
    }
    out
}

fn plain_name(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars().flat_map(char::to_lowercase) {
        if c.is_alphanumeric() {
            out.push(c);
        } else if !out.is_empty() && !out.ends_with('-') {
            out.push('-');
        }
    }
    let short: String = out.chars().take(LONGEST).collect();
    let short = short.trim_end_matches('-');
    if short.is_empty() { "item".into() } else { short.into() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_become_plain_and_stay_apart() {
        let got = file_names(&["A1", "a 1", "A/1", "../x", "", "Röhre 7", "summary", "CON"]);
        assert_eq!(got, ["a1", "a-1", "a-1-2", "x", "item", "röhre-7", "summary-2", "con-2"]);
    }

    #[test]
    fn an_item_that_is_called_like_a_numbered_twin_keeps_its_name() {
        assert_eq!(file_names(&["a", "A", "a-2"]), ["a", "a-3", "a-2"]);
    }

    proptest! {
        #[test]
        fn any_names_give_distinct_safe_file_names(names in prop::collection::vec(".{0,80}", 0..12)) {
            let got = file_names(&names);
            let distinct: HashSet<&String> = got.iter().collect();
            prop_assert_eq!(distinct.len(), names.len());
            for g in got {
                prop_assert!(!g.is_empty() && g.chars().count() <= LONGEST + 4);
                prop_assert!(g.chars().all(|c| c.is_alphanumeric() || c == '-'), "{}", g);
            }
        }
    }
}
