//! New plans of those that searches have found.
//!
//! A linear programme of nothing but the columns of some plans is solved, and dives into it find plans that are as good
//! as these, and others.

use super::{JOIN_STREAM, Round, Rounds, Whole, lots, most_e4};
use crate::random::Random;
use crate::search::Watch;

/// Share of the caller's time that dives may take before each round that joins all plans, and each of pairs.
const JOIN_TIME: f64 = 0.08;
const PAIR_TIME: f64 = 0.03;

/// Best plans that are joined, and dives that join them.
const JOINED: usize = 4;
const JOINING_DIVES: usize = 8;

/// Best plans of which pairs are made, and the share of its containers in which one differs from any better: of plans
/// nearly alike a dive finds nothing new.
const PAIRED: usize = 8;
const APART: f64 = 0.1;

/// Keep the best of some plans that come by cost, none near to a better one.
fn part_from_better(plans: &mut Vec<Whole>) {
    let mut kept: Vec<Whole> = Vec::new();
    for plan in plans.drain(..) {
        let containers: i64 = plan.counts.iter().sum();
        let near = |better: &Whole| {
            let pairs = better.counts.iter().zip(&plan.counts);
            let differing: i64 = pairs.map(|(a, b)| (a - b).abs()).sum();
            differing as f64 <= APART * containers as f64
        };
        if kept.len() < PAIRED && !kept.iter().any(near) {
            kept.push(plan);
        }
    }
    *plans = kept;
}

/// Two different numbers below some end of at least two, low ones more often.
fn pair(random: &mut Random, end: usize) -> (usize, usize) {
    let mut one = || random.below(end).min(random.below(end));
    let first = one();
    loop {
        let second = one();
        if second != first {
            return (first, second);
        }
    }
}

impl Rounds<'_> {
    /// Add plans of dives into the programme of the columns of the best plans, which come first.
    pub(super) fn join(
        &self,
        round: &Round,
        number: u64,
        plans: &mut Vec<Whole>,
        watch: &dyn Watch,
    ) {
        let Some(now) = watch.glance() else {
            return;
        };
        let best = &plans[..plans.len().min(JOINED)];
        let used = |&p: &usize| best.iter().any(|plan| plan.counts[p] > 0);
        let used = (0..self.columns.list.len()).filter(used);
        let Some(relaxation) = self.programme(used) else {
            return;
        };
        let stream = JOIN_STREAM + number * JOINING_DIVES as u64;
        for lot in lots(JOINING_DIVES) {
            let most_e4 = most_e4(plans, round.plans);
            let dives = self.dive(lot, now + JOIN_TIME, watch, |n| {
                relaxation.dive(&mut self.random(stream, n), most_e4)
            });
            for counts in dives {
                self.fill(counts, plans, watch);
            }
        }
        plans.sort_by_key(|plan| plan.cost_e4);
        plans.dedup_by_key(|plan| plan.cost_e4);
    }

    /// Plans of dives into programmes of two plans each, the better ones more often; of plans nearly alike only the
    /// best is kept.
    pub(super) fn pairs(
        &self,
        most: usize,
        number: u64,
        plans: &mut Vec<Whole>,
        watch: &dyn Watch,
    ) -> Vec<Whole> {
        part_from_better(plans);
        let mut found = Vec::new();
        let Some(now) = watch.glance().filter(|_| plans.len() > 1) else {
            return found;
        };
        let stream = JOIN_STREAM + number * JOINING_DIVES as u64;
        for lot in lots(most) {
            let dives = self.dive(lot, now + PAIR_TIME, watch, |n| {
                let mut random = self.random(stream, n);
                let (one, other) = pair(&mut random, plans.len());
                let used = (0..self.columns.list.len())
                    .filter(|&p| plans[one].counts[p] + plans[other].counts[p] > 0);
                self.programme(used)?.dive(&mut random, i64::MAX)
            });
            for counts in dives {
                self.fill(counts, &mut found, watch);
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(cost_e4: i64, counts: &[i64]) -> Whole {
        let counts = counts.to_vec();
        Whole { cost_e4, counts }
    }

    #[test]
    fn the_best_of_plans_nearly_alike_is_kept() {
        let mut plans = vec![
            plan(1, &[20, 0, 0]),
            plan(2, &[19, 1, 0]),
            plan(3, &[18, 1, 1]),
            plan(4, &[0, 0, 20]),
        ];
        part_from_better(&mut plans);
        let costs: Vec<i64> = plans.iter().map(|plan| plan.cost_e4).collect();
        // two of twenty containers is a tenth, four is more
        assert_eq!(costs, [1, 3, 4]);
    }

    #[test]
    fn no_more_are_kept_than_are_paired() {
        let far = |n: usize| {
            let mut counts = vec![0; 20];
            counts[n] = 10;
            plan(n as i64, &counts)
        };
        let mut plans: Vec<Whole> = (0..20).map(far).collect();
        part_from_better(&mut plans);
        assert_eq!(plans.len(), PAIRED);
        assert!(plans.iter().all(|plan| plan.cost_e4 < PAIRED as i64));
    }

    #[test]
    fn a_pair_is_of_two_and_the_better_come_more_often() {
        let mut random = Random::new(1);
        let mut drawn = [0; 4];
        for _ in 0..4_000 {
            let (one, other) = pair(&mut random, 4);
            assert_ne!(one, other);
            drawn[one] += 1;
            drawn[other] += 1;
        }
        assert!(drawn.is_sorted_by(|a, b| a > b), "{drawn:?}");
        for _ in 0..20 {
            let (one, other) = pair(&mut random, 2);
            assert_eq!(one + other, 1);
        }
    }
}
