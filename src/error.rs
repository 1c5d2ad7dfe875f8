//! What can go wrong, in sentences that a user can act on.

use std::path::PathBuf;

/// Result of the library's fallible functions.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Why something could not be done. Every message names the file (and the line
/// where there is one), what is wrong, and what to do about it.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A file or folder could not be read.
    #[error("{}: cannot be read ({source}); check the name and the permissions", path.display())]
    Read {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A file or folder could not be written.
    #[error("{}: cannot be written ({source}); choose a place you may write to", path.display())]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The content of a file is not what it has to be.
    #[error("{}{}: {what}; {remedy}", path.display(), line.map(|l| format!(", line {l}")).unwrap_or_default())]
    Input {
        /// The file, or a name for data that came from elsewhere.
        path: PathBuf,
        /// Line in the file, counted from 1.
        line: Option<usize>,
        /// What is wrong.
        what: String,
        /// What to do.
        remedy: String,
    },
    /// The question was understood, the data do not bear an answer.
    #[error("{what}: refused, because {why}; {remedy}")]
    Refused {
        /// What was asked (for instance `calibration with lamp.csv`).
        what: String,
        /// The reason.
        why: String,
        /// What would help.
        remedy: String,
    },
    /// An option or a setting has a value that makes no sense.
    #[error("{what}; {remedy}")]
    Usage {
        /// What is wrong.
        what: String,
        /// What to do.
        remedy: String,
    },
    /// Drawing failed (a defect of the program, not of the input).
    #[error("the plot could not be drawn: {0}")]
    Draw(String),
}

impl Error {
    /// An [`Error::Input`] with all its parts.
    pub fn input(
        path: impl Into<PathBuf>,
        line: Option<usize>,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Error::Input { path: path.into(), line, what: what.into(), remedy: remedy.into() }
    }

    /// An [`Error::Refused`] with all its parts.
    pub fn refused(
        what: impl Into<String>,
        why: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Error::Refused { what: what.into(), why: why.into(), remedy: remedy.into() }
    }

    /// An [`Error::Usage`] with all its parts.
    pub fn usage(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Error::Usage { what: what.into(), remedy: remedy.into() }
    }

    /// True where data were understood but do not bear an answer.
    pub fn is_refusal(&self) -> bool {
        matches!(self, Error::Refused { .. })
    }
}
