//! What was typed, turned once into ready settings.

use super::args::{AskedArgs, CommonArgs, ThemeArg};
use super::output;
use anyhow::bail;
use glowtell::bench::{Frames, Settings};
use glowtell::calibrate::{Lamp, Profile};
use glowtell::gases::GasSettings;
use glowtell::import::{ImportSettings, read_file};
use glowtell::reference::Tables;
use glowtell::report::svg::{PlotStyle, Theme};
use glowtell::report::terminal::Style;
use std::path::{Path, PathBuf};

/// What all commands need.
pub struct Common {
    /// How files are read.
    pub import: ImportSettings,
    /// Dark, background and flat, read.
    pub frames: Frames,
    /// The files of these.
    pub frame_files: Vec<PathBuf>,
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

/// Commands that read recordings.
const READING: &[&str] =
    &["run", "calibrate", "verify", "peaks", "gases", "source", "compare", "convert", "sheet"];
/// Commands that take dark, background and flat off them.
const FRAMED: &[&str] =
    &["run", "calibrate", "verify", "peaks", "gases", "source", "compare", "convert"];

/// Commands that an option means something to.
const MEANT_FOR: [(&str, &[&str]); 11] = [
    ("--profile", &["run", "verify", "peaks", "gases", "source", "compare", "convert"]),
    (
        "--json",
        &["run", "calibrate", "verify", "peaks", "gases", "source", "compare", "pool", "lines"],
    ),
    ("--svg", &["calibrate", "verify", "peaks", "gases", "source", "compare", "pool"]),
    ("--theme", &["run", "calibrate", "verify", "peaks", "gases", "source", "compare", "pool"]),
    ("--columns", READING),
    ("--encoding", READING),
    ("--block", READING),
    ("--rows", READING),
    ("--dark", FRAMED),
    ("--background", FRAMED),
    ("--flat", FRAMED),
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
            args.block.is_some(),
            args.rows.is_some(),
            !args.dark.is_empty(),
            !args.background.is_empty(),
            !args.flat.is_empty(),
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
        let import = ImportSettings {
            columns: args.columns.clone(),
            encoding: args.encoding.clone(),
            block: args.block,
            rows: args.rows,
            ..ImportSettings::default()
        };
        let read = |files: &[PathBuf]| {
            files.iter().map(|f| read_file(f, &import)).collect::<glowtell::Result<Vec<_>>>()
        };
        let frames = Frames {
            darks: read(&args.dark)?,
            backgrounds: read(&args.background)?,
            flats: read(&args.flat)?,
        };
        Ok(Common {
            frames,
            frame_files: [&args.dark[..], &args.background, &args.flat].concat(),
            import,
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

    /// A recording, without dark and background.
    ///
    /// # Errors
    /// Those of [`read_file`] and [`Frames::apply`].
    pub fn read(&self, path: &Path) -> glowtell::Result<glowtell::Spectrum> {
        self.frames.apply(&read_file(path, &self.import)?)
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
                chance: self.chance,
                ..GasSettings::default()
            },
            ..Settings::default()
        }
    }
}
