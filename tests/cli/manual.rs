//! Completions and manual pages, both from the definition of what can be typed.

use super::place::Place;
use std::process::Command;

/// The commands that the program names in its help.
fn commands(place: &Place) -> Vec<String> {
    let help = place.answer(&["--help"]).out;
    let list = help.split("Commands:").nth(1).unwrap().split("\n\n").next().unwrap();
    let names = list.lines().filter_map(|l| l.strip_prefix("  ")).filter(|l| !l.starts_with(' '));
    let names: Vec<String> =
        names.filter_map(|l| l.split_whitespace().next()).map(String::from).collect();
    assert!(names.len() > 10 && names.contains(&"gases".to_string()), "{names:?}");
    names.into_iter().filter(|n| n != "help").collect()
}

#[test]
fn every_shell_completes_every_command() {
    let place = Place::new();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = place.answer(&["completions", shell]).out;
        for name in commands(&place) {
            assert!(script.contains(&name), "{shell} does not know {name}");
        }
    }
    place.refuse(&["completions", "abacus"], &["abacus", "bash"]);
}

#[test]
fn bash_takes_its_completions() {
    let place = Place::new();
    place.write("g.bash", place.answer(&["completions", "bash"]).out);
    // Completes `glowtell gas` as the shell itself would.
    let script = "source g.bash && COMP_WORDS=(glowtell gas) COMP_CWORD=1 && \
                  _glowtell glowtell gas glowtell && echo \"${COMPREPLY[@]}\"";
    let Ok(out) = Command::new("bash").args(["-c", script]).current_dir(place.path()).output()
    else {
        println!("skipped: there is no bash");
        return;
    };
    assert_eq!(String::from_utf8_lossy(&out.stdout).trim(), "gases", "{out:?}");
}

#[test]
fn every_command_has_a_manual_page() {
    let place = Place::new();
    place.answer(&["man", "--into", "man1"]);
    for name in commands(&place) {
        let page = place.read(&format!("man1/glowtell-{name}.1"));
        assert!(page.contains(".TH") && page.contains("SYNOPSIS"), "{name}");
    }
    assert_eq!(place.answer(&["man"]).out, place.read("man1/glowtell.1"));
}
