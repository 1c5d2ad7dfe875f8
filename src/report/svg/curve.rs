//! The curve between two axis values: cut with interpolated ends, split where nothing was
//! recorded, thinned where many points share a place on paper.

use crate::{Mask, Spectrum};

/// Points in one column from which on the column is thinned to first, lowest, highest, last.
const CROWDED: usize = 5;

/// A step this many times longer than the median parts the curve: nothing was recorded there.
const HOLE: f64 = 12.0;

/// The recording between `low` and `high` (axis units) as pieces of (axis value, counts).
/// Points that are dead or not finite part two pieces, and so do holes in the axis; the ends of a piece that crosses `low` or
/// `high` are interpolated.
pub fn pieces(spectrum: &Spectrum, low: f64, high: f64) -> Vec<Vec<(f64, f64)>> {
    let good = spectrum.mask().iter().map(|m| !m.has(Mask::DEAD));
    let points = spectrum.x().iter().zip(spectrum.counts()).zip(good);
    let mut steps: Vec<f64> = spectrum.x().windows(2).map(|w| w[1] - w[0]).collect();
    steps.sort_by(f64::total_cmp);
    let longest = steps.get(steps.len() / 2).map_or(f64::INFINITY, |m| HOLE * m);
    let mut out: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut piece: Vec<(f64, f64)> = Vec::new();
    let mut before: Option<(f64, f64)> = None;
    let between =
        |a: (f64, f64), b: (f64, f64), x: f64| (x, a.1 + (b.1 - a.1) * ((x - a.0) / (b.0 - a.0)));
    for ((x, y), good) in points {
        let here = (*x, *y);
        if !(good && y.is_finite()) {
            out.push(std::mem::take(&mut piece));
            before = None;
            continue;
        }
        if before.is_some_and(|last| here.0 - last.0 > longest) {
            out.push(std::mem::take(&mut piece));
            before = None;
        }
        if let Some(last) = before {
            for edge in [low, high] {
                if last.0 < edge && edge < here.0 {
                    piece.push(between(last, here, edge));
                }
            }
        }
        if (low..=high).contains(x) {
            piece.push(here);
        }
        before = Some(here);
    }
    out.push(piece);
    out.retain(|p| !p.is_empty());
    out
}

/// Keeps at most four points a column of the paper, so that no peak and no gap is lost;
/// `column` gives the column of an axis value and must not descend.
pub fn thinned(piece: &[(f64, f64)], column: impl Fn(f64) -> i64) -> Vec<(f64, f64)> {
    let mut out = Vec::with_capacity(piece.len().min(8192));
    for crowd in piece.chunk_by(|a, b| column(a.0) == column(b.0)) {
        if crowd.len() < CROWDED {
            out.extend_from_slice(crowd);
            continue;
        }
        let place = |pick: fn(&f64, &f64) -> std::cmp::Ordering| {
            (0..crowd.len()).max_by(|a, b| pick(&crowd[*a].1, &crowd[*b].1)).unwrap_or(0)
        };
        let mut keep = [0, place(|a, b| b.total_cmp(a)), place(f64::total_cmp), crowd.len() - 1];
        keep.sort_unstable();
        for (k, i) in keep.iter().enumerate() {
            if k == 0 || keep[k - 1] != *i {
                out.push(crowd[*i]);
            }
        }
    }
    out
}

/// Indices of the points that are needed so that none of `points` (px) is further than `tolerance`
/// px from the line through those that are kept (D. H. Douglas and T. K. Peucker, The Canadian
/// Cartographer 10, 112 (1973)). All of them where `tolerance` is not above 0.
pub fn needed(points: &[(f64, f64)], tolerance: f64) -> Vec<usize> {
    let n = points.len();
    if tolerance.is_nan() || tolerance <= 0.0 || n < 3 {
        return (0..n).collect();
    }
    let mut keep = vec![false; n];
    (keep[0], keep[n - 1]) = (true, true);
    let mut open = vec![(0, n - 1)];
    while let Some((a, b)) = open.pop() {
        let (p, q) = (points[a], points[b]);
        let (dx, dy) = (q.0 - p.0, q.1 - p.1);
        let length = dx.hypot(dy);
        let off = |r: (f64, f64)| match length > 0.0 {
            true => (dx * (r.1 - p.1) - dy * (r.0 - p.0)).abs() / length,
            false => (r.0 - p.0).hypot(r.1 - p.1),
        };
        let far = (a + 1..b).max_by(|i, k| off(points[*i]).total_cmp(&off(points[*k])));
        if let Some(far) = far.filter(|i| off(points[*i]) > tolerance) {
            keep[far] = true;
            open.extend([(a, far), (far, b)]);
        }
    }
    (0..n).filter(|i| keep[*i]).collect()
}

/// Height of the pieces at `x` by linear interpolation; `None` in a gap.
pub fn height_at(pieces: &[Vec<(f64, f64)>], x: f64) -> Option<f64> {
    for p in pieces {
        let (Some(first), Some(last)) = (p.first(), p.last()) else { continue };
        if x < first.0 || x > last.0 {
            continue;
        }
        let i = p.partition_point(|q| q.0 < x);
        let (Some(b), Some(a)) = (p.get(i), p.get(i.saturating_sub(1))) else { continue };
        let span = b.0 - a.0;
        return Some(if span > 0.0 { a.1 + (b.1 - a.1) * (x - a.0) / span } else { b.1 });
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Axis, AxisKind};

    fn ramp(counts: Vec<f64>) -> Spectrum {
        let x = (0..counts.len()).map(|i| 500.0 + i as f64).collect();
        Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), counts).unwrap()
    }

    #[test]
    fn ends_are_interpolated() {
        let s = ramp(vec![0.0, 10.0, 20.0, 30.0]);
        assert_eq!(
            pieces(&s, 500.5, 502.25),
            [[(500.5, 5.0), (501.0, 10.0), (502.0, 20.0), (502.25, 22.5)]]
        );
        // A stretch between two neighbouring points.
        assert_eq!(pieces(&s, 501.25, 501.5), [[(501.25, 12.5), (501.5, 15.0)]]);
    }

    #[test]
    fn a_gap_parts_the_curve() {
        let s = ramp(vec![1.0, f64::NAN, 3.0, 4.0]);
        assert_eq!(pieces(&s, 0.0, 1e3), [vec![(500.0, 1.0)], vec![(502.0, 3.0), (503.0, 4.0)]]);
        assert!(height_at(&pieces(&s, 0.0, 1e3), 501.0).is_none());
        assert_eq!(height_at(&pieces(&s, 0.0, 1e3), 502.5), Some(3.5));
    }

    #[test]
    fn a_hole_in_the_axis_parts_the_curve() {
        let x = vec![1.0, 2.0, 3.0, 4.0, 30.0, 31.0];
        let s = Spectrum::new(Axis::new(AxisKind::Nm, x).unwrap(), vec![1.0; 6]).unwrap();
        let lengths: Vec<usize> = pieces(&s, 0.0, 99.0).iter().map(Vec::len).collect();
        assert_eq!(lengths, [4, 2]);
    }

    #[test]
    fn what_is_left_out_lies_on_the_line() {
        let p: Vec<(f64, f64)> =
            (0..400).map(|i| f64::from(i) * 0.5).map(|x| (x, 30.0 * (x * 0.1).sin())).collect();
        assert_eq!(needed(&p, 0.0).len(), 400);
        let kept: Vec<(f64, f64)> = needed(&p, 0.2).into_iter().map(|i| p[i]).collect();
        assert!((20..120).contains(&kept.len()), "{}", kept.len());
        for (x, y) in &p {
            // Upright distance is at most the slope's factor, √(1 + 3²), more than the true one.
            let drawn = height_at(std::slice::from_ref(&kept), *x).unwrap();
            assert!((drawn - y).abs() <= 0.2 * 10f64.sqrt() + 1e-9, "{x}: {drawn} for {y}");
        }
        assert_eq!(needed(&[(0.0, 0.0), (1.0, 5.0), (0.0, 0.0)], 0.2), [0, 1, 2]);
    }

    #[test]
    fn thinning_keeps_the_extremes() {
        let p: Vec<(f64, f64)> = (0..100).map(|i| (f64::from(i), f64::from(i % 37))).collect();
        let t = thinned(&p, |x| (x / 50.0) as i64);
        assert_eq!(t.len(), 8);
        assert_eq!(t.iter().filter(|q| q.1 == 36.0).count(), 2);
    }
}
