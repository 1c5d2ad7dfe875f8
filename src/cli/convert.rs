//! `glowtell convert`: a recording in another file format, or several as one.

use super::Ending;
use super::args::{ConvertArgs, JoinArg};
use super::output::{check_target, print};
use super::settings::Common;
use anyhow::bail;
use glowtell::Error;
use glowtell::bench::{average, load_curve, merge};
use glowtell::import::peak_table;
use glowtell::report::cautions;
use glowtell::report::exchange::{Kind, encode, peak_rows};
use glowtell::report::files::write_atomic;
use glowtell::report::terminal::{self, notes};
use glowtell::signal::{PeakSettings, find_peaks};

pub fn run(args: &ConvertArgs, common: &Common) -> anyhow::Result<Ending> {
    let kind = Kind::of(&args.out)?;
    let mut inputs = args.files.clone();
    inputs.extend(common.frame_files.iter().cloned());
    inputs.extend(common.profile.iter().chain(&args.response).cloned());
    check_target(&args.out, &inputs)?;
    if args.peaks {
        if args.response.is_some() {
            bail!("--peaks takes a table of peaks, which cannot be divided by a response");
        }
        return peaks(args, common, kind);
    }
    let list = args.files.iter().map(|f| common.read(f)).collect::<glowtell::Result<Vec<_>>>()?;
    let one = match (args.join, list.as_slice()) {
        (None, [one]) => one.clone(),
        (None, _) => bail!(
            "{} recordings were given for one file; say --join repeats or --join exposures, or \
             convert them one by one",
            list.len()
        ),
        (Some(JoinArg::Repeats), _) => average(&list)?,
        (Some(JoinArg::Exposures), _) => merge(&list)?,
    };
    let s = match common.load_profile()? {
        Some(p) => p.apply(&one)?,
        None => one,
    };
    let s = match &args.response {
        Some(path) => load_curve(path)?.correct(&s)?,
        None => s,
    };
    let (bytes, lost) = encode(&s, kind)?;
    write_atomic(&args.out, &bytes)?;
    let mut text = String::new();
    text +=
        &notes("From file to file", s.provenance.notes.iter().map(String::as_str), &common.style);
    text += &notes("What the format cannot hold", lost.iter().map(String::as_str), &common.style);
    text += &format!("\nwritten: {} ({} points)\n", args.out.display(), s.len());
    // Peaks are looked for only for the cautions: where there are none to be found there are none.
    if let Ok(peaks) = find_peaks(&s, &PeakSettings::default()) {
        let list = cautions::of_recording(&s, &peaks, true);
        if !(list.is_empty() || common.quiet) {
            text += &terminal::cautions(&list, &common.style);
        }
    }
    print(text.trim_start())?;
    Ok(Ending::Answered)
}

/// A table of peaks as text.
fn peaks(args: &ConvertArgs, common: &Common, kind: Kind) -> anyhow::Result<Ending> {
    if kind != Kind::Text {
        bail!("peaks are written as text; end the name of --out in csv");
    }
    let [file] = args.files.as_slice() else {
        bail!("--peaks takes one file, not {}", args.files.len());
    };
    let size =
        std::fs::metadata(file).map_err(|source| Error::Read { path: file.clone(), source })?;
    if size.len() > common.import.max_bytes {
        bail!("{}: is too long for a table of peaks", file.display());
    }
    let bytes = std::fs::read(file).map_err(|source| Error::Read { path: file.clone(), source })?;
    let (list, said) = peak_table(&bytes, file, &common.import)?;
    write_atomic(&args.out, peak_rows(&list).as_bytes())?;
    let mut text = notes("From file to file", said.iter().map(String::as_str), &common.style);
    text += &format!("\nwritten: {} ({} peaks)\n", args.out.display(), list.len());
    print(text.trim_start())?;
    Ok(Ending::Answered)
}
