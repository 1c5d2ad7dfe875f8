//! The commands that README.md shows do what it says: they run, here, to their end.

use crate::place::{Place, demo};

/// What the commands to be tested begin with in README.md.
const PREFIX: &str = "cargo run --release -- ";

/// Commands of the fenced blocks of a text that begin with [`PREFIX`], without it.
fn commands(text: &str) -> Vec<Vec<String>> {
    let mut inside = false;
    let mut found = Vec::new();
    for line in text.lines() {
        if line.trim_start().starts_with("```") {
            inside = !inside;
        } else if inside && let Some(rest) = line.trim().strip_prefix(PREFIX) {
            found.push(words(rest));
        }
    }
    found
}

/// Words of a command as a shell would part them: blanks, double quotes, a comment at the end.
fn words(command: &str) -> Vec<String> {
    let mut out = Vec::new();
    let mut word: Option<String> = None;
    let mut quoted = false;
    for c in command.chars() {
        match c {
            '"' => {
                quoted = !quoted;
                word.get_or_insert_default();
            }
            c if c.is_whitespace() && !quoted => out.extend(word.take()),
            '#' if word.is_none() && !quoted => break,
            c => word.get_or_insert_default().push(c),
        }
    }
    out.extend(word);
    out
}

#[test]
fn words_are_parted_like_a_shell_does() {
    let text = "```\ncargo run --release -- lines \"Ne I\"  --near 5 # look\n```\n";
    assert_eq!(commands(text), [["lines", "Ne I", "--near", "5"]]);
    assert!(commands("cargo run --release -- lines").is_empty());
}

#[test]
fn every_command_of_the_readme_runs() {
    let p = Place::new();
    demo(&p);
    let readme = concat!(env!("CARGO_MANIFEST_DIR"), "/README.md");
    let found = commands(&std::fs::read_to_string(readme).unwrap());
    assert!(found.len() >= 2, "README.md shows {} commands", found.len());
    for command in found {
        let args: Vec<&str> = command.iter().map(String::as_str).collect();
        p.answer(&args);
    }
}

/// The pictures of README.md are what the program draws now; `glowtell run demo-spectra/drawer.toml` makes them
/// again.
#[test]
fn pictures_of_the_readme_are_what_is_drawn() {
    let p = Place::new();
    demo(&p);
    p.answer(&["run", "demo-spectra/drawer.toml", "--out", "out", "--quiet"]);
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-spectra/pictures");
    let mut compared = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let drawn = p.read(&format!("out/{name}"));
        assert!(drawn == std::fs::read_to_string(&path).unwrap(), "{name} has changed");
        compared += 1;
    }
    assert!(compared >= 4, "{compared}");
}
