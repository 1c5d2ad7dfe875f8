//! `lamp`, `dark` and the like of a bench sheet: one file name, or a list of them.

use serde::de::{self, SeqAccess, Visitor};
use serde::ser::SerializeSeq;
use serde::{Deserializer, Serializer};
use std::fmt;
use std::path::PathBuf;

/// One recording as its name, several as a list.
pub fn serialize<S: Serializer>(files: &[PathBuf], s: S) -> Result<S::Ok, S::Error> {
    match files {
        [one] => s.serialize_str(&one.to_string_lossy()),
        many => {
            let mut list = s.serialize_seq(Some(many.len()))?;
            for f in many {
                list.serialize_element(&f.to_string_lossy())?;
            }
            list.end()
        }
    }
}

/// The reverse of [`serialize`].
pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Vec<PathBuf>, D::Error> {
    d.deserialize_any(OneOrMany)
}

struct OneOrMany;

impl<'de> Visitor<'de> for OneOrMany {
    type Value = Vec<PathBuf>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a file name or a list of file names")
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Self::Value, E> {
        Ok(vec![text.into()])
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Self::Value, A::Error> {
        let mut out = Vec::new();
        while let Some(FileName(name)) = list.next_element()? {
            out.push(name.into());
        }
        if out.is_empty() {
            return Err(de::Error::custom("an empty list, give a file name"));
        }
        Ok(out)
    }
}

/// A name within the list, with its own words for what is none.
struct FileName(String);

impl<'de> de::Deserialize<'de> for FileName {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct Name;
        impl Visitor<'_> for Name {
            type Value = FileName;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a file name")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<FileName, E> {
                Ok(FileName(text.into()))
            }
        }
        d.deserialize_any(Name)
    }
}
