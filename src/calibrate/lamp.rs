//! Which lamp a recording shows, by name.

use crate::reference::Tables;
use crate::{Error, Result};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A lamp whose lines can set an axis.
///
/// As text: `fluorescent`, or the gases of a discharge lamp joined by `+` (`Ne`, `Hg+Ar`).
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Lamp {
    /// Mercury lines with the peaks of rare-earth phosphors, with or without the lines of the
    /// lamp's argon.
    Fluorescent,
    /// A discharge lamp of these gases or metals, by the symbols of the line tables.
    Discharge(Vec<String>),
}

/// English names of what lamps are filled with, and the symbols of the tables.
const NAMES: [(&str, &str); 13] = [
    ("mercury", "Hg"),
    ("neon", "Ne"),
    ("argon", "Ar"),
    ("helium", "He"),
    ("krypton", "Kr"),
    ("xenon", "Xe"),
    ("hydrogen", "H"),
    ("sodium", "Na"),
    ("cadmium", "Cd"),
    ("zinc", "Zn"),
    ("caesium", "Cs"),
    ("rubidium", "Rb"),
    ("potassium", "K"),
];
/// What stands for whichever of the usual lamps it is.
const AUTO: &str = "auto";
/// What a lamp of phosphor is called.
const FLUORESCENT: [&str; 2] = ["fluorescent", "cfl"];
/// Symbol of mercury in the tables.
pub(super) const MERCURY: &str = "Hg";
/// Symbol of argon in the tables.
const ARGON: &str = "Ar";

impl Lamp {
    /// Lamps that are tried where nobody says which it is: those that hobby benches have.
    pub fn usual() -> Vec<Lamp> {
        let one = |s: &str| Lamp::Discharge(vec![s.into()]);
        let mut out = vec![Lamp::Fluorescent];
        out.extend(["Ne", "Ar", "He", "Kr", "Xe", "H"].iter().map(|s| one(s)));
        out.push(Lamp::mercury_and_argon());
        out
    }

    /// A lamp of mercury and argon, without phosphor.
    pub(super) fn mercury_and_argon() -> Lamp {
        Lamp::Discharge(vec![MERCURY.into(), ARGON.into()])
    }

    /// A mercury lamp without phosphor.
    pub fn mercury() -> Lamp {
        Lamp::Discharge(vec![MERCURY.into()])
    }

    /// What was asked for: a lamp by its name, as for [`Lamp::named`], or `None` for `auto`, which
    /// is whichever of the usual lamps it is.
    ///
    /// # Errors
    /// Those of [`Lamp::named`].
    pub fn asked(text: &str, tables: &Tables) -> Result<Option<Lamp>> {
        if text.trim().eq_ignore_ascii_case(AUTO) {
            return Ok(None);
        }
        Lamp::named(text, tables).map(Some)
    }

    /// A lamp by its name: `fluorescent`, a gas or metal of the tables by symbol or English name
    /// (upper and lower case alike), or several joined by `+`.
    ///
    /// # Errors
    /// [`Error::Usage`] for what the tables have no lines of.
    pub fn named(text: &str, tables: &Tables) -> Result<Lamp> {
        let lower = text.trim().to_lowercase();
        if FLUORESCENT.contains(&lower.as_str()) {
            return Ok(Lamp::Fluorescent);
        }
        let mut gases: Vec<String> = Vec::new();
        for part in lower.split('+').map(str::trim) {
            let symbol = NAMES.iter().find(|(n, _)| *n == part).map_or(part, |(_, s)| *s);
            let found = tables
                .species()
                .iter()
                .find(|s| !s.lines.is_empty() && s.gas.eq_ignore_ascii_case(symbol));
            let Some(species) = found else {
                return Err(Error::usage(
                    format!("`{part}` is no lamp that the line tables have lines of"),
                    "name it like `fluorescent`, `neon`, `Hg+Ar`, or `auto`",
                ));
            };
            if !gases.contains(&species.gas) {
                gases.push(species.gas.clone());
            }
        }
        Ok(Lamp::Discharge(gases))
    }

    /// The lamp in words: `fluorescent lamp`, `mercury and argon lamp`.
    pub fn words(&self) -> String {
        match self {
            Lamp::Fluorescent => "fluorescent lamp".into(),
            Lamp::Discharge(gases) => {
                let word = |s: &String| {
                    NAMES
                        .iter()
                        .find(|(_, symbol)| symbol == s)
                        .map_or(s.clone(), |(name, _)| (*name).into())
                };
                format!("{} lamp", gases.iter().map(word).collect::<Vec<_>>().join(" and "))
            }
        }
    }

    /// The lamp in words with its article: `a neon lamp`, `an argon lamp`.
    pub(super) fn one(&self) -> String {
        let words = self.words();
        let article = if words.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
        format!("{article} {words}")
    }

    /// The lamp as it may be asked for by name: `fluorescent`, `neon`, `mercury+argon`.
    pub(super) fn name(&self) -> String {
        let words = self.words();
        words.strip_suffix(" lamp").unwrap_or(&words).replace(" and ", "+")
    }

    /// True where two lamps have a gas in common; a fluorescent lamp holds mercury and argon.
    pub(super) fn is_related(&self, other: &Lamp) -> bool {
        let gases = |lamp: &Lamp| match lamp {
            Lamp::Fluorescent => vec![MERCURY.to_string(), ARGON.to_string()],
            Lamp::Discharge(gases) => gases.clone(),
        };
        let theirs = gases(other);
        gases(self).iter().any(|g| theirs.contains(g))
    }

    /// True where mercury's lines are expected.
    pub(super) fn has_mercury(&self) -> bool {
        match self {
            Lamp::Fluorescent => true,
            Lamp::Discharge(gases) => gases.iter().any(|g| g == MERCURY),
        }
    }
}

impl fmt::Display for Lamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Lamp::Fluorescent => f.write_str(FLUORESCENT[0]),
            Lamp::Discharge(gases) => f.write_str(&gases.join("+")),
        }
    }
}

impl Serialize for Lamp {
    fn serialize<S: Serializer>(&self, s: S) -> std::result::Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Lamp {
    fn deserialize<D: Deserializer<'de>>(d: D) -> std::result::Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        let gases: Vec<String> = text.split('+').map(|s| s.trim().to_string()).collect();
        if text == FLUORESCENT[0] {
            Ok(Lamp::Fluorescent)
        } else if gases.iter().all(|g| !g.is_empty()) {
            Ok(Lamp::Discharge(gases))
        } else {
            Err(serde::de::Error::custom(format!("`{text}` names no lamp")))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lamps_are_known_by_symbol_and_by_name() {
        let t = Tables::bundled().unwrap();
        let gases = |s: &str| Lamp::named(s, &t).unwrap().to_string();
        assert_eq!(gases("Fluorescent"), "fluorescent");
        assert_eq!(gases("neon"), "Ne");
        assert_eq!(gases("HG+argon+hg"), "Hg+Ar");
        assert_eq!(Lamp::named("hg+ar", &t).unwrap().words(), "mercury and argon lamp");
        for lamp in Lamp::usual() {
            assert_eq!(Lamp::named(&lamp.name(), &t).unwrap(), lamp);
        }
        assert_eq!(Lamp::named("ar", &t).unwrap().one(), "an argon lamp");
        assert_eq!(Lamp::Fluorescent.one(), "a fluorescent lamp");
        let of = |s: &str| Lamp::named(s, &t).unwrap();
        assert!(Lamp::Fluorescent.is_related(&of("Hg")) && of("Ar").is_related(&of("Hg+Ar")));
        assert!(!of("Ne").is_related(&Lamp::Fluorescent) && !of("Hg").is_related(&of("Ar")));
        let e = Lamp::named("daylight", &t).unwrap_err().to_string();
        assert!(e.contains("daylight") && e.contains("fluorescent"), "{e}");
        assert_eq!(Lamp::asked("Auto", &t).unwrap(), None);
        assert_eq!(Lamp::asked("cfl", &t).unwrap(), Some(Lamp::Fluorescent));
    }

    #[test]
    fn a_lamp_keeps_its_name_on_disk() {
        for lamp in [Lamp::Fluorescent, Lamp::Discharge(vec!["Hg".into(), "Ar".into()])] {
            let text = serde_json::to_string(&lamp).unwrap();
            assert_eq!(serde_json::from_str::<Lamp>(&text).unwrap(), lamp);
        }
    }
}
