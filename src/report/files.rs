//! Putting results on disk without ever leaving half of one.

use crate::{Error, Result};
use sha2::{Digest, Sha256};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// Distinguishes temporary files of one process; the process number does the rest.
static SERIAL: AtomicU32 = AtomicU32::new(0);

/// Writes `bytes` to a temporary file beside `path` and renames it, so that a reader sees the
/// old content or the new, never a part. A link is followed; a device or a pipe is written to
/// directly, since it cannot be replaced.
///
/// # Errors
/// [`Error::Write`] where the folder is missing or closed, the disk is full, or `path` is a
/// folder; nothing is left behind then.
pub fn write_atomic(path: &Path, bytes: &[u8]) -> Result<()> {
    let failed = |source| Error::Write { path: path.into(), source };
    let known = std::fs::metadata(path);
    if let Ok(m) = &known {
        if m.is_dir() {
            return Err(failed(std::io::Error::other("it is a folder")));
        }
        if !m.is_file() {
            let mut device = std::fs::OpenOptions::new().write(true).open(path).map_err(failed)?;
            return device.write_all(bytes).map_err(failed);
        }
    }
    // The file behind a link, so that the link itself survives.
    let target = if known.is_ok() { path.canonicalize().map_err(failed)? } else { path.into() };
    let beside = beside(&target).ok_or_else(|| failed(std::io::Error::other("it has no name")))?;
    let result = write_new(&beside, bytes).and_then(|()| std::fs::rename(&beside, &target));
    result.map_err(|source| {
        // Whatever was wrong, the first error is the one to tell.
        let _ = std::fs::remove_file(&beside);
        failed(source)
    })
}

/// A file that is written bit by bit and takes its place only when it is whole; dropped before, it leaves
/// nothing.
#[derive(Debug)]
pub struct Replacement {
    file: tempfile::NamedTempFile,
    target: PathBuf,
}

impl Replacement {
    /// Begins a file that is to stand at `path`.
    ///
    /// # Errors
    /// [`Error::Write`] where the folder is missing or closed, or `path` is a folder.
    pub fn new(path: &Path) -> Result<Self> {
        let failed = |source| Error::Write { path: path.into(), source };
        if path.is_dir() {
            return Err(failed(std::io::Error::other("it is a folder")));
        }
        let target = path.canonicalize().unwrap_or_else(|_| path.into());
        let folder = match target.parent() {
            Some(p) if !p.as_os_str().is_empty() => p,
            _ => Path::new("."),
        };
        let file = tempfile::Builder::new()
            .prefix(".")
            .suffix(".part")
            .tempfile_in(folder)
            .map_err(failed)?;
        Ok(Replacement { file, target })
    }

    /// Puts the file in its place.
    ///
    /// # Errors
    /// [`Error::Write`] where that cannot be done; the old file is still there then.
    pub fn keep(self) -> Result<()> {
        let Replacement { file, target } = self;
        file.persist(&target)
            .map(|_| ())
            .map_err(|e| Error::Write { path: target.clone(), source: e.error })
    }
}

impl Write for Replacement {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}

/// SHA-256 of a file's bytes, lower-case hexadecimal; `None` where it cannot be read any more.
pub fn digest(path: &Path) -> Option<String> {
    let bytes = std::fs::read(path).ok()?;
    Some(Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect())
}

fn write_new(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(path)?;
    file.write_all(bytes)?;
    file.flush()
}

/// A name in the same folder that no other writer uses.
fn beside(path: &Path) -> Option<PathBuf> {
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name()?);
    let n = SERIAL.fetch_add(1, Ordering::Relaxed);
    name.push(format!(".{}-{n}.part", std::process::id()));
    Some(path.with_file_name(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut v: Vec<_> = std::fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        v.sort();
        v
    }

    #[test]
    fn writes_replaces_and_leaves_nothing_else() {
        let d = tempfile::tempdir().unwrap();
        let p = d.path().join("out.csv");
        write_atomic(&p, b"one").unwrap();
        write_atomic(&p, b"two").unwrap();
        assert_eq!(std::fs::read(&p).unwrap(), b"two");
        assert_eq!(names(d.path()), ["out.csv"]);
    }

    #[test]
    fn a_path_under_a_file_is_an_error_that_names_it() {
        let d = tempfile::tempdir().unwrap();
        let file = d.path().join("plain");
        std::fs::write(&file, b"kept").unwrap();
        let e = write_atomic(&file.join("out.csv"), b"x").unwrap_err();
        assert!(matches!(e, Error::Write { .. }), "{e}");
        assert!(e.to_string().contains("out.csv"));
        assert_eq!(std::fs::read(&file).unwrap(), b"kept");
        assert_eq!(names(d.path()), ["plain"]);
    }

    #[test]
    fn a_missing_folder_and_a_folder_as_target_are_errors() {
        let d = tempfile::tempdir().unwrap();
        assert!(write_atomic(&d.path().join("no/such/x"), b"x").is_err());
        assert!(write_atomic(d.path(), b"x").is_err());
        assert!(names(d.path()).is_empty());
    }

    #[test]
    fn a_replacement_shows_only_when_it_is_whole() {
        let d = tempfile::tempdir().unwrap();
        let p = d.path().join("rows");
        std::fs::write(&p, b"old").unwrap();
        let mut r = Replacement::new(&p).unwrap();
        r.write_all(b"half").unwrap();
        drop(r);
        assert_eq!(
            (std::fs::read(&p).unwrap(), names(d.path())),
            (b"old".to_vec(), vec!["rows".into()])
        );
        let mut r = Replacement::new(&p).unwrap();
        r.write_all(b"whole").unwrap();
        r.keep().unwrap();
        assert_eq!(
            (std::fs::read(&p).unwrap(), names(d.path())),
            (b"whole".to_vec(), vec!["rows".into()])
        );
        assert!(Replacement::new(d.path()).is_err());
    }

    #[cfg(unix)]
    #[test]
    fn links_are_followed_and_devices_survive() {
        let d = tempfile::tempdir().unwrap();
        let (real, link) = (d.path().join("real"), d.path().join("link"));
        std::fs::write(&real, b"old").unwrap();
        std::os::unix::fs::symlink(&real, &link).unwrap();
        write_atomic(&link, b"new").unwrap();
        assert!(std::fs::symlink_metadata(&link).unwrap().file_type().is_symlink());
        assert_eq!(std::fs::read(&real).unwrap(), b"new");
        let null = Path::new("/dev/null");
        write_atomic(null, b"gone").unwrap();
        assert!(!std::fs::metadata(null).unwrap().is_file());
    }
}
