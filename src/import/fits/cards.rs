//! Header cards: 80 characters each, 36 to a block.

use super::{BLOCK, bad};
use crate::Result;
use std::collections::HashMap;
use std::path::Path;

/// Characters of a card.
const CARD: usize = 80;
/// Most blocks of one header, 36,000 cards; real ones have a few.
const MAX_HEADER_BLOCKS: usize = 1000;

/// A header.
#[derive(Debug, Clone, Default)]
pub(super) struct Cards {
    /// Keyword and value as written, without comment, in file order.
    list: Vec<(String, Value)>,
    /// Place of a keyword in `list`; the first of several.
    index: HashMap<String, usize>,
}

/// What stands behind a keyword.
#[derive(Debug, Clone, PartialEq)]
enum Value {
    Text(String),
    /// Number or logical value, as written.
    Bare(String),
    /// `COMMENT`, `HISTORY`.
    Remark(String),
}

impl Cards {
    /// Reads a header; gives its length in bytes, filling included.
    pub fn read(bytes: &[u8], path: &Path) -> Result<(Self, usize)> {
        let mut out = Cards::default();
        for (i, card) in bytes.chunks_exact(CARD).enumerate() {
            if i >= MAX_HEADER_BLOCKS * BLOCK / CARD {
                return Err(bad(path, "the header has no end", "copy or export the file again"));
            }
            if card.starts_with(b"END") && card[3..].iter().all(|b| *b == b' ') {
                let used = (i + 1) * CARD;
                return Ok((out, used.div_ceil(BLOCK).saturating_mul(BLOCK).min(bytes.len())));
            }
            out.add(card);
        }
        Err(bad(path, "the header has no END card", "copy the file again, it is cut off"))
    }

    fn add(&mut self, card: &[u8]) {
        // Only printable ASCII may stand in a header; anything else becomes a question mark.
        let text: String = card
            .iter()
            .map(|b| if (0x20..0x7f).contains(b) { char::from(*b) } else { '?' })
            .collect();
        let key = text[..8].trim_end().to_string();
        let rest = &text[8..];
        let value = match rest.strip_prefix("= ") {
            Some(rest) => value_of(rest),
            None if !rest.trim().is_empty() => Value::Remark(rest.trim_end().to_string()),
            None => return,
        };
        self.index.entry(key.clone()).or_insert(self.list.len());
        self.list.push((key, value));
    }

    fn get(&self, key: &str) -> Option<&Value> {
        self.list.get(*self.index.get(key)?).map(|(_, v)| v)
    }

    /// A text without trailing blanks; `None` where there is none or nothing in it.
    pub fn text(&self, key: &str) -> Option<&str> {
        match self.get(key)? {
            Value::Text(t) => Some(t.trim_end()).filter(|t| !t.is_empty()),
            _ => None,
        }
    }

    /// A finite number.
    pub fn number(&self, key: &str) -> Option<f64> {
        match self.get(key)? {
            Value::Bare(t) => {
                t.replace(['D', 'd'], "E").parse().ok().filter(|v: &f64| v.is_finite())
            }
            _ => None,
        }
    }

    /// A whole number.
    pub fn whole(&self, key: &str) -> Option<i64> {
        match self.get(key)? {
            Value::Bare(t) => t.parse().ok(),
            _ => None,
        }
    }

    /// A logical value that is true.
    pub fn flag(&self, key: &str) -> bool {
        self.get(key) == Some(&Value::Bare("T".into()))
    }

    /// What says something about the recording rather than about the file.
    pub fn metadata(&self) -> Vec<(String, String)> {
        let of_the_file = |k: &str| {
            const WHOLE: [&str; 14] = [
                "EXTNAME", "AIRORVAC", "SIMPLE", "BITPIX", "EXTEND", "BSCALE", "BZERO", "BLANK",
                "PCOUNT", "GCOUNT", "TFIELDS", "XTENSION", "CHECKSUM", "DATASUM",
            ];
            const BEGIN: [&str; 6] = ["NAXIS", "TFORM", "TDISP", "TBCOL", "TTYPE", "TUNIT"];
            WHOLE.contains(&k) || BEGIN.iter().any(|b| k.starts_with(b))
        };
        self.list
            .iter()
            .filter(|(k, _)| !of_the_file(k))
            .map(|(k, v)| match v {
                Value::Text(t) | Value::Bare(t) => (k.clone(), t.trim().to_string()),
                // Remarks are plain text.
                Value::Remark(t) => (String::new(), t.trim().to_string()),
            })
            .filter(|(_, v)| !v.is_empty())
            .collect()
    }
}

/// A text in quotes (two quotes are one), or what stands before the comment.
fn value_of(rest: &str) -> Value {
    let trimmed = rest.trim_start();
    let Some(inner) = trimmed.strip_prefix('\'') else {
        let bare = trimmed.split('/').next().unwrap_or_default();
        return Value::Bare(bare.trim().to_string());
    };
    let mut out = String::new();
    let mut chars = inner.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '\'' if chars.peek() == Some(&'\'') => {
                chars.next();
                out.push('\'');
            }
            '\'' => break,
            c => out.push(c),
        }
    }
    Value::Text(out)
}
