//! The strip of light in a picture: where it lies, how it leans, and its light summed across.

use super::bad;
use crate::Result;
use std::path::Path;

/// Rounds in which light far from the strip is left out of its moments.
const MOMENT_ROUNDS: usize = 6;
/// Standard deviations across the strip within which light counts in the next round.
const MOMENT_REACH: f64 = 2.5;
/// Length over width of the light (as standard deviations) below which there is no strip.
const LEAST_ELONGATION: f64 = 1.5;
/// Share of the strip's brightest row down to which rows belong to it.
const EDGE_SHARE: f64 = 0.25;
/// Most rows across that are taken; of a broader strip every second, third, ... is.
const MAX_ROWS: usize = 400;
/// Groups of rows that are compared with the middle of the strip.
const GROUPS: usize = 24;
/// Rounds of straightening.
const STRAIGHTEN_ROUNDS: usize = 3;
/// Half width of the running mean that is taken off before rows are compared, pixels.
const SMOOTH_HALF: usize = 20;
/// Largest shift of a row that is looked for, as a share of the strip's breadth: lines that lean by
/// more than 14 degrees are no spectrum's.
const SHIFT_SHARE: f64 = 0.25;
/// Rounds in which the bow of a strip is followed.
const BOW_ROUNDS: usize = 4;
/// Bow of a strip, pixels, from which it is followed: less than the light of one row is moved by less.
const LEAST_BOW: f64 = 0.5;
/// Correlation with the middle of the strip from which on a group of rows has a say.
const GROUP_CORRELATION: f64 = 0.5;
/// Share of the rows in which a colour must be clipped for a place to count as saturated.
const CLIPPED_ROWS_SHARE: f64 = 0.1;

/// A picture of light.
pub(super) struct Image {
    pub width: usize,
    pub height: usize,
    /// Row by row, 1 is full light.
    pub light: Vec<f32>,
    pub clipped: Vec<bool>,
}

impl Image {
    /// Light between points, by the four around (0 outside).
    fn at(&self, x: f64, y: f64) -> f32 {
        let (x0, y0) = (x.floor(), y.floor());
        if x0 < 0.0 || y0 < 0.0 {
            return 0.0;
        }
        let (i, j) = (x0 as usize, y0 as usize);
        if i + 1 >= self.width || j + 1 >= self.height {
            return if i < self.width && j < self.height {
                self.light[j * self.width + i]
            } else {
                0.0
            };
        }
        let (fx, fy) = ((x - x0) as f32, (y - y0) as f32);
        let k = j * self.width + i;
        let upper = self.light[k] * (1.0 - fx) + self.light[k + 1] * fx;
        let lower = self.light[k + self.width] * (1.0 - fx) + self.light[k + self.width + 1] * fx;
        upper * (1.0 - fy) + lower * fy
    }

    fn is_clipped(&self, x: f64, y: f64) -> bool {
        let (i, j) = (x.round(), y.round());
        i >= 0.0
            && j >= 0.0
            && (i as usize) < self.width
            && (j as usize) < self.height
            && self.clipped[j as usize * self.width + i as usize]
    }
}

/// What was summed.
pub(super) struct Strip {
    /// Mean light of the rows at each pixel along the strip.
    pub counts: Vec<f64>,
    pub saturated: Vec<bool>,
    pub notes: Vec<String>,
}

/// Where the strip lies: the direction along it, and the rows across it that are summed, counted
/// from the middle of the picture.
struct Frame {
    /// Angle of the strip against the rows of the picture, radians.
    angle: f64,
    /// First and last row.
    rows: [f64; 2],
    /// Points along the strip.
    length: usize,
    /// How far the strip lies off a straight one: constant, slope and square over its length from −1
    /// to 1, rows.
    bow: [f64; 3],
}

impl Frame {
    /// Place in the picture of pixel `u` along and row `v` across.
    fn place(&self, image: &Image, u: f64, v: f64) -> (f64, f64) {
        let (sin, cos) = self.angle.sin_cos();
        let half = (self.length as f64 - 1.0) / 2.0;
        let u = u - half;
        let along = u / half.max(1.0);
        let v = v + self.bow[0] + along * (self.bow[1] + along * self.bow[2]);
        (
            (image.width as f64 - 1.0) / 2.0 + u * cos - v * sin,
            (image.height as f64 - 1.0) / 2.0 + u * sin + v * cos,
        )
    }

    /// The rows that are taken.
    fn list(&self) -> Vec<f64> {
        let breadth = self.rows[1] - self.rows[0];
        let step = ((breadth + 1.0) / MAX_ROWS as f64).max(1.0);
        let n = (breadth / step).floor() as usize + 1;
        (0..n).map(|k| self.rows[0] + k as f64 * step).collect()
    }

    /// Finds how the strip is bowed, by the middle of the light (above `least`) across it at each
    /// point along it. A straight strip is left straight.
    fn follow(&mut self, image: &Image, least: f64) {
        let half = (self.length as f64 - 1.0) / 2.0;
        for _ in 0..BOW_ROUNDS {
            let list = self.list();
            let middles: Vec<(f64, f64, f64)> = (0..self.length)
                .filter_map(|u| {
                    let (mut sum, mut moment) = (0.0, 0.0);
                    for v in &list {
                        let (x, y) = self.place(image, u as f64, *v);
                        let w = (f64::from(image.at(x, y)) - least).max(0.0).sqrt();
                        sum += w;
                        moment += w * v;
                    }
                    (sum > 0.0).then(|| (u as f64 - half, moment / sum, sum))
                })
                .collect();
            let Some(c) = parabola(&middles, 2.0 * half) else { break };
            let middle = self.middle();
            self.bow[0] += c[0] - middle;
            self.bow[1] += c[1];
            self.bow[2] += c[2];
        }
        if self.bow[2].abs() < LEAST_BOW {
            self.bow = [0.0; 3];
        }
    }

    fn middle(&self) -> f64 {
        0.5 * (self.rows[0] + self.rows[1])
    }
}

/// Finds the strip (or takes the rows asked for, from 1) and sums it.
pub(super) fn find(image: &Image, rows: Option<[usize; 2]>, path: &Path) -> Result<Strip> {
    let mut notes = Vec::new();
    let frame = match rows {
        Some([a, b]) => {
            if a < 1 || b < a || b > image.height {
                return Err(bad(
                    path,
                    format!("rows {a} to {b} were asked for, but the picture has {}", image.height),
                    "ask for rows that exist, counted from 1 at the top",
                ));
            }
            let middle = (image.height as f64 - 1.0) / 2.0;
            notes.push(format!("Rows {a} to {b} were summed (as asked)."));
            Frame {
                angle: 0.0,
                rows: [(a - 1) as f64 - middle, (b - 1) as f64 - middle],
                length: image.width,
                bow: [0.0; 3],
            }
        }
        None => locate(image, path, &mut notes)?,
    };
    let list = frame.list();
    let rectified: Vec<Vec<f32>> = list
        .iter()
        .map(|v| {
            (0..frame.length)
                .map(|u| {
                    let (x, y) = frame.place(image, u as f64, *v);
                    image.at(x, y)
                })
                .collect()
        })
        .collect();
    let (lean, bend) = straighten(&rectified, &list, frame.middle());
    let half = 0.5 * (frame.rows[1] - frame.rows[0]);
    if (lean * half).abs() > 0.5 || (bend * half * half).abs() > 0.5 {
        notes.push(format!(
            "Lines lean by {:.1} pixels and bend by {:.1} over the rows summed, and were straightened.",
            2.0 * lean * half,
            bend * half * half
        ));
    }
    let n = frame.length;
    let mut counts = vec![0.0f64; n];
    let mut ended = vec![0usize; n];
    for (row, v) in rectified.iter().zip(&list) {
        let w = v - frame.middle();
        let shift = lean * w + bend * w * w;
        for (u, (c, e)) in counts.iter_mut().zip(&mut ended).enumerate() {
            let at = u as f64 + shift;
            *c += f64::from(between(row, at));
            let (x, y) = frame.place(image, at, *v);
            *e += usize::from(image.is_clipped(x, y));
        }
    }
    let rows_taken = list.len().max(1) as f64;
    counts.iter_mut().for_each(|c| *c /= rows_taken);
    let saturated: Vec<bool> =
        ended.iter().map(|e| *e as f64 > CLIPPED_ROWS_SHARE * rows_taken).collect();
    let lost = saturated.iter().filter(|s| **s).count();
    if lost > 0 {
        notes.push(format!(
            "{lost} places along the strip are clipped in some colour and marked as saturated."
        ));
    }
    Ok(Strip { counts, saturated, notes })
}

/// A row between its points, 0 outside.
fn between(row: &[f32], at: f64) -> f32 {
    let i = at.floor();
    if i < 0.0 || i as usize + 1 >= row.len() {
        return if i >= 0.0 { row.get(i as usize).copied().unwrap_or(0.0) } else { 0.0 };
    }
    let f = (at - i) as f32;
    let i = i as usize;
    row[i] * (1.0 - f) + row[i + 1] * f
}

/// Tilt and rows of the strip from the moments of the light.
fn locate(image: &Image, path: &Path, notes: &mut Vec<String>) -> Result<Frame> {
    let no_strip = |why: &str| {
        bad(
            path,
            format!("no strip of a spectrum is found in the picture ({why})"),
            "cut out the strip, or say which rows to sum with --rows FROM..TO",
        )
    };
    let (ground, scatter) = ground(image);
    // Weak lines get a say beside strong ones by the square root.
    let least = ground + 6.0 * scatter + 1e-4;
    let weight = |k: usize| {
        let w = f64::from(image.light[k]) - least;
        if w > 0.0 { w.sqrt() } else { 0.0 }
    };
    let (mx, my) = ((image.width as f64 - 1.0) / 2.0, (image.height as f64 - 1.0) / 2.0);
    // (angle, place across of the middle, standard deviation across)
    let mut found: Option<(f64, f64, f64)> = None;
    let mut elongation = 0.0;
    for _ in 0..MOMENT_ROUNDS {
        let (mut s, mut sx, mut sy, mut sxx, mut syy, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for j in 0..image.height {
            for i in 0..image.width {
                let w = weight(j * image.width + i);
                if w == 0.0 {
                    continue;
                }
                let (x, y) = (i as f64 - mx, j as f64 - my);
                if let Some((angle, across, deviation)) = found {
                    let v = y * angle.cos() - x * angle.sin();
                    if (v - across).abs() > MOMENT_REACH * deviation {
                        continue;
                    }
                }
                s += w;
                sx += w * x;
                sy += w * y;
                sxx += w * x * x;
                syy += w * y * y;
                sxy += w * x * y;
            }
        }
        if s <= 0.0 {
            return Err(no_strip("it is dark or even"));
        }
        let (cx, cy) = (sx / s, sy / s);
        let (vx, vy, vxy) = (sxx / s - cx * cx, syy / s - cy * cy, sxy / s - cx * cy);
        let angle = 0.5 * (2.0 * vxy).atan2(vx - vy);
        // Upright strips run downward, whichever way they lean, so that the axis does not turn
        // round from one picture to the next.
        let upward = angle < -std::f64::consts::FRAC_PI_4;
        let angle = if upward { angle + std::f64::consts::PI } else { angle };
        let (sin, cos) = angle.sin_cos();
        let along = vx * cos * cos + 2.0 * vxy * sin * cos + vy * sin * sin;
        let across = (vx * sin * sin - 2.0 * vxy * sin * cos + vy * cos * cos).max(0.1);
        elongation = (along / across).sqrt();
        found = Some((angle, cy * cos - cx * sin, across.sqrt()));
    }
    let (angle, across, deviation) = found.unwrap_or((0.0, 0.0, 1.0));
    if elongation < LEAST_ELONGATION {
        return Err(no_strip("its light is not drawn out in one direction"));
    }
    let flat = angle.abs() <= std::f64::consts::FRAC_PI_4;
    let length = if flat { image.width } else { image.height };
    let reach = (4.0 * deviation).max(3.0).ceil();
    let mut frame = Frame { angle, rows: [across - reach, across + reach], length, bow: [0.0; 3] };
    frame.follow(image, least);
    // Light of each row, from the darkest upward.
    let list = frame.list();
    let profile: Vec<f64> = list
        .iter()
        .map(|v| {
            (0..length)
                .map(|u| {
                    let (x, y) = frame.place(image, u as f64, *v);
                    (f64::from(image.at(x, y)) - least).max(0.0).sqrt()
                })
                .sum()
        })
        .collect();
    let top = profile.iter().copied().fold(0.0, f64::max);
    let Some(peak) = profile.iter().position(|p| *p == top).filter(|_| top > 0.0) else {
        return Err(no_strip("it is dark"));
    };
    let low = (0..=peak).rev().take_while(|i| profile[*i] >= EDGE_SHARE * top).last();
    let high = (peak..profile.len()).take_while(|i| profile[*i] >= EDGE_SHARE * top).last();
    frame.rows = [list[low.unwrap_or(peak)], list[high.unwrap_or(peak)]];
    notes.push(format!(
        "A strip {:.0} pixels broad was found, tilted by {:.2} degrees{}.",
        frame.rows[1] - frame.rows[0] + 1.0,
        angle.to_degrees(),
        match frame.bow[2] {
            0.0 => String::new(),
            bow => format!(" and bowed by {:.1} pixels, which was followed", bow.abs()),
        }
    ));
    Ok(frame)
}

/// Light without strip, and its scatter: the middle of a sample of points, and of how far they lie
/// from it.
fn ground(image: &Image) -> (f64, f64) {
    /// Points that are looked at; more make the figures no better.
    const SAMPLE: usize = 20_000;
    let step = (image.light.len() / SAMPLE).max(1);
    let middle = |v: &mut Vec<f32>| {
        v.sort_by(f32::total_cmp);
        v.get(v.len() / 2).copied().map_or(0.0, f64::from)
    };
    let mut sample: Vec<f32> = image.light.iter().step_by(step).copied().collect();
    let ground = middle(&mut sample);
    let mut away: Vec<f32> = sample.iter().map(|v| (f64::from(*v) - ground).abs() as f32).collect();
    // The middle of the distances of a normal scatter is 0.6745 of its standard deviation.
    (ground, middle(&mut away) / 0.6745)
}

/// Shift of a row `w` from the middle: `lean · w + bend · w²`, by which the rows of the strip match.
fn straighten(rows: &[Vec<f32>], list: &[f64], middle: f64) -> (f64, f64) {
    let breadth = list.last().zip(list.first()).map_or(0.0, |(b, a)| b - a);
    let most = (SHIFT_SHARE * breadth).ceil() as i64 + 2;
    let n = rows.first().map_or(0, Vec::len);
    if rows.len() < 3 || (n as i64) < 8 * most {
        return (0.0, 0.0);
    }
    let (mut lean, mut bend) = (0.0, 0.0);
    for _ in 0..STRAIGHTEN_ROUNDS {
        let moved = |k: usize| {
            let w = list[k] - middle;
            lean * w + bend * w * w
        };
        let sum = |from: usize, to: usize| -> Vec<f64> {
            let mut out = vec![0.0; n];
            for (k, row) in rows.iter().enumerate().take(to).skip(from) {
                let shift = moved(k);
                for (u, o) in out.iter_mut().enumerate() {
                    *o += f64::from(between(row, u as f64 + shift));
                }
            }
            without_smooth(&out)
        };
        // The middle third is the pattern that groups of rows are held against.
        let third = rows.len() / 3;
        let pattern = sum(third, rows.len() - third);
        let groups = GROUPS.min(rows.len());
        let mut points: Vec<(f64, f64, f64)> = Vec::new();
        for g in 0..groups {
            let (from, to) = (g * rows.len() / groups, (g + 1) * rows.len() / groups);
            let (shift, agreement) = best_shift(&pattern, &sum(from, to), most);
            if agreement >= GROUP_CORRELATION {
                let w = list[from..to].iter().sum::<f64>() / (to - from) as f64 - middle;
                points.push((w, shift, agreement * agreement));
            }
        }
        let Some([_, a, b]) = parabola(&points, breadth) else { break };
        let scale = (0.5 * breadth).max(1.0);
        lean += a / scale;
        bend += b / (scale * scale);
    }
    (lean, bend)
}

/// Each point less the mean of those around it.
fn without_smooth(y: &[f64]) -> Vec<f64> {
    let mut sums = vec![0.0];
    for v in y {
        sums.push(sums[sums.len() - 1] + v);
    }
    (0..y.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(SMOOTH_HALF), (i + SMOOTH_HALF + 1).min(y.len()));
            y[i] - (sums[b] - sums[a]) / (b - a) as f64
        })
        .collect()
}

/// Shift at which `row` matches `pattern` best, between pixels, and the correlation there.
fn best_shift(pattern: &[f64], row: &[f64], most: i64) -> (f64, f64) {
    let n = pattern.len() as i64;
    let at = |shift: i64| {
        let (mut pr, mut pp, mut rr) = (0.0, 0.0, 0.0);
        for u in most..n - most {
            let (p, r) = (pattern[u as usize], row[(u + shift) as usize]);
            pr += p * r;
            pp += p * p;
            rr += r * r;
        }
        if pp > 0.0 && rr > 0.0 { pr / (pp * rr).sqrt() } else { 0.0 }
    };
    let all: Vec<f64> = (-most..=most).map(at).collect();
    let Some((k, best)) = all.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1)) else {
        return (0.0, 0.0);
    };
    let mut shift = k as f64 - most as f64;
    if k > 0 && k + 1 < all.len() {
        let (left, right) = (all[k - 1], all[k + 1]);
        let curve = left - 2.0 * best + right;
        if curve < 0.0 {
            shift += 0.5 * (left - right) / curve;
        }
    } else {
        // The best at the very end is no match.
        return (0.0, 0.0);
    }
    (shift, best)
}

/// `y = c + a·w + b·w²` by weighted least squares of points (place, y, weight), with w the place over
/// half the breadth, without points that lie far off. With too few points only a straight line, or
/// nothing.
fn parabola(points: &[(f64, f64, f64)], breadth: f64) -> Option<[f64; 3]> {
    /// Points that a straight line, or a bent one, needs.
    const LINE: usize = 4;
    const BENT: usize = 7;
    /// Pixels by which a point may lie off the fit before it is left out, at least.
    const OFF: f64 = 0.5;
    let scale = (0.5 * breadth).max(1.0);
    let mut kept: Vec<(f64, f64, f64)> = points.to_vec();
    let mut result = None;
    for _ in 0..3 {
        if kept.len() < LINE {
            return result;
        }
        let terms = if kept.len() >= BENT { 3 } else { 2 };
        let mut m = nalgebra::Matrix3::<f64>::zeros();
        let mut t = nalgebra::Vector3::<f64>::zeros();
        if terms == 2 {
            // The square is held at zero.
            m[(2, 2)] = 1.0;
        }
        for (w, shift, weight) in &kept {
            let basis = [1.0, w / scale, (w / scale).powi(2)];
            for i in 0..terms {
                t[i] += weight * basis[i] * shift;
                for j in 0..terms {
                    m[(i, j)] += weight * basis[i] * basis[j];
                }
            }
        }
        let c = m.lu().solve(&t)?;
        let fit = |w: f64| c[0] + c[1] * w / scale + c[2] * (w / scale).powi(2);
        let mut away: Vec<f64> = kept.iter().map(|(w, s, _)| (s - fit(*w)).abs()).collect();
        away.sort_by(f64::total_cmp);
        let limit = (3.0 * away[away.len() / 2]).max(OFF);
        kept.retain(|(w, s, _)| (s - fit(*w)).abs() <= limit);
        result = Some([c[0], c[1], if terms == 3 { c[2] } else { 0.0 }]);
    }
    result
}
