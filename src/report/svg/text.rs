//! Text without a font library: widths that are safe for the usual sans-serif fonts, shortening,
//! line breaks, escaping.

/// Font list of all plots; widths below hold for any of them.
pub const FAMILY: &str = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif";
/// Width in 1/1000 em of the characters from space to tilde: the wider of DejaVu Sans and
/// Liberation Sans (metric twin of Arial), read from the fonts' own tables.
const WIDTHS: [u16; 95] = [
    318, 401, 460, 838, 637, 951, 780, 275, 391, 391, 500, 838, 318, 361, 318, 337, // to /
    637, 637, 637, 637, 637, 637, 637, 637, 637, 637, 337, 337, 838, 838, 838, 557, // to ?
    1016, 685, 687, 723, 771, 667, 611, 778, 752, 295, 500, 667, 558, 863, 749, 788, // to O
    667, 788, 723, 667, 611, 732, 685, 989, 686, 667, 686, 391, 337, 391, 838, 557, // to _
    500, 613, 635, 550, 635, 616, 353, 635, 634, 278, 278, 580, 278, 975, 634, 612, // to o
    635, 635, 412, 521, 393, 634, 592, 818, 592, 592, 525, 637, 337, 637, 838, // to ~
];
/// Width in 1/1000 em taken for other characters of Latin and Greek script and common signs.
const OTHER: u16 = 880;
/// Width in 1/1000 em of an ideograph or emoji.
const IDEOGRAPH: u16 = 1300;
/// Bold type is at most this much wider (measured on the same fonts, capital I excepted).
const BOLD: f64 = 1.24;
/// Height of a line of text over its size, for boxes around labels.
pub const LINE_HEIGHT: f64 = 1.18;

/// Width in px of `text` set at `size` px; an upper bound for the fonts of [`FAMILY`].
pub fn width(text: &str, size: f64) -> f64 {
    let sum: u32 = text
        .chars()
        .map(|c| match c {
            ' '..='~' => u32::from(WIDTHS[c as usize - 32]),
            c if c < '\u{2e80}' => u32::from(OTHER),
            _ => u32::from(IDEOGRAPH),
        })
        .sum();
    f64::from(sum) * size / 1000.0
}

/// The size that bold type of `size` px must be taken for by the functions of this module.
pub fn bold(size: f64) -> f64 {
    size * BOLD
}

/// `text`, cut and closed with `…` where it would be wider than `room` px at `size` px.
pub fn shortened(text: &str, size: f64, room: f64) -> String {
    if width(text, size) <= room {
        return text.into();
    }
    let mut out = String::new();
    for c in text.chars() {
        out.push(c);
        if width(&out, size) + width("…", size) > room {
            out.pop();
            break;
        }
    }
    format!("{}…", out.trim_end())
}

/// `text` in lines no wider than `room` px at `size` px, broken at spaces; a single word that is
/// too wide is shortened.
pub fn wrapped(text: &str, size: f64, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    // A no-break space holds a number and its unit together.
    let breaks = |c: char| c.is_whitespace() && c != '\u{a0}';
    for word in text.split(breaks).filter(|w| !w.is_empty()) {
        match lines.last_mut() {
            Some(line) if width(line, size) + width(" ", size) + width(word, size) <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(shortened(word, size, room)),
        }
    }
    lines
}

/// `text` as XML character data or attribute value; characters that XML 1.0 forbids become
/// U+FFFD.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn escapes_all_that_xml_minds() {
        assert_eq!(escaped("a<b>&\"c'\u{1}"), "a&lt;b&gt;&amp;&quot;c&#39;\u{fffd}");
    }

    #[test]
    fn short_text_is_kept_and_long_text_is_cut() {
        assert_eq!(shortened("Ne I 640.22", 11.0, 200.0), "Ne I 640.22");
        let cut = shortened("a very long name of an instrument", 11.0, 60.0);
        assert!(cut.ends_with('…') && width(&cut, 11.0) <= 60.0, "{cut}");
    }

    proptest! {
        #[test]
        fn wrapped_lines_fit_and_keep_the_words(s in "[a-z ]{0,80}") {
            let lines = wrapped(&s, 11.0, 120.0);
            for l in &lines {
                prop_assert!(width(l, 11.0) <= 120.0 || l.ends_with('…'));
            }
            if lines.iter().all(|l| !l.ends_with('…')) {
                let words: Vec<_> = s.split_whitespace().collect();
                prop_assert_eq!(lines.join(" "), words.join(" "));
            }
        }
    }
}
