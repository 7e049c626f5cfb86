//! Work on several threads.

use std::sync::mpsc::{Receiver, Sender, channel};

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

/// Looks for work before a thread goes to sleep, from which it is slow to wake: a fraction of a millisecond.
const LOOKS: u32 = 20_000;

/// A thread that stays, and what goes to it and comes back.
struct Helper<T> {
    give: Sender<Vec<T>>,
    take: Receiver<Vec<T>>,
}

/// Items that are worked on time and again, by threads that stay meanwhile.
pub(crate) struct Crew<'a, T> {
    /// The caller's own items and those of every helper.
    parts: Vec<Vec<T>>,
    helpers: Vec<Helper<T>>,
    work: &'a (dyn Fn(&mut T) + Sync),
}

impl<T> Crew<'_, T> {
    /// Work on every item.
    pub(crate) fn work(&mut self) {
        let others = self.parts.split_off(self.parts.len().min(1));
        // a helper is gone only when its work has panicked, and then so does the scope of all
        for (helper, part) in self.helpers.iter().zip(others) {
            let _ = helper.give.send(part);
        }
        self.parts.iter_mut().flatten().for_each(self.work);
        let done = self.helpers.iter().filter_map(|helper| next(&helper.take));
        self.parts.extend(done);
    }

    /// The items in their order.
    pub(crate) fn items(&mut self) -> impl Iterator<Item = &mut T> {
        self.parts.iter_mut().flatten()
    }

    /// The items in their order, when all work is done.
    pub(crate) fn into_items(self) -> impl Iterator<Item = T> {
        self.parts.into_iter().flatten()
    }
}

/// The next thing to come; `None` when nothing more will.
fn next<T>(from: &Receiver<T>) -> Option<T> {
    for _ in 0..LOOKS {
        if let Ok(item) = from.try_recv() {
            return Some(item);
        }
        std::hint::spin_loop();
    }
    from.recv().ok()
}

/// Lead a crew that works on items on some threads; with one, on the caller's own. To start a thread takes as long
/// as several moves of a search: two lanes of four sites make a quarter more moves in a crew than with [`each`].
pub(crate) fn crew<T: Send, R>(
    threads: usize,
    items: Vec<T>,
    work: &(dyn Fn(&mut T) + Sync),
    lead: impl FnOnce(Crew<'_, T>) -> R,
) -> R {
    let size = items.len().div_ceil(threads.max(1)).max(1);
    let mut items = items.into_iter();
    let mut parts = Vec::new();
    loop {
        let part: Vec<T> = items.by_ref().take(size).collect();
        if part.is_empty() {
            break;
        }
        parts.push(part);
    }
    std::thread::scope(|scope| {
        let helper = |_: &Vec<T>| {
            let (give, given) = channel::<Vec<T>>();
            let (back, take) = channel();
            scope.spawn(move || {
                while let Some(mut part) = next(&given) {
                    part.iter_mut().for_each(work);
                    if back.send(part).is_err() {
                        break;
                    }
                }
            });
            Helper { give, take }
        };
        let helpers = parts.iter().skip(1).map(helper).collect();
        lead(Crew {
            parts,
            helpers,
            work,
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_crew_works_on_every_item_each_time_and_keeps_their_order() {
        for threads in [0, 1, 2, 3, 9] {
            let items: Vec<(usize, u32)> = (0..5).map(|n| (n, 0)).collect();
            let worked = crew(
                threads,
                items,
                &|item: &mut (usize, u32)| item.1 += 1,
                |mut crew| {
                    for _ in 0..1000 {
                        crew.work();
                        crew.items().for_each(|item| item.1 += 10);
                    }
                    crew.into_items().collect::<Vec<_>>()
                },
            );
            let expected: Vec<_> = (0..5).map(|n| (n, 11_000)).collect();
            assert_eq!(worked, expected, "{threads} threads");
        }
    }

    #[test]
    fn a_crew_of_nothing_is_done_at_once() {
        let left = crew(4, Vec::<u8>::new(), &|_: &mut u8| {}, |mut crew| {
            crew.work();
            crew.into_items().count()
        });
        assert_eq!(left, 0);
    }

    #[test]
    #[should_panic(expected = "a scoped thread panicked")]
    fn a_fault_in_a_helper_is_not_lost() {
        let work = |item: &mut u8| assert!(*item < 3, "too much");
        crew(2, vec![1, 4], &work, |mut crew| crew.work());
    }
}
