//! Choices of a plot, and its colours.

use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Light or dark paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Theme {
    /// Dark ink on light paper.
    #[default]
    Light,
    /// Light ink on dark paper.
    Dark,
}

/// How counts become heights.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scale {
    /// Heights in proportion to the counts.
    #[default]
    Linear,
    /// Heights in proportion to the square root of the counts above the lowest: shows weak lines.
    SquareRoot,
}

/// Choices for a plot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct PlotStyle {
    /// Light or dark.
    pub theme: Theme,
    /// Headline; empty: the name of the recording or instrument.
    pub title: String,
    /// Lines below the plot (instrument, settings …); the program adds one of its own.
    pub footer: Vec<String>,
    /// Width, px.
    pub width_px: f64,
    /// Height, px.
    pub height_px: f64,
    /// How counts become heights.
    pub scale: Scale,
    /// Stretch of the axis that is shown, axis units; `None`: all.
    pub range: Option<(f64, f64)>,
    /// Points of a curve that lie nearer than this to the straight line between those that are kept
    /// are left out, px; 0: none.
    pub tolerance_px: f64,
    /// False: the verdicts stand in a line above the plot, however wide it is.
    pub verdicts_beside: bool,
}

impl Default for PlotStyle {
    fn default() -> Self {
        PlotStyle {
            theme: Theme::Light,
            title: String::new(),
            footer: Vec::new(),
            width_px: 1200.0,
            height_px: 640.0,
            scale: Scale::Linear,
            range: None,
            tolerance_px: 0.0,
            verdicts_beside: true,
        }
    }
}

impl PlotStyle {
    /// Smallest width in px that holds axis, labels and footer.
    pub const MIN_WIDTH_PX: f64 = 480.0;
    /// Smallest height in px that holds title, labels, curve and footer.
    pub const MIN_HEIGHT_PX: f64 = 360.0;
    /// Largest width or height in px; beyond, whole tenths of a px would overflow.
    pub const MAX_PX: f64 = 20_000.0;

    /// # Errors
    /// [`Error::Usage`] for a size or a stretch that cannot be drawn.
    pub(super) fn check(&self) -> Result<()> {
        let fits = |v: f64, least: f64| v.is_finite() && (least..=Self::MAX_PX).contains(&v);
        let sizes =
            fits(self.width_px, Self::MIN_WIDTH_PX) && fits(self.height_px, Self::MIN_HEIGHT_PX);
        if !sizes {
            return Err(Error::usage(
                format!("a plot cannot be {} px by {} px", self.width_px, self.height_px),
                format!(
                    "choose at least {} by {} and at most {} px",
                    Self::MIN_WIDTH_PX,
                    Self::MIN_HEIGHT_PX,
                    Self::MAX_PX
                ),
            ));
        }
        match self.range {
            Some((a, b)) if !(a.is_finite() && b.is_finite() && a < b) => Err(Error::usage(
                format!("a plot cannot run from {a} to {b}"),
                "give the lower end first",
            )),
            _ => Ok(()),
        }
    }
}

/// Colours of a theme. No meaning rests on colour alone: shapes, dashes and words carry it too.
#[derive(Debug, Clone, Copy)]
pub struct Inks {
    /// Background.
    pub paper: (u8, u8, u8),
    /// Background, as text.
    pub paper_text: &'static str,
    /// Main text.
    pub ink: (u8, u8, u8),
    /// Main text, as text.
    pub ink_text: &'static str,
    /// Secondary text and axes.
    pub soft: &'static str,
    /// The curve.
    pub curve: (u8, u8, u8),
    /// The curve, as text.
    pub curve_text: &'static str,
    /// Leader lines.
    pub leader: &'static str,
    /// What nobody claims and what is clipped.
    pub alert: &'static str,
    /// Ghosts and room light.
    pub ghost: &'static str,
}

impl Theme {
    /// The colours.
    pub(in crate::report) fn inks(self) -> Inks {
        match self {
            Theme::Light => Inks {
                paper: (0xfc, 0xfb, 0xf8),
                paper_text: "#fcfbf8",
                ink: (0x20, 0x25, 0x2b),
                ink_text: "#20252b",
                soft: "#57606b",
                curve: (0x1c, 0x55, 0x6e),
                curve_text: "#1c556e",
                leader: "#a7aeb6",
                alert: "#a33b0b",
                ghost: "#6a4a9c",
            },
            Theme::Dark => Inks {
                paper: (0x14, 0x18, 0x1d),
                paper_text: "#14181d",
                ink: (0xe9, 0xe7, 0xe2),
                ink_text: "#e9e7e2",
                soft: "#a6aeb8",
                curve: (0x86, 0xc9, 0xdb),
                curve_text: "#86c9db",
                leader: "#5d6670",
                alert: "#f0a06a",
                ghost: "#bfa5ea",
            },
        }
    }
}
