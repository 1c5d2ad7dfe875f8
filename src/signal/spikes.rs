//! Single points that stand alone: hot pixels and particle hits, no light that went through optics.

/// Least height of such a point above its neighbours, standard deviations.
const MIN_SIGMA: f64 = 12.0;
/// Most that the neighbours may stand above theirs, as a share of the point's height: a line
/// twice as wide as a pixel has half its height there, one as wide as a pixel a tenth …
const NEIGHBOUR_SHARE: f64 = 0.1;
/// … and what noise adds to that, standard deviations.
const NEIGHBOUR_SIGMA: f64 = 2.0;
/// Share of all bumps up to which such points are taken for faults: where most bumps are single
/// points, the instrument's lines are narrower than its pixels.
const MOST: f64 = 0.5;

/// Indices of points that stand alone among `bumps` local maxima that stand out.
pub fn find(y: &[f64], sigma: &[f64], good: &[bool], bumps: usize) -> Vec<usize> {
    let out: Vec<usize> = (2..y.len().saturating_sub(2))
        .filter(|i| {
            let i = *i;
            if !good[i - 2..=i + 2].iter().all(|g| *g) {
                return false;
            }
            let height = y[i] - y[i - 1].max(y[i + 1]);
            // The point's own noise holds its own light: the neighbours' is the fair measure.
            let s = sigma[i - 1].max(sigma[i + 1]);
            let calm = NEIGHBOUR_SHARE * height + NEIGHBOUR_SIGMA * s;
            height > MIN_SIGMA * s
                && (y[i - 1] - y[i - 2]).abs() < calm
                && (y[i + 1] - y[i + 2]).abs() < calm
        })
        .collect();
    if out.len() as f64 > MOST * bumps as f64 { Vec::new() } else { out }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(n: usize, centre: f64, fwhm: f64, height: f64) -> Vec<f64> {
        let c = 4.0 * std::f64::consts::LN_2 / (fwhm * fwhm);
        (0..n).map(|i| height * (-c * (i as f64 - centre).powi(2)).exp()).collect()
    }

    #[test]
    fn a_single_point_is_found_and_a_line_of_two_pixels_is_not() {
        for centre in [50.0, 50.25, 50.5] {
            let y = line(100, centre, 2.0, 1000.0);
            assert!(find(&y, &[1.0; 100], &[true; 100], 4).is_empty(), "{centre}");
        }
        let mut y = line(100, 50.2, 3.0, 1000.0);
        y[70] += 300.0;
        assert_eq!(find(&y, &[1.0; 100], &[true; 100], 2), [70]);
    }

    #[test]
    fn lines_narrower_than_pixels_are_left_alone() {
        let mut y = vec![0.0; 100];
        for i in [20, 40, 60] {
            y[i] = 500.0;
        }
        assert!(find(&y, &[1.0; 100], &[true; 100], 3).is_empty());
    }
}
