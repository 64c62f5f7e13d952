//! Samples of a status channel, a bit each.

/// A row of bits.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Bits {
    words: Vec<u64>,
    len: usize,
}

impl Bits {
    /// How many.
    #[must_use]
    pub fn len(&self) -> usize {
        self.len
    }

    /// None.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// The `n`-th, from 0; `None` beyond the end.
    #[must_use]
    pub fn get(&self, n: usize) -> Option<bool> {
        (n < self.len).then(|| {
            self.words
                .get(n / 64)
                .is_some_and(|w| w >> (n % 64) & 1 == 1)
        })
    }

    /// One more.
    pub fn push(&mut self, bit: bool) {
        if self.len.is_multiple_of(64) {
            self.words.push(0);
        }
        if let Some(word) = self.words.last_mut() {
            *word |= u64::from(bit) << (self.len % 64);
        }
        self.len += 1;
    }

    /// All of them, in order.
    pub fn iter(&self) -> impl Iterator<Item = bool> + '_ {
        (0..self.len).filter_map(|n| self.get(n))
    }
}

impl FromIterator<bool> for Bits {
    fn from_iter<I: IntoIterator<Item = bool>>(bits: I) -> Self {
        let mut row = Self::default();
        bits.into_iter().for_each(|bit| row.push(bit));
        row
    }
}
