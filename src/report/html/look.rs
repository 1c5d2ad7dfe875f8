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
    out += &format!("svg .l{{stroke:{}}}\nsvg .p{{fill:{}}}\n", dark.leader, dark.ink_text);
    out + "}\nsvg{stroke-linejoin:round}\n"
}

/// A drawing without what the style sheet says for all of them.
pub fn lean(svg: &str) -> String {
    let tenths = in_steps(&in_tenths(svg));
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
    out.replace(LEADER, "<polyline class=\"l\"").replace(LABEL, " class=\"p\"")
}

/// Leader lines, of which a drawing has very many.
const LEADER: &str = "<polyline fill=\"none\" stroke=\"#a7aeb6\" stroke-width=\"0.9\"";

/// Names of lines, of which it has as many.
const LABEL: &str = " class=\"peak-label\" font-size=\"11.5\" fill=\"#20252b\"";

/// Attributes that hold places, which a tenth of a px is enough for.
const PLACES: [&str; 9] = [
    " points=\"",
    " d=\"",
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

/// Lines of fewer points stay as they are: the script looks some of them up.
const LONG: usize = 8;

/// The drawing with its long lines as steps from point to point, which take fewer letters. Places must
/// be in tenths of a px: the sums of the steps are exact.
fn in_steps(svg: &str) -> String {
    let mut out = String::with_capacity(svg.len());
    let mut rest = svg;
    loop {
        let next = [("<polyline", " points=\""), ("<path", " d=\"")]
            .into_iter()
            .filter_map(|(tag, name)| Some((rest.find(tag)?, tag, name)))
            .min_by_key(|n| n.0);
        let Some((at, tag, name)) = next else { break };
        let end = rest[at..].find('>').map_or(rest.len(), |e| at + e);
        let element = &rest[at..end];
        out.push_str(&rest[..at]);
        out.push_str(&element_in_steps(element, tag, name).unwrap_or_else(|| element.into()));
        rest = &rest[end..];
    }
    out + rest
}

/// One line or path; `None` where it is short or not as expected.
fn element_in_steps(element: &str, tag: &str, name: &str) -> Option<String> {
    let start = element.find(name)? + name.len();
    let length = element[start..].find('"')?;
    let places = &element[start..start + length];
    let mut d = String::new();
    let mut points = 0;
    for part in places.split('M').filter(|p| !p.is_empty()) {
        let (part, close) = part.strip_suffix('Z').map_or((part, ""), |p| (p, "z"));
        let mut before: Option<(i64, i64)> = None;
        for pair in part.split_whitespace() {
            let (x, y) = pair.split_once(',')?;
            let here = (tenths(x)?, tenths(y)?);
            match before {
                None => d += &format!("M{x},{y}l"),
                Some((a, b)) => {
                    step(&mut d, here.0 - a);
                    step(&mut d, here.1 - b);
                }
            }
            before = Some(here);
            points += 1;
        }
        d += close;
    }
    let head = element[tag.len()..start - name.len()].to_string();
    (points >= LONG).then(|| format!("<path{head} d=\"{d}\"{}", &element[start + length + 1..]))
}

/// A number with one decimal at most, in tenths.
fn tenths(text: &str) -> Option<i64> {
    let v = (text.parse::<f64>().ok()? * 10.0).round();
    (v.abs() < 1e9).then_some(v as i64)
}

/// Appends a step of so many tenths; a minus sign parts two numbers as well as a blank.
fn step(d: &mut String, tenths: i64) {
    let (whole, tenth) = (tenths.abs() / 10, tenths.abs() % 10);
    let sign = if tenths < 0 { "-" } else { " " };
    let after_letter = d.ends_with('l') && sign == " ";
    d.push_str(if after_letter { "" } else { sign });
    match (whole, tenth) {
        (_, 0) => *d += &whole.to_string(),
        (0, t) => *d += &format!(".{t}"),
        (w, t) => *d += &format!("{w}.{t}"),
    }
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
    fn long_lines_are_steps_that_end_where_they_did() {
        let line = "<polyline stroke=\"red\" points=\"1,2 1.5,-3 2,2 3,4 5,6 7,8 9,10 9.1,10\"/>";
        assert_eq!(
            in_steps(line),
            "<path stroke=\"red\" d=\"M1,2l.5-5 .5 5 1 2 2 2 2 2 2 2 .1 0\"/>"
        );
        let path = "<path d=\"M0,0 1,1 2,0ZM5,5 6,6 7,7 8,8 9,9Z\"/>";
        assert_eq!(in_steps(path), "<path d=\"M0,0l1 1 1-1zM5,5l1 1 1 1 1 1 1 1z\"/>");
        for kept in ["<polyline points=\"1,2 3,4\"/>", "<path d=\"M1,2 a b\"/>", "<p>1 < 2"] {
            assert_eq!(in_steps(kept), kept);
        }
    }

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
