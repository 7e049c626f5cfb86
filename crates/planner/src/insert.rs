//! The best chain of sowings for some places of a class between two slots.
//!
//! Model section "ruin and recreate", insertion: a dynamic programme over sow slots, backward, with the
//! value-of-grams tables. It is exact for one place unless two cuts of the chain share a delivery week
//! or a work week; therefore sowings are entered one by one and measured again.

use crate::columns::Column;
use crate::gain::Gains;
use crate::random::Random;
use crate::state::{State, lacking};

/// What to fill.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Gap {
    pub(crate) class: usize,
    /// Sow slots from..end are considered.
    pub(crate) from: usize,
    pub(crate) end: usize,
    /// Containers put in together.
    pub(crate) containers: i64,
}

/// How the choice of a chain is scattered.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scatter {
    /// Width of the factor on gains, around 1.
    pub(crate) noise: f64,
    /// Leave out each column with one chance in two: chains that the best one hides get their turn.
    pub(crate) skip: bool,
    /// A column left out, so that a move does not merely put back what it took; `u32::MAX` for none.
    pub(crate) without: u32,
    /// Only columns of this batch, together with `skip` at any cost; `u32::MAX` for all.
    pub(crate) batch: u32,
    /// A batch may stay below its least size; the caller sees to it.
    pub(crate) loose: bool,
    /// How much of a column's detour counts: what the prices know about the whole plan.
    pub(crate) detour_weight: f64,
}

impl Default for Scatter {
    fn default() -> Self {
        Self {
            noise: 0.0,
            skip: false,
            without: u32::MAX,
            batch: u32::MAX,
            loose: false,
            detour_weight: 0.0,
        }
    }
}

/// What a crop of a class takes from stock, worked out once per gap.
#[derive(Debug, Clone, Copy, Default)]
struct Supplies {
    /// Cost of what has to be bought.
    cost_e4: i64,
    /// First week in which everything needed is at hand from then on.
    from_week: u32,
}

impl Scatter {
    fn forced(&self) -> bool {
        self.skip && self.batch != u32::MAX
    }
}

/// Working space of the dynamic programme.
#[derive(Debug, Default, Clone)]
pub(crate) struct Inserter {
    worth: Vec<f64>,
    choice: Vec<u32>,
    /// By how much the chosen sowing lets the cost fall, by itself.
    fall_e4: Vec<i64>,
    blocked: Vec<u32>,
    /// By row of the class.
    supplies: Vec<Supplies>,
    /// Fewest units left of each good in any week.
    fewest: Vec<i64>,
    /// Weeks, modulo 64, in which some job of the class may be too much.
    tight_weeks: u64,
}

const NONE: u32 = u32::MAX;

impl Inserter {
    /// Fill a gap; columns put in are pushed to `put`. With noise above 0 gains are scattered by half
    /// of it either way and sowings that cost something are entered too.
    pub(crate) fn insert(
        &mut self,
        state: &mut State<'_>,
        gains: &mut Gains,
        gap: Gap,
        scatter: Scatter,
        random: &mut Random,
        put: &mut Vec<(usize, i64)>,
    ) -> bool {
        self.choose(state, gains, gap, scatter, random);
        self.enter(state, gains, gap, scatter, put)
    }

    /// By how much the chosen chain lets the cost fall; less when its sowings serve the same weeks.
    pub(crate) fn fall_of_chain(&self, state: &State<'_>, gap: Gap) -> i64 {
        let slots = self.worth.len() - 2;
        let (mut slot, mut sum) = (gap.from, 0);
        while slot < slots {
            let choice = self.choice[slot];
            if choice == NONE {
                slot += 1;
            } else {
                sum += self.fall_e4[slot];
                slot = state.columns.list[choice as usize].end as usize;
            }
        }
        sum
    }

    fn prepare(&mut self, state: &State<'_>, gap: Gap) {
        let free = state.free(gap.class);
        let slots = free.len();
        self.worth.clear();
        self.worth.resize(slots + 2, 0.0);
        self.choice.clear();
        self.choice.resize(slots + 2, NONE);
        self.fall_e4.resize(slots + 2, 0);
        self.blocked.clear();
        self.blocked.resize(slots + 1, slots as u32);
        for slot in (gap.from..slots).rev() {
            self.blocked[slot] = if free[slot] >= gap.containers {
                self.blocked[slot + 1]
            } else {
                slot as u32
            };
        }
    }

    fn find_supplies(&mut self, state: &State<'_>, gap: Gap) {
        let index = state.index;
        self.supplies.clear();
        self.fewest.clear();
        self.fewest
            .extend((0..index.goods.len()).map(|u| fewest(state.stock(u))));
        for row in index.classes[gap.class].rows.clone() {
            let mut supplies = Supplies::default();
            for &(u, units) in &index.rows[row].uses {
                let need = units * gap.containers;
                if self.fewest[u] < need {
                    let first = first_week_at_hand(state.stock(u), need);
                    supplies.from_week = supplies.from_week.max(first as u32);
                }
                let good = &index.goods[u];
                let missing = (state.used(u) + need - good.stock).clamp(0, need);
                supplies.cost_e4 += good.price_e4 * missing;
            }
            self.supplies.push(supplies);
        }
    }

    fn find_tight_weeks(&mut self, state: &State<'_>, gap: Gap) {
        let class = &state.index.classes[gap.class];
        let minutes10 = gap.containers * class.most_minutes10;
        let mixing_dl = gap.containers * class.most_mix_dl;
        let left = state
            .minutes(class.site)
            .iter()
            .zip(state.mixing(class.site));
        self.tight_weeks = 0;
        for (week, (&minutes, &mixing)) in left.enumerate() {
            self.tight_weeks |= u64::from(minutes < minutes10 || mixing < mixing_dl) << (week % 64);
        }
    }

    /// Choose the best chain for a gap.
    pub(crate) fn choose(
        &mut self,
        state: &mut State<'_>,
        gains: &mut Gains,
        gap: Gap,
        scatter: Scatter,
        random: &mut Random,
    ) {
        self.prepare(state, gap);
        self.find_supplies(state, gap);
        self.find_tight_weeks(state, gap);
        self.find_best(state, gains, gap, scatter, random);
    }

    fn find_best(
        &mut self,
        state: &mut State<'_>,
        gains: &mut Gains,
        gap: Gap,
        scatter: Scatter,
        random: &mut Random,
    ) {
        let columns = state.columns;
        let class = &state.index.classes[gap.class];
        let first_row = class.rows.start;
        for sow in (gap.from..gap.end.min(class.places.len())).rev() {
            self.worth[sow] = self.worth[sow + 1];
            let blocked = self.blocked[sow];
            if blocked as usize == sow {
                continue;
            }
            for p in columns.sown_on(class.slot_base, sow) {
                let column = &columns.list[p];
                let supplies = self.supplies[column.row as usize - first_row];
                if blocked < column.end
                    || p as u32 == scatter.without
                    || (scatter.batch != u32::MAX && column.batch != scatter.batch)
                    || column.week < supplies.from_week
                    || (scatter.skip && random.coin())
                    || (column.work_weeks & self.tight_weeks != 0
                        && !work_fits(state, column, gap.containers))
                {
                    continue;
                }
                let Some(value) = value(state, gains, column, gap.containers, scatter.loose) else {
                    continue;
                };
                let fall_e4 = value - supplies.cost_e4;
                let mut value = fall_e4 as f64;
                if scatter.noise > 0.0 {
                    value *= 1.0 + scatter.noise * (random.unit() - 0.5);
                }
                value += self.worth[column.end as usize] - scatter.detour_weight * column.detour_e4;
                let forced = scatter.forced() && self.choice[sow] == NONE;
                if value > self.worth[sow] + 1e-6 || forced {
                    self.worth[sow] = value;
                    self.choice[sow] = p as u32;
                    self.fall_e4[sow] = fall_e4;
                }
            }
        }
    }

    /// Enter the chain that was chosen; columns put in are pushed to `put`.
    pub(crate) fn enter(
        &mut self,
        state: &mut State<'_>,
        gains: &mut Gains,
        gap: Gap,
        scatter: Scatter,
        put: &mut Vec<(usize, i64)>,
    ) -> bool {
        let mut any = false;
        let mut slot = gap.from;
        let slots = self.worth.len() - 2;
        while slot < slots {
            let choice = self.choice[slot];
            if choice == NONE {
                slot += 1;
                continue;
            }
            let p = choice as usize;
            let mark = state.mark();
            if state.change(p, gap.containers)
                && (scatter.noise > 0.0
                    || scatter.forced()
                    || state.weighed_e4() < mark.weighed_e4())
            {
                put.push((p, gap.containers));
                gains.touch(&state.moved);
                any = true;
            } else {
                state.undo(mark);
            }
            slot = state.columns.list[p].end as usize;
        }
        any
    }
}

/// Fewest units of a good left in any week.
fn fewest(stock: &[i64]) -> i64 {
    stock.iter().copied().min().unwrap_or(i64::MAX)
}

/// First week from which on some units are at hand in every week.
fn first_week_at_hand(stock: &[i64], need: i64) -> usize {
    stock.len() - stock.iter().rev().take_while(|&&left| left >= need).count()
}

/// Is there work left for `q` containers of a column? Jobs that share a week are looked at one by one.
pub(crate) fn work_fits(state: &State<'_>, column: &Column, q: i64) -> bool {
    let minutes = state.minutes(column.site as usize);
    let mixing = state.mixing(column.site as usize);
    let fits = |week: u32, minutes10: i64, mixing_dl: i64| {
        minutes[week as usize] >= q * minutes10 && mixing[week as usize] >= q * mixing_dl
    };
    fits(column.week, column.sow_minutes10, column.sow_mix_dl)
        && state
            .columns
            .cuts(column)
            .iter()
            .all(|cut| fits(cut.week, cut.minutes10, cut.mixing_dl))
}

/// Estimated fall of the cost when `q` containers of a column are added, purchases left out; `None` when
/// the batch may not be.
pub(crate) fn value(
    state: &mut State<'_>,
    gains: &mut Gains,
    column: &Column,
    q: i64,
    loose: bool,
) -> Option<i64> {
    let index = state.index;
    let mut value = -column.cost_e4 * q;
    if index.keep_batches || index.limit_kinds || index.change_e4 > 0 {
        let batch = state.batch(column.batch as usize);
        let entry = index.batches[column.batch as usize];
        if let Some(price) = state.lack_price_e4 {
            value -= price * (lacking(batch + q, entry.least) - lacking(batch, entry.least));
        } else if index.keep_batches && !loose && batch + q < entry.least {
            return None;
        }
        if index.limit_kinds
            && batch == 0
            && state.kinds_left(column.site as usize, column.week as usize) <= 0
        {
            return None;
        }
        let more_changed = (batch + q - entry.adopted).abs() - (batch - entry.adopted).abs();
        value -= index.change_e4 * more_changed + state.weight_of_changes(more_changed);
    }
    for harvest in state.columns.harvests(column) {
        value += gains.of(state, harvest.cell as usize, harvest.dg * q);
    }
    Some(value)
}
