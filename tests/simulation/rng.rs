//! Chance from one seed: the same seed always gives the same run.

/// Splitmix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom number generators").
#[derive(Clone, Debug)]
pub struct Rng(u64);

impl Rng {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    /// 0 to `end` - 1.
    pub fn below(&mut self, end: u64) -> u64 {
        self.next() % end.max(1)
    }

    /// `from` to `to`, both inclusive.
    pub fn between(&mut self, from: i64, to: i64) -> i64 {
        from + self.below(to.abs_diff(from) + 1).cast_signed()
    }

    /// True so many times in a thousand.
    pub fn permille(&mut self, rate: u64) -> bool {
        self.below(1000) < rate
    }

    pub fn pick<T: Clone>(&mut self, list: &[T]) -> T {
        list[usize::try_from(self.below(list.len() as u64)).unwrap()].clone()
    }
}
