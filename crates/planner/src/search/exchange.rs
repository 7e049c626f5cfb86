//! What lanes tell each other.

use crate::random::Random;
use crate::search::Search;

/// Containers of columns put in, or taken out where negative.
pub(crate) type Changes = Vec<(u32, i64)>;

/// A move that was accepted.
#[derive(Debug, Clone)]
pub(crate) struct Accepted {
    pub(crate) changes: Changes,
    /// How much the cost might have risen.
    allowed: f64,
}

impl Search<'_> {
    /// Classes that have columns and their sites.
    pub(crate) fn sites_of_classes(&self) -> Vec<(usize, usize)> {
        let index = self.state.index;
        let with_columns = (0..index.classes.len())
            .filter(|&class| !self.state.columns.of_class(class).is_empty());
        with_columns
            .map(|class| (class, index.classes[class].site))
            .collect()
    }

    /// From now on change these classes only, and keep accepted moves for other lanes.
    pub(crate) fn keep_to(&mut self, classes: Vec<usize>) {
        self.records = true;
        self.classes = classes;
    }

    /// Take random numbers from another stream.
    pub(crate) fn reseed(&mut self, random: Random) {
        self.random = random;
    }

    /// Moves accepted since the last exchange.
    pub(crate) fn take_journal(&mut self) -> Vec<Accepted> {
        std::mem::take(&mut self.journal)
    }

    /// Repeat moves that another search accepted; those that do not fit here, or are no longer worth it, are
    /// left out.
    pub(crate) fn repeat(&mut self, moves: &[Accepted]) {
        for Accepted { changes, allowed } in moves {
            let mark = self.begin();
            let fits = changes.iter().all(|&(p, q)| self.change(p as usize, q));
            let rise = self.state.weighed_e4() - mark.weighed_e4();
            self.allowed = *allowed;
            if fits && rise as f64 <= self.allowed && self.whole_batches() {
                self.accept();
            } else {
                self.reject(mark);
            }
        }
    }

    /// Make changes found elsewhere, those that take out first. They fit, as with them this plan is that of another
    /// search, which is valid; if they did not, nothing would change, and this plan is as valid.
    pub(crate) fn join(&mut self, changes: &[(u32, i64)]) {
        if changes.is_empty() {
            return;
        }
        let mark = self.begin();
        if changes.iter().all(|&(p, q)| self.change(p as usize, q)) {
            self.stand();
        } else {
            self.reject(mark);
        }
    }

    /// Keep the present move for other lanes.
    pub(super) fn record(&mut self) {
        if self.records {
            let out = self.out.iter().map(|&(p, q)| (p as u32, -q));
            let put = self.put.iter().map(|&(p, q)| (p as u32, q));
            self.journal.push(Accepted {
                changes: out.chain(put).collect(),
                allowed: self.allowed,
            });
        }
    }
}
