//! Much of one kind, in pieces of one size: a Vec that grows holds up to twice what is in it, and its
//! old places beside the new while it moves. Full pieces beyond what memory is meant for go to a file.

use super::spill::Spill;
use crate::replay::ReplayError;

/// How many in a piece.
const PIECE: usize = 128;

/// What has a fixed size as bytes.
pub(super) trait Fixed: Sized {
    /// How many.
    const BYTES: usize;

    /// Append exactly as many.
    fn write(&self, out: &mut Vec<u8>);

    /// From exactly as many.
    fn read(bytes: &[u8]) -> Option<Self>;
}

/// Pieces, all full but the open one.
pub(super) struct Pile<T> {
    open: Vec<T>,
    full: Vec<Vec<T>>,
    /// Where the pieces stand that are in the file.
    written: Vec<u64>,
}

impl<T> Default for Pile<T> {
    fn default() -> Self {
        Self {
            open: Vec::new(),
            full: Vec::new(),
            written: Vec::new(),
        }
    }
}

impl<T: Fixed> Pile<T> {
    pub fn push(&mut self, one: T, spill: &Spill) {
        if self.open.len() == PIECE {
            self.put_away(spill);
        }
        if self.open.capacity() == 0 {
            self.open.reserve_exact(PIECE);
        }
        self.open.push(one);
    }

    #[cold]
    fn put_away(&mut self, spill: &Spill) {
        if spill.has_room((PIECE * size_of::<T>()) as u64) {
            self.full.push(std::mem::take(&mut self.open));
            return;
        }
        let mut bytes = Vec::with_capacity(PIECE * T::BYTES);
        for one in self.open.drain(..) {
            one.write(&mut bytes);
        }
        self.written.push(spill.write(&bytes));
    }

    pub fn len(&self) -> usize {
        self.open.len() + PIECE * (self.full.len() + self.written.len())
    }

    /// Everything; a piece is freed, or read, when its turn comes.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn each(self, spill: &Spill, mut take: impl FnMut(T)) -> Result<(), ReplayError> {
        self.full.into_iter().flatten().for_each(&mut take);
        let mut bytes = vec![0; PIECE * T::BYTES];
        for at in self.written {
            spill.read(&mut bytes, at)?;
            bytes.chunks_exact(T::BYTES).filter_map(T::read).for_each(&mut take);
        }
        self.open.into_iter().for_each(take);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    impl Fixed for u32 {
        const BYTES: usize = 4;

        fn write(&self, out: &mut Vec<u8>) {
            out.extend(self.to_le_bytes());
        }

        fn read(bytes: &[u8]) -> Option<Self> {
            Some(Self::from_le_bytes(bytes.try_into().ok()?))
        }
    }

    #[test]
    fn everything_comes_back_wherever_it_lay() {
        const ALL: u32 = 1000;
        for (most, in_memory) in [(0, 0), (2 * 512, 2), (u64::MAX, 7)] {
            let spill = Spill::new(most);
            let mut pile = Pile::default();
            (0..ALL).for_each(|one| pile.push(one, &spill));
            assert_eq!((pile.full.len(), pile.written.len()), (in_memory, 7 - in_memory));
            assert_eq!(pile.len(), 1000);
            let mut back = Vec::new();
            pile.each(&spill, |one| back.push(one)).unwrap();
            spill.check().unwrap();
            back.sort_unstable();
            assert_eq!(back, (0..ALL).collect::<Vec<_>>());
        }
    }
}
