//! Work on several threads.

/// Work on every item, on some threads; with one, on the caller's own.
pub(crate) fn each<T: Send>(threads: usize, items: &mut [T], work: impl Fn(&mut T) + Sync) {
    let part = items.len().div_ceil(threads.max(1)).max(1);
    let work = &work;
    std::thread::scope(|scope| {
        let mut chunks = items.chunks_mut(part);
        let own = chunks.next();
        for chunk in chunks {
            scope.spawn(move || chunk.iter_mut().for_each(work));
        }
        own.into_iter().flatten().for_each(work);
    });
}
