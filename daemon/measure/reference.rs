//! For tests: the published check values, and normal random numbers.

#![allow(
    clippy::float_arithmetic,
    reason = "test data and relative errors are real numbers"
)]

use alloc::vec::Vec;
use serde_json::Value;

/// A file of check values.
pub(crate) fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("check values are JSON")
}

/// A number of a file, written as one or as its digits.
pub(crate) fn number(of: &Value) -> f64 {
    match of {
        Value::String(digits) => digits.parse().expect("digits"),
        other => other
            .as_f64()
            .unwrap_or_else(|| panic!("no number: {other}")),
    }
}

/// A list of numbers of a file.
pub(crate) fn numbers(of: &Value) -> Vec<f64> {
    of.as_array().expect("a list").iter().map(number).collect()
}

/// The rows of numbers under a heading; remarks begin with `#`.
pub(crate) fn rows(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            line.split(',')
                .map(|field| field.parse().expect("digits"))
                .collect()
        })
        .collect()
}

/// How many digits of `found` are right: the log relative error, at most 15, as many as are certified.
pub(crate) fn right_digits(found: f64, certified: f64) -> f64 {
    let off = if certified == 0.0 {
        found.abs()
    } else {
        ((found - certified) / certified).abs()
    };
    if off > 0.0 {
        (-libm::log10(off)).min(15.0)
    } else {
        15.0
    }
}

/// Whether `found` is `expect` within the half of a unit at that decimal.
pub(crate) fn rounds_to(found: f64, expect: f64, decimals: i32) -> bool {
    (found - expect).abs() <= 0.5 * libm::pow(10.0, f64::from(-decimals)) * (1.0 + 1e-9)
}

/// Normal random numbers by Marsaglia's polar method, from the generator SplitMix64 (Steele, Lea and Flood,
/// 2014), both from memory.
pub(crate) struct Random {
    state: u64,
}

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self { state: seed }
    }

    /// From 0 to 1.
    pub(crate) fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        (z >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Mean 0, sigma 1.
    pub(crate) fn normal(&mut self) -> f64 {
        loop {
            let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                return u * libm::sqrt(-2.0 * libm::log(s) / s);
            }
        }
    }
}

/// How far, in either direction, a share may be from `expect` after `draws` draws: four standard deviations.
pub(crate) fn allowance(expect: f64, draws: u32) -> f64 {
    4.0 * libm::sqrt(expect * (1.0 - expect) / f64::from(draws))
}

/// A fingerprint of the bits of all numbers: FNV-1a, from memory.
pub(crate) fn fingerprint(of: impl IntoIterator<Item = f64>) -> u64 {
    let bytes = of
        .into_iter()
        .flat_map(|number| number.to_bits().to_le_bytes());
    bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}
