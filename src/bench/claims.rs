//! `claim` of a light on a bench sheet: one label, or a list of them, as text or as a number.

use serde::de::{self, SeqAccess, Visitor};
use serde::ser::SerializeSeq;
use serde::{Deserialize, Deserializer, Serializer};
use std::fmt;

/// One label as it is, several as a list.
pub fn serialize<S: Serializer>(claims: &[String], s: S) -> Result<S::Ok, S::Error> {
    match claims {
        [one] => s.serialize_str(one),
        many => {
            let mut list = s.serialize_seq(Some(many.len()))?;
            for c in many {
                list.serialize_element(c)?;
            }
            list.end()
        }
    }
}

/// The reverse of [`serialize`]; a bare number is taken as its text.
pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Vec<String>, D::Error> {
    d.deserialize_any(OneOrMany)
}

/// A label within the list.
struct Label(String);

impl<'de> Deserialize<'de> for Label {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct One;
        impl Visitor<'_> for One {
            type Value = Label;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a label such as \"365\" or \"UV-C\"")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Label, E> {
                Ok(Label(text.into()))
            }
            fn visit_i64<E: de::Error>(self, n: i64) -> Result<Label, E> {
                Ok(Label(n.to_string()))
            }
            fn visit_f64<E: de::Error>(self, n: f64) -> Result<Label, E> {
                Ok(Label(n.to_string()))
            }
        }
        d.deserialize_any(One)
    }
}

struct OneOrMany;

impl<'de> Visitor<'de> for OneOrMany {
    type Value = Vec<String>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a label such as \"365\" or \"UV-C\", or a list of labels")
    }

    fn visit_str<E: de::Error>(self, text: &str) -> Result<Self::Value, E> {
        Ok(vec![text.into()])
    }

    fn visit_i64<E: de::Error>(self, n: i64) -> Result<Self::Value, E> {
        Ok(vec![n.to_string()])
    }

    fn visit_f64<E: de::Error>(self, n: f64) -> Result<Self::Value, E> {
        Ok(vec![n.to_string()])
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Self::Value, A::Error> {
        let mut out = Vec::new();
        while let Some(Label(text)) = list.next_element()? {
            out.push(text);
        }
        Ok(out)
    }
}
