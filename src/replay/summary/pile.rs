//! Much of one kind, kept in pieces of one size: a Vec that grows holds up to twice what is in it, and
//! its old places beside the new while it moves.

/// How many in a piece.
const PIECE: usize = 128;

/// Pieces, all full but the last.
#[derive(Clone)]
pub(super) struct Pile<T>(Vec<Vec<T>>);

impl<T> Default for Pile<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> Pile<T> {
    pub fn push(&mut self, one: T) {
        if let Some(last) = self.0.last_mut()
            && last.len() < PIECE
        {
            last.push(one);
            return;
        }
        let mut piece = Vec::with_capacity(PIECE);
        piece.push(one);
        self.0.push(piece);
    }

    pub fn len(&self) -> usize {
        self.0.iter().map(Vec::len).sum()
    }

    /// Everything; each piece is freed when it is through.
    pub fn into_items(self) -> impl Iterator<Item = T> {
        self.0.into_iter().flatten()
    }
}
