//! Numbers by chance that are the same every time: a seed flows in, what is drawn flows out. A run
//! can be played again from the seed that it printed.

/// SplitMix64 (Steele, Lea, Flood 2014; the constants from memory).
#[derive(Clone, Debug)]
pub struct Random(pub u64);

impl Random {
    /// Any number.
    pub fn any(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 to `limit`, without that; 0 if that is 0.
    pub fn below(&mut self, limit: u64) -> u64 {
        self.any() % limit.max(1)
    }

    /// True so many times in a hundred.
    pub fn percent(&mut self, of_hundred: u64) -> bool {
        self.below(100) < of_hundred
    }

    /// One of these.
    ///
    /// # Panics
    /// If there is none.
    pub fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len() as u64) as usize]
    }
}
