//! What the plotting library cannot draw: groups with titles, dashes, shapes, fine coordinates.

use super::text::{FAMILY, escaped};
use std::fmt::Write;

/// Elements in drawing order, as SVG text; coordinates in px of the finished picture.
#[derive(Debug, Default)]
pub struct Layer {
    out: String,
}

/// How a text is set.
#[derive(Debug, Clone, Copy)]
pub struct Type<'a> {
    /// Size, px.
    pub size: f64,
    /// Colour.
    pub fill: &'a str,
    /// `start`, `middle` or `end`.
    pub anchor: &'a str,
    /// Bold.
    pub bold: bool,
    /// Slanted.
    pub italic: bool,
    /// Class, for style sheets and tests; may be empty.
    pub class: &'a str,
}

impl<'a> Type<'a> {
    /// Upright, regular, from the left.
    pub fn plain(size: f64, fill: &'a str) -> Self {
        Type { size, fill, anchor: "start", bold: false, italic: false, class: "" }
    }
}

/// Two decimals without trailing zeros; keeps files small and equal on all machines.
pub fn number(x: f64) -> String {
    let t = format!("{x:.2}");
    let t = t.trim_end_matches('0').trim_end_matches('.');
    if t == "-0" { "0".into() } else { t.into() }
}

impl Layer {
    /// What has been drawn.
    pub fn into_text(self) -> String {
        self.out
    }

    /// Opens a group, with a title for hovering where there is one.
    pub fn open(&mut self, class: &str, title: Option<&str>) {
        let _ = write!(self.out, "<g class=\"{class}\">");
        if let Some(t) = title {
            let _ = write!(self.out, "<title>{}</title>", escaped(t));
        }
        self.out.push('\n');
    }

    /// The same with what programs may read of it: `data-…` attributes, name and value.
    pub fn open_told(&mut self, class: &str, title: &str, data: &[(&str, &str)]) {
        let _ = write!(self.out, "<g class=\"{class}\"");
        for (name, value) in data {
            let _ = write!(self.out, " data-{name}=\"{}\"", escaped(value));
        }
        let _ = writeln!(self.out, "><title>{}</title>", escaped(title));
    }

    /// Closes the group.
    pub fn close(&mut self) {
        self.out.push_str("</g>\n");
    }

    /// Text with its baseline at `(x, y)`, turned by `turn` degrees about that point.
    pub fn text(&mut self, x: f64, y: f64, turn: f64, style: Type<'_>, text: &str) {
        self.text_over(x, y, turn, style, "", text);
    }

    /// The same with a rim of the colour `halo` about the letters, so that lines do not run through
    /// them; none where `halo` is empty.
    pub fn text_over(
        &mut self,
        x: f64,
        y: f64,
        turn: f64,
        style: Type<'_>,
        halo: &str,
        text: &str,
    ) {
        /// Width of the rim and of the gap that it leaves, px.
        const HALO: f64 = 4.0;
        let (x, y) = (number(x), number(y));
        let _ = write!(self.out, "<text x=\"{x}\" y=\"{y}\"");
        if turn != 0.0 {
            let _ = write!(self.out, " transform=\"rotate({turn} {x} {y})\"");
        }
        if !style.class.is_empty() {
            let _ = write!(self.out, " class=\"{}\"", style.class);
        }
        let _ = write!(self.out, " font-family=\"{FAMILY}\" font-size=\"{}\"", style.size);
        if style.anchor != "start" {
            let _ = write!(self.out, " text-anchor=\"{}\"", style.anchor);
        }
        if style.bold {
            self.out.push_str(" font-weight=\"bold\"");
        }
        if style.italic {
            self.out.push_str(" font-style=\"italic\"");
        }
        if !halo.is_empty() {
            let _ = write!(
                self.out,
                " stroke=\"{halo}\" stroke-width=\"{HALO}\" stroke-linejoin=\"round\" \
                 paint-order=\"stroke\""
            );
        }
        let _ = writeln!(self.out, " fill=\"{}\">{}</text>", style.fill, escaped(text));
    }

    /// An open line through `points`; `dash` as in `stroke-dasharray`, empty for none.
    pub fn line(&mut self, points: &[(f64, f64)], stroke: &str, width: f64, dash: &str) {
        let _ = write!(self.out, "<polyline fill=\"none\" stroke=\"{stroke}\"");
        let _ = write!(self.out, " stroke-width=\"{width}\" stroke-linejoin=\"round\"");
        if !dash.is_empty() {
            let _ = write!(self.out, " stroke-dasharray=\"{dash}\"");
        }
        self.points(points);
    }

    /// A closed shape; `fill` may be `none`, `opacity` is that of the fill.
    pub fn shape(&mut self, points: &[(f64, f64)], fill: &str, opacity: f64, stroke: &str) {
        let _ = write!(self.out, "<polygon fill=\"{fill}\"");
        if opacity < 1.0 {
            let _ = write!(self.out, " fill-opacity=\"{opacity}\"");
        }
        if stroke != "none" {
            let _ = write!(self.out, " stroke=\"{stroke}\" stroke-width=\"1.3\"");
        }
        self.points(points);
    }

    /// Several closed shapes of one tone, as one element.
    pub fn shapes(&mut self, shapes: &[Vec<(f64, f64)>], fill: &str, opacity: f64) {
        let _ = write!(self.out, "<path fill=\"{fill}\" fill-opacity=\"{opacity}\"");
        self.path(shapes, "Z");
    }

    /// Several open lines of one kind, as one element; `dash` as for [`Layer::line`].
    pub fn lines(&mut self, lines: &[Vec<(f64, f64)>], stroke: &str, width: f64, dash: &str) {
        let _ =
            write!(self.out, "<path fill=\"none\" stroke=\"{stroke}\" stroke-width=\"{width}\"");
        if !dash.is_empty() {
            let _ = write!(self.out, " stroke-dasharray=\"{dash}\"");
        }
        self.path(lines, "");
    }

    fn path(&mut self, parts: &[Vec<(f64, f64)>], end: &str) {
        self.out.push_str(" d=\"");
        for part in parts {
            for (i, (x, y)) in part.iter().enumerate() {
                let sign = if i == 0 { "M" } else { " " };
                let _ = write!(self.out, "{sign}{},{}", number(*x), number(*y));
            }
            self.out.push_str(end);
        }
        self.out.push_str("\"/>\n");
    }

    fn points(&mut self, points: &[(f64, f64)]) {
        self.out.push_str(" points=\"");
        for (i, (x, y)) in points.iter().enumerate() {
            let space = if i == 0 { "" } else { " " };
            let _ = write!(self.out, "{space}{},{}", number(*x), number(*y));
        }
        self.out.push_str("\"/>\n");
    }

    /// An upright rectangle from its corner and its size.
    pub fn rectangle(&mut self, at: (f64, f64), size: (f64, f64), fill: &str, opacity: f64) {
        let _ = write!(
            self.out,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{fill}\"",
            number(at.0),
            number(at.1),
            number(size.0.max(0.0)),
            number(size.1.max(0.0))
        );
        if opacity < 1.0 {
            let _ = write!(self.out, " fill-opacity=\"{opacity}\"");
        }
        self.out.push_str("/>\n");
    }

    /// A circle.
    pub fn circle(&mut self, at: (f64, f64), radius: f64, fill: &str, stroke: &str) {
        let _ = writeln!(
            self.out,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{fill}\" stroke=\"{stroke}\" \
             stroke-width=\"1.3\"/>",
            number(at.0),
            number(at.1),
            number(radius)
        );
    }
}
