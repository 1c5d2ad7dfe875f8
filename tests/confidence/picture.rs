//! The reliability diagram.

use crate::table::Figures;
use std::fmt::Write;

/// Side of the diagram's square, pixels.
const SIDE: f64 = 360.0;
/// Margin to the left and below, pixels.
const MARGIN: f64 = 60.0;
/// Ticks, log odds against probability.
const TICKS: [f64; 9] = [0.001, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 0.999];

/// Place of a probability on the stretched scale, 0 to 1 for 0.0005 to 0.9995.
fn place(p: f64) -> f64 {
    let logit = |p: f64| (p / (1.0 - p)).ln();
    let end = logit(0.9995);
    (0.5 + 0.5 * logit(p.clamp(0.0005, 0.9995)) / end).clamp(0.0, 1.0)
}

/// Stated probability against the share that holds, with the standard deviation of that share.
pub fn reliability(f: &Figures) -> String {
    let (w, h) = (SIDE + MARGIN + 20.0, SIDE + MARGIN + 40.0);
    let x = |p: f64| MARGIN + SIDE * place(p);
    let y = |p: f64| 40.0 + SIDE * (1.0 - place(p));
    let mut t = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" \
         height=\"{h}\" role=\"img\" font-family=\"sans-serif\" font-size=\"11\">\n<title>Stated \
         probability against the share that holds</title>\n<rect width=\"100%\" height=\"100%\" \
         fill=\"#fff\"/>\n<text x=\"{MARGIN}\" y=\"16\" font-size=\"13\">{} species-questions, \
         prevalence {:.3}</text>\n<text x=\"{MARGIN}\" y=\"31\">calibration error {:.4}, between 5 \
         and 95 % {:.3}; Brier score {:.4}</text>\n",
        f.questions, f.prevalence, f.ece, f.ece_open, f.brier
    );
    for p in TICKS {
        let label = format!("{} %", p * 100.0);
        let _ = writeln!(
            t,
            "<path d=\"M{:.1} {:.1}V{:.1}M{:.1} {:.1}H{:.1}\" stroke=\"#ddd\"/><text x=\"{:.1}\" \
             y=\"{:.1}\" text-anchor=\"middle\">{label}</text><text x=\"{:.1}\" y=\"{:.1}\" \
             text-anchor=\"end\">{label}</text>",
            x(p),
            40.0,
            40.0 + SIDE,
            MARGIN,
            y(p),
            MARGIN + SIDE,
            x(p),
            40.0 + SIDE + 16.0,
            MARGIN - 6.0,
            y(p) + 4.0
        );
    }
    let _ = writeln!(
        t,
        "<path d=\"M{MARGIN} {:.1}L{:.1} 40\" stroke=\"#888\" stroke-dasharray=\"4 3\"/>\n<text \
         x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">stated probability</text>\n<text \
         transform=\"translate(12 {:.1}) rotate(-90)\" text-anchor=\"middle\">share that \
         shows</text>",
        40.0 + SIDE,
        MARGIN + SIDE,
        MARGIN + 0.5 * SIDE,
        h - 8.0,
        40.0 + 0.5 * SIDE
    );
    for b in &f.bins {
        let n = b.of as f64;
        // Wilson's interval, one standard deviation.
        let centre = (b.found + 0.5 / n) / (1.0 + 1.0 / n);
        let half = (b.found * (1.0 - b.found) / n + 0.25 / (n * n)).sqrt() / (1.0 + 1.0 / n);
        let _ = writeln!(
            t,
            "<g><title>{:.2} % stated, {:.2} % of {} show</title><path d=\"M{:.1} {:.1}V{:.1}\" \
             stroke=\"#0a5c8a\" stroke-width=\"1.5\"/><circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"4\" \
             fill=\"#0a5c8a\"/></g>",
            100.0 * b.stated,
            100.0 * b.found,
            b.of,
            x(b.stated),
            y(centre - half),
            y(centre + half),
            x(b.stated),
            y(b.found)
        );
    }
    t + "</svg>\n"
}
