//! The buckets, shared among threads.

use crate::replay::ReplayError;
use std::sync::{Mutex, PoisonError};
use std::thread;

/// `each` of the parts, on so many threads; the outcomes in any order. A part is freed when it is done.
pub(super) fn share<P: Send, T: Send>(
    threads: usize,
    parts: Vec<P>,
    each: impl Fn(P) -> T + Sync,
) -> Result<Vec<T>, ReplayError> {
    let parts = Mutex::new(parts);
    let next = || parts.lock().unwrap_or_else(PoisonError::into_inner).pop();
    let work = || std::iter::from_fn(next).map(&each).collect::<Vec<T>>();
    thread::scope(|scope| {
        let workers: Vec<_> = (0..threads.max(1)).map(|_| scope.spawn(work)).collect();
        let mut all = Vec::new();
        for worker in workers {
            all.extend(worker.join().map_err(|_| ReplayError::Worker)?);
        }
        Ok(all)
    })
}

/// From one list of buckets for each worker to one list of pieces for each bucket.
pub(super) fn by_bucket<T>(workers: Vec<Vec<T>>) -> Vec<Vec<T>> {
    let mut buckets: Vec<Vec<T>> = Vec::new();
    for worker in workers {
        for (index, piece) in worker.into_iter().enumerate() {
            if index == buckets.len() {
                buckets.push(Vec::new());
            }
            buckets[index].push(piece);
        }
    }
    buckets
}
