//! Random numbers that are the same on every machine.

use rand::Rng;
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

/// Purpose of a stream of random numbers: streams of one seed do not depend on how many numbers
/// another one has used up.
#[derive(Debug, Clone, Copy)]
pub(super) enum Stream {
    /// What the tube is: scatter of its lines, lines that are missing.
    Tube = 1,
    /// What the recording adds: photon noise and read noise.
    Noise = 2,
    /// What the detector is: unevenness of its pixels.
    Pattern = 3,
}

/// Mean number of electrons from which the Poisson law is replaced by the normal law of the same
/// mean and variance; its skewness there is 1/sqrt(64) = 0.125, far below what a test of a
/// recording can see. Below, the product method would also run out of the range of `exp`.
const POISSON_NORMAL_FROM: f64 = 64.0;

/// A stream of random numbers.
pub(super) struct Chance {
    rng: ChaCha8Rng,
    spare: Option<f64>,
}

impl Chance {
    /// The stream of `seed` for one purpose.
    pub(super) fn new(seed: u64, stream: Stream) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream as u64);
        Chance { rng, spare: None }
    }

    /// Uniform in [0, 1).
    pub(super) fn uniform(&mut self) -> f64 {
        // 53 bits fill the significand exactly.
        (self.rng.next_u64() >> 11) as f64 * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Standard normal, by the Box-Muller transform (Ann. Math. Stat. 29, 610 (1958)).
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(z) = self.spare.take() {
            return z;
        }
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        let angle = 2.0 * std::f64::consts::PI * self.uniform();
        self.spare = Some(radius * libm::sin(angle));
        radius * libm::cos(angle)
    }

    /// Poisson-distributed whole number of the given mean (0 for a mean of 0 or less).
    pub(super) fn poisson(&mut self, mean: f64) -> f64 {
        if mean <= 0.0 {
            return 0.0;
        }
        if mean >= POISSON_NORMAL_FROM {
            return (mean + libm::sqrt(mean) * self.normal()).round().max(0.0);
        }
        // Product of uniforms until it falls below exp(-mean): Knuth, Seminumerical Algorithms.
        let floor = libm::exp(-mean);
        let (mut product, mut n) = (self.uniform(), 0.0);
        while product > floor {
            product *= self.uniform();
            n += 1.0;
        }
        n
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moments(values: &[f64]) -> (f64, f64) {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        (mean, values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0))
    }

    /// Mean and variance of the Poisson law are equal; checked on both sides of the change of
    /// method with 4 standard errors (variance of the sample variance for large n:
    /// (mu + 2 mu^2)/n).
    #[test]
    fn poisson_has_equal_mean_and_variance() {
        const N: usize = 40_000;
        for mean in [0.3, 5.0, 63.0, 65.0, 900.0] {
            let mut c = Chance::new(7, Stream::Noise);
            let draws: Vec<f64> = (0..N).map(|_| c.poisson(mean)).collect();
            let (m, v) = moments(&draws);
            assert!((m - mean).abs() < 4.0 * (mean / N as f64).sqrt(), "mean {m} of {mean}");
            let se = ((mean + 2.0 * mean * mean) / N as f64).sqrt();
            // Rounding to whole electrons adds 1/12 above the change of method.
            let expected = if mean >= POISSON_NORMAL_FROM { mean + 1.0 / 12.0 } else { mean };
            assert!((v - expected).abs() < 4.0 * se, "variance {v} of {mean}");
        }
    }

    #[test]
    fn normal_has_the_published_tails() {
        const N: usize = 100_000;
        let mut c = Chance::new(3, Stream::Tube);
        let z: Vec<f64> = (0..N).map(|_| c.normal()).collect();
        let (m, v) = moments(&z);
        assert!(m.abs() < 4.0 / (N as f64).sqrt() && (v - 1.0).abs() < 0.02);
        // P(|z| > 1.959964) = 0.05 (any table of the normal law).
        let share = z.iter().filter(|z| z.abs() > 1.959_964).count() as f64 / N as f64;
        assert!((share - 0.05).abs() < 4.0 * (0.05f64 * 0.95 / N as f64).sqrt());
    }

    #[test]
    fn streams_of_one_seed_differ_and_repeat() {
        let take = |seed, stream| -> Vec<f64> {
            let mut c = Chance::new(seed, stream);
            (0..8).map(|_| c.uniform()).collect()
        };
        assert_eq!(take(1, Stream::Noise), take(1, Stream::Noise));
        assert_ne!(take(1, Stream::Noise), take(1, Stream::Tube));
        assert_ne!(take(1, Stream::Noise), take(2, Stream::Noise));
        assert!(take(1, Stream::Pattern).iter().all(|u| (0.0..1.0).contains(u)));
    }
}
