//! What was typed, turned once into ready settings.

use super::args::{AskedArgs, CommonArgs, ThemeArg};
use super::output;
use anyhow::bail;
use glowtell::bench::Settings;
use glowtell::calibrate::{Lamp, Profile};
use glowtell::gases::GasSettings;
use glowtell::import::ImportSettings;
use glowtell::reference::Tables;
use glowtell::report::svg::{PlotStyle, Theme};
use glowtell::report::terminal::Style;
use std::path::PathBuf;

/// What all commands need.
pub struct Common {
    /// How files are read.
    pub import: ImportSettings,
    /// The line tables.
    pub tables: Tables,
    /// Saved instrument.
    pub profile: Option<PathBuf>,
    /// Where to draw.
    pub svg: Option<PathBuf>,
    /// Colours of drawings.
    pub theme: Theme,
    /// JSON instead of tables.
    pub json: bool,
    /// No notes, no cautions, no progress.
    pub quiet: bool,
    /// Width and colour of tables.
    pub style: Style,
}

/// Commands that an option means something to.
const MEANT_FOR: [(&str, &[&str]); 6] = [
    ("--profile", &["run", "verify", "peaks", "gases", "source"]),
    ("--json", &["run", "calibrate", "verify", "peaks", "gases", "source", "lines"]),
    ("--svg", &["calibrate", "verify", "peaks", "gases", "source"]),
    ("--theme", &["run", "calibrate", "verify", "peaks", "gases", "source"]),
    ("--columns", &["run", "calibrate", "verify", "peaks", "gases", "source"]),
    ("--encoding", &["run", "calibrate", "verify", "peaks", "gases", "source"]),
];

impl Common {
    /// The lamp of that name; `None` for `auto`.
    ///
    /// # Errors
    /// A lamp that the tables have no lines of.
    pub fn lamp(&self, name: &str) -> anyhow::Result<Option<Lamp>> {
        Ok(Lamp::asked(name, &self.tables)?)
    }

    /// Settings for `command`.
    ///
    /// # Errors
    /// An option that the command has no use for; tables that cannot be read.
    pub fn new(args: &CommonArgs, command: &str) -> anyhow::Result<Self> {
        let given = [
            args.profile.is_some(),
            args.json,
            args.svg.is_some(),
            args.theme.is_some(),
            args.columns.is_some(),
            args.encoding.is_some(),
        ];
        for ((option, commands), given) in MEANT_FOR.iter().zip(given) {
            if given && !commands.contains(&command) {
                bail!(
                    "{option} means nothing to `{command}`; leave it out, or use one of {}",
                    commands.join(", ")
                );
            }
        }
        let tables = match &args.line_tables {
            Some(folder) => Tables::with_folder(folder)?,
            None => Tables::bundled()?,
        };
        Ok(Common {
            import: ImportSettings {
                columns: args.columns.clone(),
                encoding: args.encoding.clone(),
                ..ImportSettings::default()
            },
            tables,
            profile: args.profile.clone(),
            svg: args.svg.clone(),
            theme: match args.theme {
                Some(ThemeArg::Dark) => Theme::Dark,
                Some(ThemeArg::Light) | None => Theme::Light,
            },
            json: args.json,
            quiet: args.quiet,
            style: output::style(!args.quiet),
        })
    }

    /// The saved instrument, read.
    ///
    /// # Errors
    /// Those of [`Profile::load`].
    pub fn load_profile(&self) -> glowtell::Result<Option<Profile>> {
        self.profile.as_deref().map(Profile::load).transpose()
    }

    /// How to draw something called `title`.
    pub fn plot_style(&self, title: &str, footer: Vec<String>) -> PlotStyle {
        PlotStyle { theme: self.theme, title: title.into(), footer, ..PlotStyle::default() }
    }
}

impl AskedArgs {
    /// Settings of an examination that identifies.
    pub fn settings(&self) -> Settings {
        Settings {
            gases: GasSettings {
                ask: self.ask.iter().map(|s| s.trim().to_string()).collect(),
                factory_axis_u_nm: self.axis_u,
                ..GasSettings::default()
            },
            ..Settings::default()
        }
    }
}
