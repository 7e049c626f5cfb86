//! What `cotyl plan` says beyond the plan: what would help, and what a wanted chance costs.

use cotyl_app::plans::chances::uncertainty;
use cotyl_app::plans::explain::{deliverable, with_names};
use cotyl_app::plans::remedies::remedies as of_season;
use cotyl_app::plans::season::Season;
use cotyl_planner::chance::{
    CellChance, Margin, MarginOptions, MarginRequest, Uncertainty, margin,
};
use cotyl_planner::remedy::remedies as of_problem;
use cotyl_planner::{Control, Options, Plan, Problem};

use super::Names;
use crate::Outcome;

/// Seasons that are drawn.
const SEASONS: usize = 10_000;
/// Weeks below the wanted chance that are told one by one.
const MOST_TOLD: usize = 20;

type Fault = Box<dyn std::error::Error + Send + Sync>;

/// What a plan is made from.
pub(super) struct Grounds<'a> {
    pub(super) problem: &'a Problem,
    pub(super) season: Option<&'a Season>,
    pub(super) names: &'a Names,
    pub(super) options: &'a Options,
}

impl Grounds<'_> {
    /// Tries changes and tells the cheapest of those that help.
    pub(super) fn tell_remedies(&self, plan: &Plan, control: &dyn Control) -> Outcome {
        let (words, complete): (Vec<String>, bool) = match self.season {
            Some(season) => {
                let found = of_season(season, self.problem, plan, self.options, control)?;
                let words = found.remedies.into_iter().map(|remedy| remedy.words);
                (words.collect(), found.complete)
            }
            None => {
                let found = of_problem(self.problem, plan, self.options, control)?;
                let words = found.remedies.iter().map(|r| r.words(self.problem));
                (words.collect(), found.complete)
            }
        };
        eprintln!("What would help, the cheapest first, one change at a time, each solved again:");
        if words.is_empty() {
            eprintln!("  nothing that was tried");
        }
        for words in words {
            eprintln!("  {}", with_names(&words, self.names));
        }
        if !complete {
            eprintln!("  the time ran out before every change that may help was tried");
        }
        Ok(())
    }

    /// The plan with a margin; says what it costs and what does not reach the chance.
    pub(super) fn widen(
        &self,
        plan: &Plan,
        percent: u8,
        control: &dyn Control,
    ) -> Result<Plan, Fault> {
        let possible = deliverable(self.problem);
        let request = MarginRequest {
            chance: f64::from(percent) / 100.0,
            seasons: SEASONS,
            from_week: possible.iter().map(|(_, week)| *week).min().unwrap_or(0),
        };
        let options = MarginOptions {
            work: self.options.work,
            seed: self.options.seed,
        };
        let scatter = self
            .season
            .map_or_else(|| Uncertainty::of_problem(self.problem), uncertainty);
        let found = margin(self.problem, plan, &scatter, &request, &options, control)?;
        let asked = |cell: &&CellChance| possible.contains(&(cell.target.clone(), cell.week));
        self.tell_margin(&found, request.chance, &asked);
        Ok(found.plan)
    }

    fn tell_margin(&self, found: &Margin, chance: f64, asked: &dyn Fn(&&CellChance) -> bool) {
        let reached = |cells: &[CellChance]| {
            let asked = cells.iter().filter(|cell| asked(cell));
            asked.filter(|cell| cell.met >= chance).count()
        };
        let cells = &found.after.cells;
        let served = cells.iter().filter(|cell| asked(cell)).count();
        eprintln!(
            "A chance of {:.0} % is reached in {} of the {served} weekly pledges that can be served, in {} without the margin; \
             it takes {} containers and {:.1} hours of work more, objective {:.1} points; {} parts of sowings were spread",
            chance * 100.0,
            reached(cells),
            reached(&found.before.cells),
            found.more_containers,
            found.more_minutes10 as f64 / 600.0,
            found.objective_e4 as f64 / 1e4,
            found.spread,
        );
        let below: Vec<&CellChance> = cells
            .iter()
            .filter(|cell| asked(cell) && cell.met < chance)
            .collect();
        if !below.is_empty() {
            eprintln!("It is not reached in:");
        }
        for cell in below.iter().take(MOST_TOLD) {
            let label = self.problem.weeks.get(cell.week).map_or("", String::as_str);
            let target = with_names(&cell.target, self.names);
            eprintln!("  {label} {target}: {:.1} %", cell.met * 100.0);
        }
        if below.len() > MOST_TOLD {
            eprintln!("  and {} more", below.len() - MOST_TOLD);
        }
        if served < cells.len() {
            eprintln!(
                "Nothing sown within the plan can serve {} weekly pledges",
                cells.len() - served
            );
        }
        if !found.complete {
            eprintln!("the time ran out before the margin came to its end");
        }
    }
}
