//! Rounding cuts on pledges: what whole containers cannot do and fractions of them can.
//!
//! For targets T and a week, with G all signatures that may serve any of them, what G brings and what T
//! lacks is at least what is pledged: sum y x + short >= D. Containers are whole, so for any divisor d and
//! r = D mod d > 0 also
//!
//! sum (r floor(y / d) + min(r, y mod d)) x + short >= r ceil(D / d)
//!
//! (mixed-integer rounding: Nemhauser and Wolsey, Integer and Combinatorial Optimization, 1988, section
//! II.1.7). The plain pledge rows let 2.6 containers stand for a pledge; these rows see that it takes three
//! or that something is short. All amounts are whole decigrams.

use std::collections::BTreeMap;

use crate::columns::{Paths, Rank};
use crate::index::Index;

/// A row of targets and signatures in a week, rounded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Cut {
    week: usize,
    divisor_dg: i64,
    rest_dg: i64,
    /// What rounded harvest and shortfall come to at least.
    pub(crate) least_dg: i64,
    group: usize,
}

impl Cut {
    fn new(group: usize, week: usize, pledged_dg: i64, divisor_dg: i64) -> Option<Self> {
        let rest_dg = pledged_dg.checked_rem(divisor_dg)?;
        (rest_dg > 0 && pledged_dg > 0).then(|| Self {
            week,
            divisor_dg,
            rest_dg,
            least_dg: rest_dg * (pledged_dg / divisor_dg + 1),
            group,
        })
    }

    /// What a container's cut of `dg` counts.
    pub(crate) fn counts_dg(&self, dg: i64) -> i64 {
        self.rest_dg * (dg / self.divisor_dg) + self.rest_dg.min(dg % self.divisor_dg)
    }

    /// By how many decigrams a fractional harvest breaks the cut, when it lacks no more than it must.
    fn broken_by(&self, amounts: &Amounts, wanted_dg: i64) -> f64 {
        let sum = |of: &dyn Fn(i64) -> i64| -> f64 {
            amounts
                .iter()
                .map(|(&dg, amount)| of(dg) as f64 * amount)
                .sum()
        };
        let lacking = (wanted_dg as f64 - sum(&|dg| dg)).max(0.0);
        self.least_dg as f64 - sum(&|dg| self.counts_dg(dg)) - lacking
    }
}

/// Targets that one set of signatures may serve, and that set.
#[derive(Debug, Clone)]
struct Group {
    targets: Vec<usize>,
    signatures: Vec<usize>,
}

impl Group {
    /// What is pledged in a week and not brought by committed harvest.
    fn wanted_dg(&self, index: &Index, week: usize) -> i64 {
        let pledged = self
            .targets
            .iter()
            .map(|&t| index.targets[t].pledge_dg[week]);
        let cells = self.signatures.iter().map(|g| g * index.weeks + week);
        pledged.sum::<i64>() - cells.map(|cell| index.committed_dg[cell]).sum::<i64>()
    }
}

/// What the steps of a class count in cuts.
#[derive(Debug, Default, Clone)]
pub(crate) struct Effects {
    start: Vec<u32>,
    list: Vec<(u32, i64)>,
}

impl Effects {
    /// Cuts in which a step counts, and how many decigrams.
    pub(crate) fn of(&self, step: usize) -> &[(u32, i64)] {
        match (self.start.get(step), self.start.get(step + 1)) {
            (Some(&from), Some(&end)) => &self.list[from as usize..end as usize],
            _ => &[],
        }
    }
}

/// The cuts in force.
#[derive(Debug, Clone)]
pub(crate) struct Roundings {
    groups: Vec<Group>,
    pub(crate) cuts: Vec<Cut>,
    /// Cuts that count the shortfall of a pledge, by target x weeks + week.
    pub(crate) of_pledge: Vec<Vec<u32>>,
    /// By class.
    pub(crate) effects: Vec<Effects>,
}

/// Most cuts of a group and week.
const MOST: usize = 3;

/// Share of a pledge by which a cut must be broken to be added.
const WORTH_WHILE: f64 = 0.02;

/// Containers by decigrams of a cut.
type Amounts = BTreeMap<i64, f64>;

/// What a fractional plan brings, by signature and week.
fn brought(index: &Index, paths: &Paths, fractional: &BTreeMap<Rank, f64>) -> Vec<Amounts> {
    let weeks = index.weeks;
    let mut brought = vec![Amounts::new(); index.signatures.len() * weeks];
    for (&rank, &amount) in fractional {
        let path = paths.path(index, rank);
        let row = &index.rows[path.row];
        for cut in &path.cuts {
            if let Some(week) = index.sites[row.site].harvest_week[cut.slot as usize] {
                let own = &mut brought[row.signature * weeks + week];
                *own.entry(cut.dg).or_insert(0.0) += amount;
            }
        }
    }
    brought
}

impl Roundings {
    /// No cuts yet.
    pub(crate) fn new(index: &Index) -> Self {
        let mut groups: Vec<Group> = Vec::new();
        for target in &index.targets {
            let mut signatures = target.signatures.clone();
            signatures.sort_unstable();
            if signatures.is_empty() || groups.iter().any(|group| group.signatures == signatures) {
                continue;
            }
            let within = |t: &usize| {
                let own = &index.targets[*t].signatures;
                !own.is_empty() && own.iter().all(|g| signatures.contains(g))
            };
            groups.push(Group {
                targets: (0..index.targets.len()).filter(within).collect(),
                signatures,
            });
        }
        Self {
            groups,
            cuts: Vec::new(),
            of_pledge: vec![Vec::new(); index.targets.len() * index.weeks],
            effects: vec![Effects::default(); index.classes.len()],
        }
    }

    /// Targets and week whose shortfall a cut counts.
    pub(crate) fn counted(&self, cut: &Cut) -> (&[usize], usize) {
        (&self.groups[cut.group].targets, cut.week)
    }

    /// Signatures whose harvest a cut counts.
    pub(crate) fn signatures(&self, cut: &Cut) -> &[usize] {
        &self.groups[cut.group].signatures
    }

    /// Add, for each group and week, the cut that a fractional plan breaks most; `true` when there is any.
    pub(crate) fn add(
        &mut self,
        index: &Index,
        paths: &Paths,
        fractional: &BTreeMap<Rank, f64>,
    ) -> bool {
        let weeks = index.weeks;
        let brought = brought(index, paths, fractional);
        let mut found = Vec::new();
        for (group, entry) in self.groups.iter().enumerate() {
            for week in 0..weeks {
                let wanted_dg = entry.wanted_dg(index, week);
                let present = || {
                    let cuts = self.cuts.iter();
                    cuts.filter(move |cut| cut.group == group && cut.week == week)
                };
                if wanted_dg <= 0 || present().count() >= MOST {
                    continue;
                }
                let mut amounts: Amounts = BTreeMap::new();
                for g in &entry.signatures {
                    for (&dg, &amount) in &brought[g * weeks + week] {
                        *amounts.entry(dg).or_insert(0.0) += amount;
                    }
                }
                let most = amounts
                    .keys()
                    .filter_map(|&dg| Cut::new(group, week, wanted_dg, dg))
                    .filter(|cut| !present().any(|other| other == cut))
                    .map(|cut| (cut.broken_by(&amounts, wanted_dg), cut))
                    .max_by(|a, b| a.0.total_cmp(&b.0));
                found.extend(most.filter(|&(by, _)| by > WORTH_WHILE * wanted_dg as f64));
            }
        }
        for (_, cut) in &found {
            for t in &self.groups[cut.group].targets {
                self.of_pledge[t * weeks + cut.week].push(self.cuts.len() as u32);
            }
            self.cuts.push(cut.clone());
        }
        self.count_steps(index);
        !found.is_empty()
    }

    fn count_steps(&mut self, index: &Index) {
        let weeks = index.weeks;
        let mut of_cell: Vec<Vec<u32>> = vec![Vec::new(); index.signatures.len() * weeks];
        for (n, cut) in self.cuts.iter().enumerate() {
            for g in &self.groups[cut.group].signatures {
                of_cell[g * weeks + cut.week].push(n as u32);
            }
        }
        for (class, effects) in self.effects.iter_mut().enumerate() {
            let programme = &index.programmes[class];
            let rows = &index.rows[index.classes[class].rows.clone()];
            effects.start.clear();
            effects.list.clear();
            effects.start.push(0);
            for step in &programme.steps {
                let (row, slot) = (
                    &rows[step.gram as usize / programme.slots],
                    step.gram as usize % programme.slots,
                );
                if let Some(week) = index.sites[row.site].harvest_week[slot] {
                    for &n in &of_cell[row.signature * weeks + week] {
                        let counts = self.cuts[n as usize].counts_dg(step.dg);
                        if counts != 0 {
                            effects.list.push((n, counts));
                        }
                    }
                }
                effects.start.push(effects.list.len() as u32);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All ways to take up to `most` of each of some weights: harvest and what it counts in a cut.
    fn harvests(cut: &Cut, weights: &[i64], most: i64) -> Vec<(i64, i64)> {
        weights.iter().fold(vec![(0, 0)], |before, &dg| {
            let with = |n: i64| {
                move |&(sum, counted): &(i64, i64)| (sum + n * dg, counted + n * cut.counts_dg(dg))
            };
            (0..=most)
                .flat_map(|n| before.iter().map(with(n)).collect::<Vec<_>>())
                .collect()
        })
    }

    /// Every harvest of whole containers obeys the cut with the shortfall that it must leave.
    #[test]
    fn no_whole_harvest_breaks_a_cut() {
        for wanted in [1_i64, 37, 120, 130, 131, 150, 400] {
            for divisor in [1_i64, 19, 38, 44, 51, 52, 130, 200] {
                let Some(cut) = Cut::new(0, 0, wanted, divisor) else {
                    continue;
                };
                for (sum, counted) in harvests(&cut, &[19, 38, 44, 51, 130], 4) {
                    let short = (wanted - sum).max(0);
                    assert!(
                        counted + short >= cut.least_dg,
                        "{wanted} by {divisor}: {sum} counts {counted}"
                    );
                }
            }
        }
    }

    /// Wolsey, Integer Programming (1998), section 8.7, simple mixed-integer rounding: from x + s >= b with
    /// x whole, s >= f (ceil(b) - x) with f = b - floor(b). Here b = 2.6 containers of 50 dg.
    #[test]
    fn containers_of_one_weight_give_the_simple_rounding() {
        let cut = Cut::new(0, 0, 130, 50);
        let Some(cut) = cut else {
            panic!("130 is no multiple of 50");
        };
        for containers in 0..5 {
            let least_short = cut.least_dg - containers * cut.counts_dg(50);
            assert_eq!(least_short, 30 * (3 - containers));
        }
    }

    /// What the cut is for: 2.6 containers of 50 dg are enough for 130 dg by weight, and are not by the cut.
    #[test]
    fn a_fraction_of_a_container_breaks_the_cut() {
        let Some(cut) = Cut::new(0, 0, 130, 50) else {
            panic!("130 is no multiple of 50");
        };
        let fractional = Amounts::from([(50, 2.6)]);
        assert!((cut.broken_by(&fractional, 130) - 12.0).abs() < 1e-9);
        assert!(cut.broken_by(&Amounts::from([(50, 3.0)]), 130) <= 0.0);
        assert!(cut.broken_by(&Amounts::from([(50, 2.0)]), 130) <= 0.0);
    }

    #[test]
    fn a_multiple_of_the_divisor_has_no_cut() {
        assert_eq!(Cut::new(0, 0, 150, 50), None);
        assert_eq!(Cut::new(0, 0, 0, 50), None);
        assert_eq!(Cut::new(0, 0, 150, 0), None);
    }
}
