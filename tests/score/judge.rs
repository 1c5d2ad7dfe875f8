//! Truth against answer: what counts as right, undecided, missed, false.

use crate::index::{Entry, gas_of};
use glowtell::gases::Verdict;

/// An axis is wrong where its rms error is above this share of a line width.
const WRONG_WIDTHS: f64 = 0.5;
/// A highest point may lie this far from the list's, nm.
const PEAK_TOLERANCE_NM: f64 = 0.5;

/// What became of an axis whose truth is known.
#[derive(Debug, Clone, PartialEq)]
pub enum AxisOutcome {
    Refused(String),
    Solved {
        /// rms error over the truth, nm: all identified lines, or all pixels whose wavelength
        /// the profile puts between its outermost anchors.
        rms_nm: f64,
        /// Number of places behind it.
        places: usize,
    },
}

/// The error of an axis at the places `pairs` (pixel, true nm) that `counts` admits.
pub fn axis_error(
    pairs: &[(f64, f64)],
    wavelength: impl Fn(f64) -> f64,
    counts: impl Fn(f64) -> bool,
) -> AxisOutcome {
    let squares: Vec<f64> = pairs
        .iter()
        .map(|(pixel, truth)| (wavelength(*pixel), truth))
        .filter(|(nm, _)| counts(*nm))
        .map(|(nm, truth)| (nm - truth).powi(2))
        .collect();
    if squares.is_empty() {
        return AxisOutcome::Refused("no place of the truth lies between the anchors".into());
    }
    let rms_nm = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
    AxisOutcome::Solved { rms_nm, places: squares.len() }
}

/// One gas of a report.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    pub gas: String,
    pub verdict: Verdict,
    pub reason: String,
}

/// How one answer stands to the truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    Right,
    Undecided,
    Missed,
    FalseSeen,
    FalseLikely,
    /// Nothing was claimed that the truth denies, and nothing was there to be found.
    Silent,
}

/// One gas held against the truth.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    pub gas: String,
    pub verdict: Verdict,
    pub mark: Mark,
    pub reason: String,
}

/// Holds a report (or the reason why there is none) against the truth: the gases of the file
/// first, then all others of the report.
pub fn gases(entry: &Entry, said: &Result<Vec<Said>, String>) -> Vec<Judged> {
    let empty = Vec::new();
    let list = said.as_ref().unwrap_or(&empty);
    let mut judged: Vec<Judged> = Vec::new();
    for gas in &entry.present {
        let answer = list.iter().find(|s| gas_of(&s.gas) == gas);
        let (verdict, reason) = match (answer, said) {
            (Some(s), _) => (s.verdict, s.reason.clone()),
            (None, Err(why)) => (Verdict::Undecided, why.clone()),
            (None, Ok(_)) => (Verdict::Undecided, "not among the gases asked about".into()),
        };
        let mark = match verdict {
            Verdict::Seen | Verdict::Likely => Mark::Right,
            Verdict::Undecided | Verdict::OutOfReach => Mark::Undecided,
            Verdict::NotSeen => Mark::Missed,
        };
        judged.push(Judged { gas: gas.clone(), verdict, mark, reason });
    }
    for s in list.iter().filter(|s| !entry.present.iter().any(|g| g == gas_of(&s.gas))) {
        let allowed = entry.may_contain.iter().any(|g| g == gas_of(&s.gas));
        let mark = match s.verdict {
            _ if allowed => Mark::Silent,
            Verdict::Seen => Mark::FalseSeen,
            Verdict::Likely => Mark::FalseLikely,
            _ => Mark::Silent,
        };
        let (gas, reason) = (s.gas.clone(), s.reason.clone());
        judged.push(Judged { gas, verdict: s.verdict, mark, reason });
    }
    judged
}

/// The sums over a folder.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    pub solved: usize,
    pub refused: usize,
    pub wrong: usize,
    pub right: usize,
    pub undecided: usize,
    pub missed: usize,
    pub false_seen: usize,
    pub false_likely: usize,
    /// `seen` in the sums of two tubes, of which neither has the gas.
    pub false_seen_in_sums: usize,
    pub clean: usize,
    pub dirty: usize,
    /// Controls of which a gas was said to be seen, not only likely.
    pub dirty_by_seen: usize,
    pub within: usize,
    pub outside: usize,
    /// Main gases that were seen, of those that should be.
    pub main_seen: usize,
    pub main_of: usize,
}

impl Counts {
    /// Counts an axis whose truth is known.
    pub fn axis(&mut self, entry: &Entry, outcome: &AxisOutcome) {
        match outcome {
            AxisOutcome::Refused(_) => self.refused += 1,
            AxisOutcome::Solved { rms_nm, .. } => {
                // Without a width in the list nothing but a perfect axis would do.
                let most = WRONG_WIDTHS * entry.fwhm_nm.unwrap_or(0.0);
                // An error that is not a number is wrong as well.
                if *rms_nm <= most {
                    self.solved += 1;
                } else {
                    self.wrong += 1;
                }
            }
        }
    }

    /// Counts the gases of a file; `main_counts` where its main gas ought to be seen.
    pub fn gases(&mut self, entry: &Entry, judged: &[Judged], main_counts: bool) {
        for j in judged {
            match j.mark {
                Mark::Right => self.right += 1,
                Mark::Undecided => self.undecided += 1,
                Mark::Missed => self.missed += 1,
                Mark::FalseSeen => self.false_seen += 1,
                Mark::FalseLikely => self.false_likely += 1,
                Mark::Silent => {}
            }
        }
        if entry.present.is_empty() {
            let named = |v: &[Verdict]| judged.iter().any(|j| v.contains(&j.verdict));
            if named(&[Verdict::Seen, Verdict::Likely]) {
                self.dirty += 1;
            } else {
                self.clean += 1;
            }
            self.dirty_by_seen += usize::from(named(&[Verdict::Seen]));
        }
        if let (true, Some(main)) = (main_counts, entry.present.first()) {
            self.main_of += 1;
            let seen = |j: &Judged| j.gas == *main && j.verdict == Verdict::Seen;
            self.main_seen += usize::from(judged.iter().any(seen));
        }
    }

    /// Counts the highest point of a source; `None` where none was found.
    pub fn source(&mut self, peak_nm: f64, found_nm: Option<f64>) {
        if found_nm.is_some_and(|f| (f - peak_nm).abs() <= PEAK_TOLERANCE_NM) {
            self.within += 1;
        } else {
            self.outside += 1;
        }
    }

    /// The sums, one line a question.
    pub fn lines(&self) -> [String; 4] {
        [
            format!("axis solved={} refused={} wrong={}", self.solved, self.refused, self.wrong),
            format!(
                "gases right={} undecided={} missed={} false_seen={} false_likely={}",
                self.right, self.undecided, self.missed, self.false_seen, self.false_likely
            ),
            format!("controls clean={} dirty={}", self.clean, self.dirty),
            format!("sources within={} outside={}", self.within, self.outside),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::index::{self, Own, Truth};
    use std::fs;

    /// A folder as it might be handed in: a tube with identified lines, one with a truth for
    /// each pixel, a control and a source.
    fn folder() -> (tempfile::TempDir, Vec<Entry>) {
        let dir = tempfile::tempdir().unwrap();
        let put = |name: &str, text: &str| fs::write(dir.path().join(name), text).unwrap();
        put(
            "INDEX.csv",
            "file,kind,present,may_contain,axis,axis_bias_nm,calibrate_with,truth_file,truth_kind,\
             points,fwhm_nm,peak_nm,source,licence,notes\n\
             tube.csv,gas tube,Ne OH,H N2+,pixel,,lamp.csv,tube.truth.csv,lines,3,0.8,,us,MIT,\n\
             arc.csv,hg,Hg Ar II,,nm,-0.02,,arc.px.csv,per-pixel,3,0.3,,us,MIT,\"a, b\"\n\
             led.csv,uv led,,,nm,,,,none,3,9.0,366.0,us,MIT,\n",
        );
        put(
            "tube.truth.csv",
            "pixel,wavelength_air_nm,species,residual_nm\n100,500.0,Ne,0\n200,600.0,Ne,0\n",
        );
        put("arc.px.csv", "pixel,intensity,truth_nm\n0,5,500.0\n1,6,499.9\n2,7,499.8\n");
        let entries = index::read(dir.path()).unwrap();
        (dir, entries)
    }

    fn said(list: &[(&str, Verdict)]) -> Result<Vec<Said>, String> {
        Ok(list
            .iter()
            .map(|(gas, verdict)| Said {
                gas: gas.to_string(),
                verdict: *verdict,
                reason: "because".into(),
            })
            .collect())
    }

    fn counts(entry: &Entry, said: &Result<Vec<Said>, String>, main: bool) -> Counts {
        let mut c = Counts::default();
        c.gases(entry, &gases(entry, said), main);
        c
    }

    #[test]
    fn the_list_is_read_as_it_is_meant() {
        let (_dir, e) = folder();
        assert_eq!(e.len(), 3);
        assert_eq!((e[0].own, e[1].own), (Own::Pixel, Own::Nm));
        assert_eq!(e[0].present, ["Ne", "H"]);
        assert_eq!(e[0].may_contain, ["H", "N2"]);
        assert_eq!(e[0].calibrate_with.as_deref(), Some("lamp.csv"));
        assert_eq!(e[0].truth, Truth::Lines(vec![(100.0, 500.0), (200.0, 600.0)]));
        assert_eq!(e[1].truth.pairs().len(), 3);
        let Truth::PerPixel { recording, .. } = &e[1].truth else { panic!("{:?}", e[1].truth) };
        // The truth does not travel with the recording.
        assert_eq!(recording, b"pixel,intensity\n0,5\n1,6\n2,7\n");
        assert_eq!((e[2].peak_nm, e[2].fwhm_nm), (Some(366.0), Some(9.0)));
        assert!(e[2].present.is_empty() && e[2].calibrate_with.is_none());
    }

    #[test]
    fn a_list_that_is_not_understood_is_said_so() {
        let dir = tempfile::tempdir().unwrap();
        assert!(index::read(dir.path()).is_err());
        fs::write(dir.path().join("INDEX.csv"), "file,kind\na.csv,hg\n").unwrap();
        assert!(index::read(dir.path()).unwrap_err().contains("axis"));
    }

    #[test]
    fn verdicts_count_for_what_they_are() {
        let (_dir, e) = folder();
        let tube = &e[0];
        let c = counts(tube, &said(&[("Ne", Verdict::Seen), ("H", Verdict::Likely)]), true);
        assert_eq!((c.right, c.main_seen, c.main_of), (2, 1, 1));
        let c = counts(tube, &said(&[("Ne", Verdict::NotSeen), ("H", Verdict::Undecided)]), true);
        assert_eq!((c.missed, c.undecided, c.right, c.main_seen), (1, 1, 0, 0));
        let c = counts(tube, &said(&[("Ne", Verdict::Likely), ("H", Verdict::OutOfReach)]), true);
        assert_eq!((c.right, c.undecided, c.main_seen, c.main_of), (1, 1, 0, 1));
    }

    #[test]
    fn a_wrong_verdict_counts_as_wrong() {
        let (_dir, e) = folder();
        let wrong = [
            ("Ne", Verdict::Seen),
            ("Ar", Verdict::Seen),
            ("Kr", Verdict::Likely),
            ("Xe", Verdict::Undecided),
            ("N2", Verdict::Seen),
        ];
        let c = counts(&e[0], &said(&wrong), false);
        // N2 may be there; xenon was not claimed; hydrogen was not spoken of.
        assert_eq!((c.false_seen, c.false_likely, c.right, c.undecided), (1, 1, 1, 1));
        assert_eq!((c.clean, c.dirty, c.main_of), (0, 0, 0));
        let judged = gases(&e[0], &said(&wrong));
        let mark = |gas: &str| judged.iter().find(|j| j.gas == gas).unwrap().mark;
        assert_eq!(mark("Ar"), Mark::FalseSeen);
        assert_eq!(mark("Kr"), Mark::FalseLikely);
        assert_eq!(mark("N2"), Mark::Silent);
    }

    #[test]
    fn a_refusal_leaves_the_gases_undecided() {
        let (_dir, e) = folder();
        let c = counts(&e[0], &Err("no pattern".into()), true);
        assert_eq!((c.undecided, c.missed, c.main_seen, c.main_of), (2, 0, 0, 1));
        let c = counts(&e[2], &Err("axis in pixels".into()), false);
        assert_eq!((c.clean, c.dirty), (1, 0));
    }

    #[test]
    fn a_control_is_dirty_by_any_gas_that_is_named() {
        let (_dir, e) = folder();
        let c =
            counts(&e[2], &said(&[("Ne", Verdict::Undecided), ("Ar", Verdict::NotSeen)]), false);
        assert_eq!((c.clean, c.dirty, c.dirty_by_seen), (1, 0, 0));
        let c = counts(&e[2], &said(&[("Ne", Verdict::Likely)]), false);
        assert_eq!((c.clean, c.dirty, c.dirty_by_seen, c.false_likely), (0, 1, 0, 1));
        let c = counts(&e[2], &said(&[("Ne", Verdict::Seen)]), false);
        assert_eq!((c.clean, c.dirty, c.dirty_by_seen, c.false_seen), (0, 1, 1, 1));
    }

    #[test]
    fn an_axis_is_wrong_from_half_a_line_width_on() {
        let (_dir, e) = folder();
        let judge = |shift: f64| {
            let mut c = Counts::default();
            c.axis(&e[0], &axis_error(e[0].truth.pairs(), |p| 400.0 + p + shift, |_| true));
            (c.solved, c.wrong, c.refused)
        };
        assert_eq!(judge(0.0), (1, 0, 0));
        assert_eq!(judge(-0.39), (1, 0, 0));
        assert_eq!(judge(0.41), (0, 1, 0));
        assert_eq!(judge(f64::NAN), (0, 1, 0));
        let mut c = Counts::default();
        c.axis(&e[0], &AxisOutcome::Refused("no pattern".into()));
        assert_eq!(c.refused, 1);
    }

    #[test]
    fn only_places_between_the_anchors_count_where_every_pixel_is_known() {
        let (_dir, e) = folder();
        let claimed = |p: f64| if p > 1.5 { 700.0 } else { 500.0 - 0.1 * p };
        let inside = axis_error(e[1].truth.pairs(), claimed, |nm| nm < 600.0);
        let AxisOutcome::Solved { rms_nm, places } = inside else { panic!("{inside:?}") };
        assert!(rms_nm < 1e-9 && places == 2);
        assert!(matches!(axis_error(&[], |p| p, |_| true), AxisOutcome::Refused(_)));
    }

    #[test]
    fn a_source_is_within_half_a_nanometre_or_outside() {
        let mut c = Counts::default();
        for found in [Some(366.4), Some(365.6), Some(366.6), None, Some(f64::NAN)] {
            c.source(366.0, found);
        }
        assert_eq!((c.within, c.outside), (2, 3));
    }

    #[test]
    fn the_sums_are_printed_in_one_form() {
        let c = Counts {
            solved: 1,
            wrong: 2,
            right: 3,
            false_likely: 4,
            dirty: 5,
            ..Default::default()
        };
        assert_eq!(
            c.lines(),
            [
                "axis solved=1 refused=0 wrong=2",
                "gases right=3 undecided=0 missed=0 false_seen=0 false_likely=4",
                "controls clean=0 dirty=5",
                "sources within=0 outside=0",
            ]
        );
    }
}
