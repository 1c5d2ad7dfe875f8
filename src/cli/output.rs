//! Where results go: standard output, standard error, files.

use anyhow::anyhow;
use glowtell::Error;
use glowtell::report::files::write_atomic;
use glowtell::report::terminal::Style;
use std::io::{ErrorKind, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// Width of a table that does not go to a terminal, and the widest on one, columns: longer lines
/// are hard to follow.
pub const WIDEST: usize = 100;

/// Width and colour for what standard output is connected to, and whether notes are wanted.
pub fn style(notes: bool) -> Style {
    let terminal = std::io::stdout().is_terminal();
    let width = match terminal_size::terminal_size() {
        Some((terminal_size::Width(w), _)) if terminal => {
            usize::from(w).clamp(Style::MIN_WIDTH, WIDEST)
        }
        _ => WIDEST,
    };
    // https://no-color.org: present and not empty.
    let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty())
        || std::env::var_os("TERM").is_some_and(|v| v == "dumb");
    Style { width, colour: terminal && !plain, notes }
}

/// Prints to standard output.
///
/// # Errors
/// What the system said, a closed pipe among it.
pub fn print(text: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())?;
    if !text.ends_with('\n') {
        out.write_all(b"\n")?;
    }
    out.flush()?;
    Ok(())
}

/// One sentence on standard error.
pub fn complain(error: &anyhow::Error) {
    let mut parts = Vec::new();
    for cause in error.chain() {
        parts.push(cause.to_string());
        // The library's messages name their own causes.
        if cause.is::<Error>() {
            break;
        }
    }
    let text = parts.join(": ");
    let text = text.replace(['\n', '\r'], " ");
    // Nobody is left to hear it if this fails.
    let _ = writeln!(std::io::stderr(), "glowtell: {text}");
}

/// True where standard output was closed by its reader.
pub fn is_closed_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|e| {
        e.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == ErrorKind::BrokenPipe)
    })
}

/// Looks, before any long work, whether `path` may become a file: its folder is there, it is no
/// folder itself, and it is none of the inputs.
///
/// # Errors
/// [`Error::Write`], [`Error::Usage`].
pub fn check_target(path: &Path, inputs: &[PathBuf]) -> anyhow::Result<()> {
    let failed = |source| Error::Write { path: path.into(), source };
    let folder = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let meta = std::fs::metadata(folder).map_err(failed)?;
    if !meta.is_dir() {
        return Err(failed(std::io::Error::from(ErrorKind::NotADirectory)).into());
    }
    if path.is_dir() {
        return Err(failed(std::io::Error::from(ErrorKind::IsADirectory)).into());
    }
    if let Ok(target) = path.canonicalize()
        && inputs.iter().any(|i| i.canonicalize().is_ok_and(|i| i == target))
    {
        return Err(anyhow!(
            "{}: is an input and would be overwritten; choose another name for the output",
            path.display()
        ));
    }
    Ok(())
}

/// Makes the folder for results where it is missing.
///
/// # Errors
/// [`Error::Write`].
pub fn make_folder(path: &Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(path)
        .map_err(|source| Error::Write { path: path.into(), source }.into())
}

/// Writes a file whole or not at all.
///
/// # Errors
/// [`Error::Write`].
pub fn save(path: &Path, text: &str) -> anyhow::Result<()> {
    Ok(write_atomic(path, text.as_bytes())?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_input_is_no_place_for_an_output() {
        let d = tempfile::tempdir().unwrap();
        let input = d.path().join("a.csv");
        std::fs::write(&input, "1").unwrap();
        assert!(check_target(&input, std::slice::from_ref(&input)).is_err());
        assert!(check_target(&d.path().join("b.csv"), std::slice::from_ref(&input)).is_ok());
        assert!(check_target(&input.join("b.csv"), &[]).is_err());
        assert!(check_target(d.path(), &[]).is_err());
    }
}
