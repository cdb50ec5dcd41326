//! Chance with a seed: normal random numbers that are the same on every machine.
//!
//! ChaCha with eight rounds as the source, the Box-Muller transform on top, logarithm and cosine from a pure-Rust
//! library: nothing depends on the platform. A number is addressed by what it is for and by the piece it belongs to,
//! not by how many were drawn before, so that a longer day begins with the shorter one, and a new fault does not
//! change the noise of what was there. Deliberately not here: a generator with state.

use chacha20::ChaCha8Rng;
use chacha20::rand_core::{Rng, SeedableRng};

/// What a random number is for. The number of a purpose is its stream and must not change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// How much metal a casting got.
    Pour = 1,
    /// What the scale adds of its own to the mass of a piece.
    Scale = 2,
    /// What the scale adds of its own to the check weight.
    CheckWeight = 3,
    /// How rough the blaster made a piece.
    Surface = 4,
    /// What the stylus adds of its own to the roughness of a piece.
    Stylus = 5,
    /// How the height of a profile goes with its mean, piece by piece.
    Profile = 6,
    /// How much coating a piece got.
    Coat = 7,
    /// What a probe adds of its own, spot by spot.
    Probe = 8,
    /// How far the base of a piece is ground in, as its gauge reads it.
    Base = 9,
}

/// A standard normal number (mean 0, standard deviation 1) for `purpose`, place `index` of its stream.
pub(crate) fn normal(seed: u64, purpose: Purpose, index: u32) -> f64 {
    // The key is written out here rather than stretched by the library, whose way of doing it may change.
    let mut key = [0; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    let mut source = ChaCha8Rng::from_seed(key);
    source.set_stream(purpose as u64);
    // Two draws of 64 bits each are four words of 32 bits.
    source.set_word_pos(u128::from(index) * 4);
    let (radius, turn) = (unit(source.next_u64()), unit(source.next_u64()));
    libm::sqrt(-2.0 * libm::log(radius)) * libm::cos(std::f64::consts::TAU * turn)
}

/// 53 random bits as a number in (0, 1]: never 0, whose logarithm is infinite.
fn unit(bits: u64) -> f64 {
    const STEP: f64 = 1.0 / (1_u64 << 53) as f64;
    ((bits >> 11) + 1) as f64 * STEP
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_address_gives_the_same_number_and_another_address_another() {
        let at = |seed, purpose, index| normal(seed, purpose, index).to_bits();
        assert_eq!(at(7, Purpose::Pour, 40), at(7, Purpose::Pour, 40));
        assert_ne!(at(7, Purpose::Pour, 40), at(7, Purpose::Pour, 41));
        assert_ne!(at(7, Purpose::Pour, 40), at(7, Purpose::Scale, 40));
        assert_ne!(at(7, Purpose::Pour, 40), at(8, Purpose::Pour, 40));
    }

    /// Shares of a standard normal within 1, 2 and 3 standard deviations: 0.682 689, 0.954 500, 0.997 300
    /// (any table of the normal distribution; quoted from memory). Bounds are five standard errors wide.
    #[test]
    fn the_numbers_are_standard_normal() {
        const N: u32 = 100_000;
        let drawn: Vec<f64> = (0..N)
            .map(|index| normal(1, Purpose::Scale, index))
            .collect();
        let n = f64::from(N);
        let mean = drawn.iter().sum::<f64>() / n;
        let variance = drawn.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / (n - 1.0);
        assert!(mean.abs() < 5.0 / n.sqrt(), "mean {mean}");
        assert!(
            (variance - 1.0).abs() < 5.0 * (2.0 / n).sqrt(),
            "variance {variance}"
        );
        for (within, share) in [(1.0, 0.682_689), (2.0, 0.954_500), (3.0, 0.997_300)] {
            let found = drawn.iter().filter(|x| x.abs() < within).count() as f64 / n;
            let error = (share * (1.0 - share) / n).sqrt();
            assert!(
                (found - share).abs() < 5.0 * error,
                "{found} within {within}, wanted {share}"
            );
        }
    }
}
