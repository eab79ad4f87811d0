//! Random numbers that are the same everywhere: xoshiro256++, seeded by splitmix64.
//!
//! Source: D. Blackman, S. Vigna, "Scrambled linear pseudorandom number generators", ACM Trans. Math. Softw. 47 (2021).

/// A stream of random numbers.
pub(super) struct Random([u64; 4]);

/// Mean and spread of the sum of four 16-bit words.
const FOUR_WORDS_MEAN: f64 = 131_070.0;
const FOUR_WORDS_SPREAD: f64 = 37_837.227;

impl Random {
    /// The stream of a seed.
    pub fn new(seed: u64) -> Self {
        let mut state = seed;
        Self(std::array::from_fn(|_| splitmix(&mut state)))
    }

    fn bits(&mut self) -> u64 {
        let s = &mut self.0;
        let out = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Even in 0..1.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// +1 or -1.
    pub fn sign(&mut self) -> f64 {
        if self.bits() >> 63 == 0 { 1.0 } else { -1.0 }
    }

    /// Normal, mean 0, spread 1 (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        radius * libm::cos(2.0 * std::f64::consts::PI * self.unit())
    }

    /// Nearly normal, mean 0, spread 1, within +-3.5: cheap enough for every sample.
    pub fn noise(&mut self) -> f64 {
        let word = self.bits();
        let sum = (word & 0xffff) + ((word >> 16) & 0xffff) + ((word >> 32) & 0xffff) + (word >> 48);
        (sum as f64 - FOUR_WORDS_MEAN) / FOUR_WORDS_SPREAD
    }
}

fn splitmix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A value that remembers a share of itself from one cycle to the next, spread 1.
#[derive(Clone, Copy, Default)]
pub(super) struct Memory(f64);

impl Memory {
    /// The next value; `share` is the correlation with the last.
    pub fn next(&mut self, share: f64, random: &mut Random) -> f64 {
        self.0 = share * self.0 + (1.0 - share * share).sqrt() * random.normal();
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_has_mean_0_and_spread_1() {
        for draw in [Random::noise, Random::normal] {
            let mut random = Random::new(7);
            let values: Vec<f64> = (0..40_000).map(|_| draw(&mut random)).collect();
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let square = values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64;
            // Five standard errors: 5 / sqrt(40 000), and for the square 5 * sqrt(2 / 40 000).
            assert!(mean.abs() < 0.025 && (square - 1.0).abs() < 0.036, "{mean} {square}");
        }
    }

    #[test]
    fn splitmix_gives_the_published_first_values() {
        // First outputs for seed 1234567, from the reference C code's widely copied check (from memory).
        let mut state = 1_234_567;
        assert_eq!(splitmix(&mut state), 6_457_827_717_110_365_317);
        assert_eq!(splitmix(&mut state), 3_203_168_211_198_807_973);
    }
}
