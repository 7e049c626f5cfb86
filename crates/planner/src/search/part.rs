//! A part of a search, as it looks from outside.

use super::Watch;

/// The outside of a part of a search.
pub(crate) struct PartWatch<'a> {
    /// That of the whole.
    pub(crate) watch: &'a dyn Watch,
    /// Share of the whole's schedule at which the part begins.
    pub(crate) from: f64,
    /// Share at which it ends.
    pub(crate) end: f64,
    /// Moves made before it.
    pub(crate) before: u64,
    /// Cost of the best plan found before it.
    pub(crate) best_e4: i64,
}

impl PartWatch<'_> {
    /// The share of the part; `None` at its end, unless the whole ends there too and knows best when.
    fn within(&self, share: f64) -> Option<f64> {
        let gone = (share - self.from) / (self.end - self.from).max(1e-9);
        (gone < 1.0 || self.end > 1.0 - 1e-9).then(|| gone.clamp(0.0, 1.0))
    }
}

impl Watch for PartWatch<'_> {
    fn look(&self, best_e4: i64, moves: u64) -> Option<f64> {
        let best_e4 = best_e4.min(self.best_e4);
        self.within(self.watch.look(best_e4, self.before + moves)?)
    }

    fn glance(&self) -> Option<f64> {
        self.within(self.watch.glance()?)
    }
}

/// The outside of a search beside which another tells: work and best plans of two would not come in order.
pub(crate) struct Untold<'a>(pub(crate) &'a dyn Watch);

impl Watch for Untold<'_> {
    fn look(&self, _best_e4: i64, _moves: u64) -> Option<f64> {
        self.0.glance()
    }

    fn glance(&self) -> Option<f64> {
        self.0.glance()
    }
}
