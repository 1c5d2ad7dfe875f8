//! The answer in words: what it is, how sure, what it is commonly used for, what is still open.

use super::{GasReport, GasVerdict, Verdict};

/// Share of the lines' light from which a gas may be the filling and not an impurity.
const FILLING_SHARE: f64 = 0.03;
/// Most gases that are named as open.
const MOST_OPEN: usize = 4;
/// Gases that come in by a leak or out of the walls.
const LEAK: [&str; 2] = ["N2", "O"];
/// Noble gases.
const NOBLE: [&str; 5] = ["He", "Ne", "Ar", "Kr", "Xe"];
/// Halogens, which quench counter tubes.
const HALOGENS: [&str; 4] = ["F", "Cl", "Br", "I"];

fn shown(g: &GasVerdict) -> bool {
    matches!(g.verdict, Verdict::Seen | Verdict::Likely)
}

/// Sentences about a tube: what shows in it and how sure that is, what tubes with such a filling
/// commonly are, what comes of leaks and walls, halogens, and what is open. Empty where no gas was
/// asked about.
///
/// What is said of kinds of tubes is what is common in the trade (M. Druyvesteyn and F. Penning,
/// Rev. Mod. Phys. 12 (1940) 87 for neon with a little argon; S. Liebson and H. Friedman, Rev. Sci.
/// Instrum. 19 (1948) 303 for halogen counter tubes; the rest common practice, no published
/// source), never an identification of a product.
pub fn in_words(report: &GasReport) -> Vec<String> {
    let mut out = Vec::new();
    if report.gases.is_empty() {
        return out;
    }
    let there: Vec<&GasVerdict> = report.gases.iter().filter(|g| shown(g)).collect();
    if there.is_empty() {
        out.push("No gas shows with certainty in this recording.".into());
    } else {
        let list: Vec<String> = there
            .iter()
            .map(|g| {
                format!("{} ({}, {:.0} % of the light)", g.gas, g.verdict.word(), 100.0 * g.share)
            })
            .collect();
        out.push(format!("This light shows {}.", list.join(", ")));
    }
    if let Some(hint) = hint(&there) {
        out.push(hint);
    }
    let is = |gas: &str| there.iter().any(|g| g.gas == gas);
    if NOBLE.iter().any(|g| is(g)) && LEAK.iter().any(|g| is(g)) {
        out.push(
            "Nitrogen or oxygen beside a noble gas are commonly a leak, or air before the tube: \
             record again without the path through air glowing."
                .into(),
        );
    } else if is("H") && NOBLE.iter().any(|g| is(g)) {
        out.push(
            "A little hydrogen commonly comes out of walls and electrodes, and shows out of \
             proportion in neon."
                .into(),
        );
    }
    let halogens: Vec<String> = report
        .gases
        .iter()
        .filter(|g| HALOGENS.contains(&g.gas.as_str()) && !shown(g))
        .map(|g| match (&g.limit, g.verdict) {
            (Some(l), Verdict::NotSeen | Verdict::Undecided) => format!(
                "{} {} (limit {:.2} % of the strongest line, at {:.1} nm)",
                g.gas,
                g.verdict.word(),
                100.0 * l.relative_to_strongest,
                l.line_nm
            ),
            _ => format!("{} {}", g.gas, g.verdict.word()),
        })
        .collect();
    if !there.is_empty() && !halogens.is_empty() {
        out.push(format!(
            "Quench gas: {}. A tube may hold a per cent of halogen and hardly show it.",
            halogens.join(", ")
        ));
    }
    let mut open: Vec<&GasVerdict> =
        report.gases.iter().filter(|g| g.verdict == Verdict::Undecided).collect();
    open.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let named: Vec<String> = open
        .iter()
        .take(MOST_OPEN)
        .map(|g| format!("{} ({:.0} %)", g.gas, 100.0 * g.probability))
        .collect();
    if !named.is_empty() {
        let more = if open.len() > MOST_OPEN { " and others of less" } else { "" };
        out.push(format!("Not decided: {}{more}; what would decide is below.", named.join(", ")));
    }
    out
}

/// What tubes with such a filling commonly are.
fn hint(there: &[&GasVerdict]) -> Option<String> {
    let is = |gas: &str| there.iter().any(|g| g.gas == gas);
    let main = |gas: &str| there.iter().any(|g| g.gas == gas && g.share >= FILLING_SHARE);
    let halogen = HALOGENS.iter().any(|g| is(g));
    let what = if main("Xe") && !is("Ne") && !is("Hg") {
        "flash tubes and short-arc lamps"
    } else if main("Kr") && !is("Ne") {
        "flash tubes and some lamps"
    } else if is("Hg") && is("Ar") {
        "mercury lamps, which start on argon, and signs"
    } else if is("Hg") {
        "mercury lamps and rectifiers"
    } else if is("Ne") && halogen {
        "counter tubes with halogen quench"
    } else if is("Ne") && is("Ar") {
        "glow lamps and regulator tubes with neon and a little argon, and counter tubes"
    } else if is("Ne") && is("He") {
        "lasers, and counter or regulator tubes with helium and neon"
    } else if main("Ne") {
        "glow lamps, signs and counter tubes; a little argon or halogen may be there and not show"
    } else if main("He") {
        "counter and regulator tubes, and teaching tubes"
    } else if main("Ar") {
        "lamps, regulator tubes, and counter tubes with organic quench"
    } else {
        return None;
    };
    Some(format!("Such a filling is common in {what}; that is no identification of a product."))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::AxisKind;
    use crate::report::made_up;

    #[test]
    fn the_words_name_what_shows_and_what_such_tubes_are() {
        let s = made_up::recording(AxisKind::Nm, 380.0, 1000.0, 300, &made_up::NEON);
        let list = made_up::list(&s, &made_up::NEON);
        let report = made_up::report(&list);
        let words = in_words(&report).join("\n");
        assert!(words.contains("Ne (seen"), "{words}");
        assert!(words.contains("common in"), "{words}");
    }
}
