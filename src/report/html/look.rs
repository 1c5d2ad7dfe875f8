//! Style sheet and script of the page, and what allows these two and nothing else.

use crate::report::svg::{FAMILY, Theme};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest, Sha256};

/// Rules for everything but the colours of drawings.
const STYLE: &str = include_str!("page.css");
/// Reading, zoom, downloads.
pub const SCRIPT: &str = include_str!("page.js");

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
        out += &format!("svg [fill=\"{from}\" i]{{fill:{to}}}\nsvg [stroke=\"{from}\" i]{{stroke:{to}}}\n");
    }
    out + "}\n"
}

/// A drawing without what the style sheet says for all of them.
pub fn lean(svg: &str) -> String {
    let plain = format!(" font-family=\"{FAMILY}\"");
    let quoted = format!(" font-family=\"{}\"", FAMILY.replace('\'', "&apos;"));
    svg.replace(&plain, "").replace(&quoted, "").replace(" xmlns=\"http://www.w3.org/2000/svg\"", "")
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
