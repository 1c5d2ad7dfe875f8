//! Places for labels along one axis: least shift, minimum gap, nothing outside.

/// A label that wants a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wish {
    /// Where it belongs, px.
    pub at: f64,
    /// The higher, the later it is dropped.
    pub weight: f64,
}

/// A label with its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// Index into the wishes.
    pub wish: usize,
    /// Where it stands, px.
    pub at: f64,
}

/// Places for `wanted` (ascending) with at least `gap` between neighbours, all within
/// `low..=high`, so that the sum of squared shifts is least.
///
/// With `y_i = x_i − i·gap` the task is isotonic regression, solved by pooling adjacent
/// violators (R. E. Barlow et al., Statistical Inference under Order Restrictions, 1972); with
/// bounds the solution is the clamped one. Without enough room the places start at `low` and
/// overrun `high`.
pub fn spread(wanted: &[f64], gap: f64, low: f64, high: f64) -> Vec<f64> {
    // Each block: sum of members, number of members.
    let mut blocks: Vec<(f64, usize)> = Vec::with_capacity(wanted.len());
    for (i, x) in wanted.iter().enumerate() {
        let mut block = (x - i as f64 * gap, 1);
        while let Some(last) = blocks.last() {
            if last.0 / last.1 as f64 <= block.0 / block.1 as f64 {
                break;
            }
            block = (block.0 + last.0, block.1 + last.1);
            blocks.pop();
        }
        blocks.push(block);
    }
    let top = (high - gap * wanted.len().saturating_sub(1) as f64).max(low);
    let mut places = Vec::with_capacity(wanted.len());
    for (sum, n) in blocks {
        let y = (sum / n as f64).clamp(low, top);
        for _ in 0..n {
            places.push(y + places.len() as f64 * gap);
        }
    }
    places
}

/// Chooses and places labels, heaviest first: a label is taken where all taken so far and itself
/// find places with `gap` between them inside `low..=high`, none shifted by more than `reach`.
/// So a strong line is never dropped for a fainter one, and a faint line alone in its stretch of
/// the axis keeps its label however crowded another stretch is. `wishes` ascend in `at`; the
/// result does as well.
pub fn place(wishes: &[Wish], gap: f64, low: f64, high: f64, reach: f64) -> Vec<Placed> {
    let room = ((high - low) / gap).floor().max(0.0) as usize + 1;
    let mut order: Vec<usize> = (0..wishes.len()).collect();
    // Equal weights keep the order of the axis.
    order.sort_by(|a, b| wishes[*b].weight.total_cmp(&wishes[*a].weight).then(a.cmp(b)));
    let mut taken: Vec<usize> = Vec::new();
    let mut places: Vec<f64> = Vec::new();
    for candidate in order {
        if taken.len() == room {
            break;
        }
        let at = taken.partition_point(|i| *i < candidate);
        taken.insert(at, candidate);
        let wanted: Vec<f64> = taken.iter().map(|i| wishes[*i].at).collect();
        let trial = spread(&wanted, gap, low, high);
        if trial.iter().zip(&wanted).all(|(p, w)| (p - w).abs() <= reach) {
            places = trial;
        } else {
            taken.remove(at);
        }
    }
    taken.into_iter().zip(places).map(|(wish, at)| Placed { wish, at }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn two_rivals_part_evenly() {
        assert_eq!(spread(&[10.0, 10.0], 4.0, 0.0, 100.0), [8.0, 12.0]);
        assert_eq!(spread(&[0.0, 0.0], 4.0, 0.0, 100.0), [0.0, 4.0]);
    }

    #[test]
    fn the_faintest_of_a_crowd_goes_first() {
        let w: Vec<Wish> =
            [3.0, 1.0, 2.0].iter().map(|weight| Wish { at: 50.0, weight: *weight }).collect();
        let p = place(&w, 10.0, 0.0, 100.0, 6.0);
        assert_eq!(p.iter().map(|p| p.wish).collect::<Vec<_>>(), [0, 2]);
    }

    /// Least squares by brute force over a fine grid is the judge of three labels.
    #[test]
    fn spread_is_the_least_squares_solution() {
        let (wanted, gap) = ([5.0, 6.0, 13.0], 4.0);
        let cost = |p: &[f64]| p.iter().zip(&wanted).map(|(a, b)| (a - b).powi(2)).sum::<f64>();
        let got = cost(&spread(&wanted, gap, 0.0, 20.0));
        let mut best = f64::INFINITY;
        for i in 0..=80 {
            for j in 0..=80 {
                for k in 0..=80 {
                    let p = [f64::from(i) / 4.0, f64::from(j) / 4.0, f64::from(k) / 4.0];
                    if p[1] - p[0] >= gap && p[2] - p[1] >= gap {
                        best = best.min(cost(&p));
                    }
                }
            }
        }
        assert!(got <= best + 1e-9, "{got} against {best}");
    }

    #[test]
    fn a_crowd_of_strong_lines_does_not_silence_the_rest_of_the_axis() {
        let mut w: Vec<Wish> =
            (0..200).map(|i| Wish { at: 100.0 + 0.1 * f64::from(i), weight: 10.0 }).collect();
        w.push(Wish { at: 700.0, weight: 0.1 });
        let p = place(&w, 10.0, 0.0, 800.0, 40.0);
        assert_eq!(p.last().map(|p| p.wish), Some(200));
    }

    proptest! {
        #[test]
        fn placed_labels_keep_gap_bounds_order_and_reach(
            mut at in prop::collection::vec(0.0f64..800.0, 0..150),
            gap in 5.0f64..20.0,
        ) {
            at.sort_by(f64::total_cmp);
            let w: Vec<Wish> = at.iter().enumerate()
                .map(|(i, x)| Wish { at: *x, weight: ((i * 7919) % 101) as f64 }).collect();
            let p = place(&w, gap, 0.0, 800.0, 40.0);
            for pair in p.windows(2) {
                prop_assert!(pair[0].wish < pair[1].wish);
                prop_assert!(pair[1].at - pair[0].at >= gap - 1e-6);
            }
            for q in &p {
                prop_assert!((-1e-6..=800.0 + 1e-6).contains(&q.at));
                prop_assert!((q.at - w[q.wish].at).abs() <= 40.0 + 1e-6);
            }
        }
    }
}
