//! Batches that may for a while be smaller than they must be.
//!
//! To take out whole batches and put others in is a coarse move: few plans can be reached from one, and
//! most of them are far worse. So the search begins with single containers and whole batches by turns, as if
//! there were no least sizes, and what batches lack grows dearer and dearer. Then every batch is filled up or
//! taken out. Single containers alone end with some batches a container short among full places, which cost
//! much to make whole: on a problem of four sites with batches of three to six plans end 8 % dearer.

use std::collections::BTreeMap;

use crate::insert::Scatter;
use crate::lanes;
use crate::random::geometric;
use crate::search::{Means, PartWatch, Search, Searched, Settings, Stretch, Watch};

/// Share of the moves in which batches may lack containers.
const SHARE: f64 = 0.9;

/// Search until the moves are made: with short batches first where batches have a least size, then in lanes.
pub(crate) fn run(
    mut search: Search<'_>,
    settings: &Settings,
    means: Means,
    watch: &dyn Watch,
) -> Searched {
    if !search.state.index.keep_batches || settings.moves == 0 {
        return lanes::run(search, settings, means, watch);
    }
    let (made, rest, watch) = search.run_with_short_batches(settings, watch);
    let found = lanes::run(search, &rest, means, &watch);
    Searched {
        moves: made + found.moves,
        ..found
    }
}

impl Search<'_> {
    /// Search with batches that may lack containers, until none does; the moves made, and how to go on.
    fn run_with_short_batches<'w>(
        &mut self,
        settings: &Settings,
        watch: &'w dyn Watch,
    ) -> (u64, Settings, PartWatch<'w>) {
        let (first, last) = (settings.temperatures[0], settings.temperatures[1024]);
        let between = settings.whole_batches_e4.min(first / 4.0).max(last);
        let moves = (settings.moves as f64 * SHARE) as u64;
        let short = Settings {
            moves,
            temperatures: geometric(first, between),
            ..settings.clone()
        };
        let stretch = Stretch {
            before: 0,
            moves,
            lanes: 1,
            tells: true,
        };
        let best_e4 = self.best_e4;
        let part = |from, end, before| PartWatch {
            watch,
            from,
            end,
            before,
            best_e4,
        };
        self.allow_short_batches(settings);
        let made = self.run(&short, stretch, &part(0.0, SHARE, 0));
        self.state.lack_price_e4 = None;
        self.make_batches_whole();
        let rest = Settings {
            moves: settings.moves - made.min(settings.moves),
            detour_weight: 0.0,
            temperatures: geometric(between, last),
            ..settings.clone()
        };
        (made, rest, part(SHARE, 1.0, made))
    }

    /// From now on batches may lack containers, at a price.
    pub(crate) fn allow_short_batches(&mut self, settings: &Settings) {
        self.state.lack_price_e4 = Some(settings.lack_prices_e4.0 as i64);
    }

    /// Price what batches lack at a share of the schedule.
    pub(super) fn price_lacking(&mut self, settings: &Settings, along: f64) {
        if let Some(price) = &mut self.state.lack_price_e4 {
            let (first, last) = settings.lack_prices_e4;
            *price = (first + (last - first) * along * along) as i64;
        }
    }

    /// Fill up every batch that lacks containers, or take it out, whichever costs less.
    fn make_batches_whole(&mut self) {
        let (columns, batches) = (self.state.columns, &self.state.index.batches);
        let mut used: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        for (p, column) in columns.list.iter().enumerate() {
            if self.state.count(p) > 0 {
                used.entry(column.batch).or_default().push(p);
            }
        }
        // the emptiest first: what they leave fills others
        let mut short: Vec<(i64, u32)> = used
            .keys()
            .map(|&batch| (self.state.batch(batch as usize), batch))
            .filter(|&(containers, batch)| containers < batches[batch as usize].least)
            .collect();
        short.sort_unstable();
        for (_, batch) in short {
            let own = &used[&batch];
            let mark = self.state.mark();
            self.fill_up(own[0]);
            let filled = self.state.batch(batch as usize) >= batches[batch as usize].least;
            let cost_e4 = self.state.cost_e4;
            self.reject(mark);
            let taken_out = own.iter().all(|&p| {
                let containers = self.state.count(p);
                containers == 0 || self.take_out(p, containers)
            });
            if !taken_out || (filled && cost_e4 < self.state.cost_e4) {
                self.reject(mark);
                self.fill_up(own[0]);
            }
            self.state.commit();
            self.gains.keep();
        }
        for class in 0..self.active.len() {
            self.list_active(class);
        }
        self.keep_best();
    }

    /// Put containers into the batch of a column until it has enough.
    fn fill_up(&mut self, column: usize) {
        self.out.clear();
        self.put.clear();
        self.put.push((column, 0));
        self.complete_batches(Scatter::default());
    }
}
