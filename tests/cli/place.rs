//! A temporary folder with the program in it.

use assert_cmd::Command;
use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Duration;

/// Nothing that these tests start may run longer, even on a slow and busy machine.
const PATIENCE: Duration = Duration::from_secs(120);

pub struct Place {
    folder: tempfile::TempDir,
}

/// What a run printed and how it ended.
pub struct Ran {
    pub code: Option<i32>,
    pub out: String,
    pub err: String,
}

impl From<Output> for Ran {
    fn from(o: Output) -> Self {
        Ran {
            code: o.status.code(),
            out: String::from_utf8(o.stdout).unwrap(),
            err: String::from_utf8(o.stderr).unwrap(),
        }
    }
}

impl Place {
    pub fn new() -> Self {
        Place { folder: tempfile::tempdir().unwrap() }
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path().join(name);
        std::fs::write(&path, content).unwrap();
        path
    }

    pub fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path().join(name))
            .unwrap_or_else(|e| panic!("{name}: {e}; there are {:?}", self.files()))
    }

    /// All files below the folder, with `/` between the parts, sorted.
    pub fn files(&self) -> Vec<String> {
        fn walk(folder: &Path, prefix: &str, out: &mut Vec<String>) {
            for entry in std::fs::read_dir(folder).unwrap() {
                let entry = entry.unwrap();
                let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
                if entry.file_type().unwrap().is_dir() {
                    out.push(format!("{name}/"));
                    walk(&entry.path(), &format!("{name}/"), out);
                } else {
                    out.push(name);
                }
            }
        }
        let mut out = Vec::new();
        walk(self.path(), "", &mut out);
        out.sort();
        out
    }

    /// The program, about to run here with standard output going to a pipe.
    pub fn program(&self, args: &[&str]) -> Command {
        let mut c = Command::new(env!("CARGO_BIN_EXE_glowtell"));
        c.args(args).current_dir(self.path()).env_remove("NO_COLOR").timeout(PATIENCE);
        c
    }

    pub fn run(&self, args: &[&str]) -> Ran {
        self.program(args).output().unwrap().into()
    }

    /// Runs and expects an answer to everything.
    #[track_caller]
    pub fn answer(&self, args: &[&str]) -> Ran {
        let ran = self.run(args);
        assert_eq!(ran.code, Some(0), "{args:?}: {}{}", ran.out, ran.err);
        assert_eq!(ran.err, "", "{args:?}");
        ran
    }

    /// Runs and expects exit code 2 with one sentence that holds every one of `parts`, and the
    /// folder as it was.
    #[track_caller]
    pub fn refuse(&self, args: &[&str], parts: &[&str]) -> Ran {
        let before = self.files();
        let ran = self.run(args);
        assert_refused(&ran, args, parts);
        assert_eq!(self.files(), before, "{args:?} left something behind");
        ran
    }
}

#[track_caller]
pub fn assert_refused(ran: &Ran, args: &[&str], parts: &[&str]) {
    assert_eq!(ran.code, Some(2), "{args:?}: {}{}", ran.out, ran.err);
    assert_eq!(ran.err.lines().count(), 1, "{args:?} does not say one sentence: {}", ran.err);
    assert!(ran.err.starts_with("glowtell: "), "{args:?}: {}", ran.err);
    for part in parts {
        assert!(ran.err.contains(part), "{args:?}: `{part}` is not in: {}", ran.err);
    }
    for word in ["panicked", "RUST_BACKTRACE", "unwrap", "Os {"] {
        assert!(!ran.err.contains(word), "{args:?}: {}", ran.err);
    }
}

/// Copies the demo drawer into the place, as `demo-spectra/`.
pub fn demo(place: &Place) {
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-spectra");
    let to = place.path().join("demo-spectra");
    std::fs::create_dir(&to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        if entry.path().is_file() {
            std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}
