//! Style sheet and script of the page, and what allows these two and nothing else.

use crate::report::svg::{FAMILY, Theme};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

/// Rules for everything but the colours of drawings.
const STYLE: &str = include_str!("page.css");
/// Reading, zoom, downloads.
pub const SCRIPT: &str = concat!(include_str!("save.js"), include_str!("plot.js"));

/// The style sheet: [`STYLE`] and, for readers who want it dark, the other theme's colour for each
/// colour of the drawings.
pub fn style() -> String {
    let (light, dark) = (Theme::Light.inks(), Theme::Dark.inks());
    let pairs = [
        (light.paper_text, dark.paper_text),
        (light.ink_text, dark.ink_text),
        (light.soft, dark.soft),
        (light.curve_text, dark.curve_text),
        (light.leader, dark.leader),
        (light.alert, dark.alert),
        (light.ghost, dark.ghost),
    ];
    let mut out = format!("{STYLE}svg{{font-family:{FAMILY}}}\n");
    out += "@media screen and (prefers-color-scheme:dark){\n";
    for (from, to) in pairs {
        out += &format!(
            "svg [fill=\"{from}\" i]{{fill:{to}}}\nsvg [stroke=\"{from}\" i]{{stroke:{to}}}\n"
        );
    }
    out += &format!("svg .l{{stroke:{}}}\n", dark.leader);
    out + "}\nsvg{stroke-linejoin:round}\n"
}

/// A drawing without what the style sheet says for all of them.
pub fn lean(svg: &str) -> String {
    let tenths = in_tenths(svg);
    let svg = &tenths;
    let plain = format!(" font-family=\"{FAMILY}\"");
    let quoted = format!(" font-family=\"{}\"", FAMILY.replace('\'', "&apos;"));
    let mut out = svg.replace(&plain, "").replace(&quoted, "");
    for same in [
        " xmlns=\"http://www.w3.org/2000/svg\"",
        " stroke-linejoin=\"round\"",
        " opacity=\"1\"",
        " stroke=\"none\"",
    ] {
        out = out.replace(same, "");
    }
    // What the style sheet says by class.
    out.replace(LEADER, "<polyline class=\"l\"")
}

/// Leader lines, of which a drawing has very many.
const LEADER: &str = "<polyline fill=\"none\" stroke=\"#a7aeb6\" stroke-width=\"0.9\"";

/// Attributes that hold places, which a tenth of a px is enough for.
const PLACES: [&str; 8] = [
    " points=\"",
    " x=\"",
    " y=\"",
    " cx=\"",
    " cy=\"",
    " width=\"",
    " height=\"",
    " transform=\"",
];

/// The drawing with its places in tenths of a px. Words are left alone: in them every `"` is escaped.
fn in_tenths(svg: &str) -> String {
    let mut out = String::with_capacity(svg.len());
    let mut rest = svg;
    loop {
        let next = PLACES.iter().filter_map(|p| rest.find(p).map(|at| at + p.len())).min();
        let Some(start) = next else { break };
        let end = rest[start..].find('"').map_or(rest.len(), |e| start + e);
        out.push_str(&rest[..start]);
        let value = &rest[start..end];
        // The scale of the plotting library's group is no place.
        let kept = value.starts_with("scale");
        out.push_str(&if kept { value.to_string() } else { numbers_in_tenths(value) });
        rest = &rest[end..];
    }
    out + rest
}

/// Every number of `text` with one decimal at most.
fn numbers_in_tenths(text: &str) -> String {
    let part = |c: char| c.is_ascii_digit() || c == '.';
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(start) = rest.find(part) {
        let end = rest[start..].find(|c| !part(c)).map_or(rest.len(), |e| start + e);
        out.push_str(&rest[..start]);
        let number = &rest[start..end];
        match number.parse::<f64>() {
            Ok(v) if number.contains('.') => {
                let short = format!("{v:.1}");
                out.push_str(short.strip_suffix(".0").unwrap_or(&short));
            }
            _ => out.push_str(number),
        }
        rest = &rest[end..];
    }
    out + rest
}

/// Content security policy: no network at all, no script and no style but our own two.
pub fn policy(style: &str) -> String {
    let mark = |text: &str| STANDARD.encode(Sha256::digest(text.as_bytes()));
    format!(
        "default-src 'none'; img-src data:; style-src 'sha256-{}'; script-src 'sha256-{}'; \
         base-uri 'none'; form-action 'none'",
        mark(style),
        mark(SCRIPT)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_shortened_and_words_are_not() {
        assert_eq!(
            lean(
                "<g transform=\"scale(0.1)\"/><text x=\"12.345\" opacity=\"1\">x=1.234 Ne 640.22</text>"
            ),
            "<g transform=\"scale(0.1)\"/><text x=\"12.3\">x=1.234 Ne 640.22</text>"
        );
        assert_eq!(numbers_in_tenths("12.04,-3.96 rotate(-90 4 5.55)"), "12,-4 rotate(-90 4 5.5)");
    }
}
