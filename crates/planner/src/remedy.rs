//! What a change to the problem would give and take, proven by solving again, and which is cheapest.
//!
//! **What a change takes** is told in the units of whoever has to provide it: containers and work more
//! over all weeks (the difference between two solved plans), goods at their price, and what has to be
//! put there for it, such as places or days. Nothing is given a price that the problem does not state.
//!
//! **The order of cost.** Work and goods count what the objective says, `labour_per_minute` and
//! `cost_per_cent`. A change that takes nothing else is *priced*: it comes before the others, by points
//! gained for each point of cost, and one that costs nothing or saves comes first. The others follow by
//! what they take, in the order of [`Provision`]: from what is only agreed on to what is bought and
//! built; within one of these by decigrams less short for each unit of it.
//!
//! **Told** are the first few in this order of those that really help: a change that brings less than a
//! tenth of what the most helpful one brings is left out. Of each kind there are at most
//! [`MOST_OF_A_KIND`] while another kind helps, too: five benches that are too small must not hide an
//! hour more of work.

use std::cmp::Ordering;

use serde::{Deserialize, Serialize};

use crate::check::{Verdict, check};
use crate::solve::{Control, Options, Progress, SolveError, solve};
use crate::{Plan, Problem};

mod of_problem;

pub use of_problem::{
    MORE_LITRES, MORE_MINUTES, ProblemChange, ProblemRemedies, ProblemRemedy, remedies,
};

/// Changes that are tried at most.
pub const MOST_TRIED: usize = 10;
/// Changes that are told at most.
pub const MOST_TOLD: usize = 5;
/// Changes of one kind that are told while others help.
pub const MOST_OF_A_KIND: usize = 2;
/// Share of the search's moves that each trial is given; it starts from the plan.
const SHARE_OF_WORK: u64 = 10;
/// A change must bring this part of what the most helpful one brings to be told: one tenth.
const LEAST_SHARE_OF_BEST: i64 = 10;
/// Least that a change must bring to be told.
pub const LEAST_GAIN_DG: i64 = 100;

/// What has to be provided for a change beside work and goods with a price; the cheapest to come by
/// first. That a day of opening comes before a litre, and that before a place and a lamp, is a
/// judgement, no figure: an agreement before a routine, a routine before a thing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Provision {
    /// Nothing: work, and goods at their price, are all.
    Nothing,
    /// Days on which a site is opened.
    Days,
    /// Litres of solution a week.
    LitresAWeek,
    /// Goods of which no price is known.
    Goods,
    /// Places for containers.
    Places,
    /// Moles of light a square metre and day.
    Light,
}

/// What a change brings and takes over all weeks: the difference between two plans searched alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Effect {
    /// Decigrams that pledges are short of less.
    pub less_short_dg: i64,
    /// Ten-thousandths of a point by which the plan is better, what it takes counted.
    pub better_e4: i64,
    /// Containers sown more.
    pub more_containers: i64,
    /// Tenths of a minute of work more; below 0 when it saves work.
    pub more_minutes10: i64,
    /// Tenths of a cent spent more.
    pub more_cents10: i64,
    /// Ten-thousandths of a point that work and money more count.
    pub cost_e4: i64,
}

impl Effect {
    /// What the second plan has more than the first.
    pub fn between(before: &Verdict, after: &Verdict) -> Self {
        let paid = |verdict: &Verdict| verdict.parts.labour + verdict.parts.cost;
        Self {
            less_short_dg: before.short_dg - after.short_dg,
            better_e4: before.objective_e4 - after.objective_e4,
            more_containers: after.containers - before.containers,
            more_minutes10: after.minutes10 - before.minutes10,
            more_cents10: after.price_cents10 - before.price_cents10,
            cost_e4: paid(after) - paid(before),
        }
    }

    /// Whether it is worth telling.
    pub fn helps(&self) -> bool {
        self.less_short_dg >= LEAST_GAIN_DG && self.better_e4 > 0
    }
}

/// What a change takes, and what it gives for that.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bargain {
    /// What has to be provided.
    pub provision: Provision,
    /// How much of it; 0 for [`Provision::Nothing`].
    pub amount: f64,
    /// The difference between the plans.
    pub effect: Effect,
}

impl Bargain {
    /// Decigrams less short for each unit that has to be provided; `None` where nothing has to be.
    pub fn less_short_dg_per_unit(&self) -> Option<f64> {
        (self.provision != Provision::Nothing && self.amount > 0.0)
            .then(|| self.effect.less_short_dg as f64 / self.amount)
    }

    /// Points gained for each point that work and goods cost; `None` when they cost nothing.
    pub fn points_per_point(&self) -> Option<f64> {
        let gained = self.effect.better_e4 + self.effect.cost_e4;
        (self.effect.cost_e4 > 0).then(|| gained as f64 / self.effect.cost_e4 as f64)
    }

    /// The order of cost: the cheapest first.
    pub fn compare_cost(&self, other: &Self) -> Ordering {
        let worth = |bargain: &Self| match bargain.provision {
            Provision::Nothing => bargain.points_per_point().unwrap_or(f64::INFINITY),
            _ => bargain.less_short_dg_per_unit().unwrap_or(f64::INFINITY),
        };
        self.provision
            .cmp(&other.provision)
            .then_with(|| worth(other).total_cmp(&worth(self)))
            .then_with(|| other.effect.better_e4.cmp(&self.effect.better_e4))
    }
}

/// The remedies that are told: of those that really help the cheapest, the cheapest first.
pub fn cheapest<R, K: PartialEq>(
    mut remedies: Vec<R>,
    bargain: impl Fn(&R) -> Bargain,
    kind: impl Fn(&R) -> K,
) -> Vec<R> {
    let brings = |remedy: &R| bargain(remedy).effect.less_short_dg;
    let most = remedies.iter().map(brings).max().unwrap_or(0);
    remedies.retain(|remedy| brings(remedy) * LEAST_SHARE_OF_BEST >= most);
    remedies.sort_by(|a, b| bargain(a).compare_cost(&bargain(b)));
    let mut told = vec![false; remedies.len()];
    for most_of_a_kind in [MOST_OF_A_KIND, usize::MAX] {
        for (at, remedy) in remedies.iter().enumerate() {
            let chosen = || remedies.iter().zip(&told).filter(|(_, told)| **told);
            let alike = chosen().filter(|(other, _)| kind(other) == kind(remedy));
            if !told[at] && chosen().count() < MOST_TOLD && alike.count() < most_of_a_kind {
                told[at] = true;
            }
        }
    }
    let mut told = told.into_iter();
    remedies.retain(|_| told.next().unwrap_or(false));
    remedies
}

/// Changes that were tried.
#[derive(Debug, Clone)]
pub struct Proven<C> {
    /// The plan as things are, searched as long as each trial.
    pub plan: Plan,
    /// Changes that help, with the plan that each allows and the difference that it makes.
    pub helping: Vec<(C, Plan, Effect)>,
    /// Whether all were tried.
    pub complete: bool,
}

/// Tries changes one at a time: what is told is the difference between two plans, that of the problem
/// as it is having been searched as long.
///
/// # Errors
/// Those of solving, and of `made`.
pub fn prove<C, E: From<SolveError>>(
    problem: &Problem,
    plan: &Plan,
    changes: Vec<C>,
    made: impl Fn(&C) -> Result<Problem, E>,
    options: &Options,
    control: &dyn Control,
) -> Result<Proven<C>, E> {
    let given = check(problem, plan);
    let (searched_plan, searched) = search_on(problem, plan, options, control)?;
    let better = searched.valid && searched.objective_e4 <= given.objective_e4;
    let (plan, base) = if better {
        (searched_plan, searched)
    } else {
        (plan.clone(), given)
    };
    let mut proven = Proven {
        plan,
        helping: Vec::new(),
        complete: true,
    };
    for change in changes {
        if control.should_stop() {
            proven.complete = false;
            break;
        }
        let (after_plan, after) = search_on(&made(&change)?, &proven.plan, options, control)?;
        // a trial that was broken off proves nothing
        if control.should_stop() {
            proven.complete = false;
            break;
        }
        let effect = Effect::between(&base, &after);
        if after.valid && effect.helps() {
            proven.helping.push((change, after_plan, effect));
        }
    }
    Ok(proven)
}

/// Searches on from a plan, with the share of the work that a trial has.
fn search_on(
    problem: &Problem,
    plan: &Plan,
    options: &Options,
    control: &dyn Control,
) -> Result<(Plan, Verdict), SolveError> {
    let options = Options {
        work: (options.work / SHARE_OF_WORK).max(1),
        start: Some(plan.clone()),
        ..*options
    };
    let plan = solve(problem, &options, &Quietly(control))?.plan;
    let verdict = check(problem, &plan);
    Ok((plan, verdict))
}

/// Passes on the wish to stop, and keeps the progress of trials to itself.
struct Quietly<'a>(&'a dyn Control);

impl Control for Quietly<'_> {
    fn should_stop(&self) -> bool {
        self.0.should_stop()
    }
    fn progress(&self, _: &Progress) {}
}

/// A change with what it brings, takes, and brings for each unit of what it takes, in a sentence.
pub fn in_words(change: &str, bargain: &Bargain) -> String {
    let kilograms = bargain.effect.less_short_dg as f64 / 1e4;
    let per_unit = match (bargain.provision, bargain.less_short_dg_per_unit()) {
        (Provision::Days, Some(dg)) => format!("; {:.0} g for each day", dg / 10.0),
        (Provision::LitresAWeek, Some(dg)) => format!("; {:.0} g for each litre", dg / 10.0),
        (Provision::Places, Some(dg)) => format!("; {:.0} g for each place", dg / 10.0),
        _ => String::new(),
    };
    format!(
        "{change}: {kilograms:.2} kg less short over these weeks; takes {}{per_unit}",
        takes_in_words(bargain)
    )
}

/// What a change takes, in words: "8 places, 12 containers more and 1.4 hours of work more".
pub fn takes_in_words(bargain: &Bargain) -> String {
    let effect = &bargain.effect;
    let mut parts = Vec::new();
    let counted = |amount: f64, one: &str, many: &str| {
        format!("{amount} {}", if amount == 1.0 { one } else { many })
    };
    match bargain.provision {
        Provision::Nothing => {}
        Provision::Days => parts.push(counted(bargain.amount, "day of opening", "days of opening")),
        Provision::LitresAWeek => parts.push(counted(
            bargain.amount,
            "litre of solution a week",
            "litres of solution a week",
        )),
        Provision::Goods => parts.push(counted(bargain.amount, "unit", "units")),
        Provision::Places => parts.push(counted(bargain.amount, "place", "places")),
        Provision::Light => parts.push(format!(
            "{} mol of light a square metre and day",
            bargain.amount
        )),
    }
    let change = |amount: i64, words: String| {
        let direction = if amount > 0 { "more" } else { "less" };
        (amount != 0).then(|| format!("{words} {direction}"))
    };
    let containers = effect.more_containers;
    let noun = if containers.abs() == 1 {
        "container"
    } else {
        "containers"
    };
    parts.extend(change(containers, format!("{} {noun}", containers.abs())));
    let minutes10 = effect.more_minutes10;
    parts.extend(change(minutes10, worked(minutes10.abs())));
    let cents10 = effect.more_cents10;
    parts.extend(change(
        cents10,
        format!("{:.2} of money", cents10.abs() as f64 / 1000.0),
    ));
    match parts.pop() {
        None => "nothing".to_owned(),
        Some(last) if parts.is_empty() => last,
        Some(last) => format!("{} and {last}", parts.join(", ")),
    }
}

/// Tenths of a minute as hours, or minutes where there are few.
fn worked(minutes10: i64) -> String {
    if minutes10 < 600 {
        format!("{} minutes of work", minutes10 as f64 / 10.0)
    } else {
        format!("{:.1} hours of work", minutes10 as f64 / 600.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bargain(provision: Provision, amount: f64, less_short_dg: i64, cost_e4: i64) -> Bargain {
        Bargain {
            provision,
            amount,
            effect: Effect {
                less_short_dg,
                better_e4: less_short_dg * 1000 - cost_e4,
                cost_e4,
                ..Effect::default()
            },
        }
    }

    /// Worked by hand: points gained are 0.1 for each decigram.
    #[test]
    fn work_comes_first_and_the_rest_by_what_it_takes() {
        let all = vec![
            ("lamp", bargain(Provision::Light, 2.0, 9_000, 0)),
            // 1000 dg for each of 8 places, 1200 for each of 5, 400 for each of 3
            ("eight places", bargain(Provision::Places, 8.0, 8_000, 10)),
            ("five places", bargain(Provision::Places, 5.0, 6_000, 10)),
            ("three places", bargain(Provision::Places, 3.0, 1_200, 10)),
            // costs nothing, but brings less than a tenth of the 10 000 below
            ("hardly", bargain(Provision::Nothing, 0.0, 999, -50)),
            // 1000 points for 1000 and 100 for 50: one for one, and two for one
            (
                "hours here",
                bargain(Provision::Nothing, 0.0, 10_000, 10_000_000),
            ),
            (
                "hours there",
                bargain(Provision::Nothing, 0.0, 1_000, 500_000),
            ),
            ("less work", bargain(Provision::Nothing, 0.0, 1_500, -40)),
            ("a day", bargain(Provision::Days, 1.0, 1_050, 5)),
        ];
        let kind = |(_, b): &(&str, Bargain)| b.provision;
        let told: Vec<&str> = cheapest(all.clone(), |r| r.1, kind)
            .iter()
            .map(|r| r.0)
            .collect();
        // of work two, then the day, then two of the places; with five told there is no room for light
        assert_eq!(
            told,
            [
                "less work",
                "hours there",
                "a day",
                "five places",
                "eight places"
            ]
        );
        // where nothing else helps, more of one kind are told
        let places: Vec<_> = all
            .into_iter()
            .filter(|r| r.1.provision == Provision::Places)
            .collect();
        let told: Vec<&str> = cheapest(places, |r| r.1, kind)
            .iter()
            .map(|r| r.0)
            .collect();
        assert_eq!(told, ["five places", "eight places", "three places"]);
    }

    #[test]
    fn what_it_takes_is_said_in_the_units_of_whoever_provides_it() {
        let mut known = bargain(Provision::Places, 8.0, 1_000, 0);
        known.effect.more_containers = 12;
        known.effect.more_minutes10 = 840;
        assert_eq!(
            takes_in_words(&known),
            "8 places, 12 containers more and 1.4 hours of work more"
        );
        known.provision = Provision::Nothing;
        known.effect.more_containers = -1;
        known.effect.more_minutes10 = -35;
        known.effect.more_cents10 = 1_250;
        assert_eq!(
            takes_in_words(&known),
            "1 container less, 3.5 minutes of work less and 1.25 of money more"
        );
        known.effect = Effect::default();
        assert_eq!(takes_in_words(&known), "nothing");
    }
}
