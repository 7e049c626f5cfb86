//! Why pledges are short: what binds in the plan, and which rule would have to give way for anything
//! to be possible at all.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use cotyl_domain::Operation;
use cotyl_growth::Relaxed;
use cotyl_planner::Plan;
use cotyl_planner::check::check;
use cotyl_planner::explain::{CauseKind, Limit, NothingDelivers, ShortReason, binding};
use cotyl_planner::problem::{ClassCrop, Problem, Slot};
use uuid::Uuid;

use super::answer::KeptAnswer;
use super::compile::{Compiled, LeftOut, compile, week_label};
use super::goods::limit_words;
use super::request::solved;
use super::season::{Season, SeasonError};
use crate::lots::hidden_sites;
use crate::{App, Caller, Error, Result};

/// A rule that may be left out to see whether a pledge becomes possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// Closed days.
    Closures,
    /// Temperature that suits the crop.
    Temperature,
    /// Light that the crop needs.
    Light,
    /// Days that a ready cut may wait.
    Hold,
    /// The day on which sowing can begin.
    Start,
    /// Methods by which a crop is grown.
    Method,
}

impl Rule {
    /// All of them, in the order in which they are tried.
    pub const ALL: [Self; 6] = [
        Self::Closures,
        Self::Temperature,
        Self::Light,
        Self::Hold,
        Self::Start,
        Self::Method,
    ];

    /// Its stable name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Closures => "closures",
            Self::Temperature => "temperature",
            Self::Light => "light",
            Self::Hold => "hold",
            Self::Start => "start",
            Self::Method => "method",
        }
    }

    fn left_out(self) -> LeftOut {
        let growth = Relaxed {
            temperature: self == Self::Temperature,
            light: self == Self::Light,
            hold: self == Self::Hold,
            start: self == Self::Start,
        };
        LeftOut {
            closures: self == Self::Closures,
            method: self == Self::Method,
            growth,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Closures => "with the sites open on their closed days",
            Self::Temperature => "at a station whose temperature suits the crop",
            Self::Light => "at a station with more light",
            Self::Hold => "if ready greens could wait two weeks longer",
            Self::Start => "if sowing had begun two weeks earlier",
            Self::Method => "at a station with another growing method",
        }
    }
}

/// Why a pledge is short in a week.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShortPledge {
    /// Monday of the week.
    pub monday: NaiveDate,
    /// The pledge.
    pub pledge_id: String,
    /// Who is to receive it.
    pub recipient_name: String,
    /// The crop or group.
    pub what: String,
    /// Pledged.
    pub pledged_milligrams: i64,
    /// What is missing.
    pub short_milligrams: i64,
    /// The whole reason in words.
    pub words: String,
    /// Ways of sowing that could deliver in that week.
    pub ways: usize,
    /// Ways of sowing in which nothing stands in the way of one batch more.
    pub open_ways: usize,
    /// Limits that one batch more would break, the commonest first.
    pub causes: Vec<PledgeCause>,
    /// When nothing can deliver: rules any one of which would have to give way.
    pub rules: Vec<Rule>,
}

/// A limit that stands in the way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PledgeCause {
    /// `places`, `minutes`, `mixing`, `stock`, `most_sowings` or `share`.
    pub kind: &'static str,
    /// Ways of sowing that it holds up.
    pub ways: usize,
    /// Ways that nothing else holds up.
    pub alone: usize,
    /// In words, with an example.
    pub words: String,
}

impl App {
    /// Why the pledges that a plan leaves short are short.
    ///
    /// # Errors
    /// [`cotyl_domain::Refusal::WrongState`] for a plan that is not solved.
    pub async fn explain_plan(&self, caller: &Caller, id: Uuid) -> Result<Vec<ShortPledge>> {
        let ((_, season, answer), hidden) = self
            .read(Operation::ExplainPlan, caller, async |tx, actor| {
                let hidden = hidden_sites(tx, actor).await?;
                Ok((solved(tx, id, "explained").await?, hidden))
            })
            .await?;
        let hidden: Vec<String> = hidden.iter().map(Uuid::to_string).collect();
        tokio::task::spawn_blocking(move || explain_plan(&season, &answer.plan, &hidden))
            .await
            .map_err(Error::internal)?
            .map_err(Error::internal)
    }
}

/// Reasons for every short pledge, by week.
///
/// # Errors
/// [`SeasonError`] for a season that cannot be read.
pub fn explain(
    season: &Season,
    answer: &KeptAnswer,
) -> std::result::Result<Vec<ShortPledge>, SeasonError> {
    explain_plan(season, &answer.plan, &[])
}

/// The same for a plan, without what the stores of some sites hold.
///
/// # Errors
/// [`SeasonError`] for a season that cannot be read.
pub fn explain_plan(
    season: &Season,
    plan: &Plan,
    hidden_sites: &[String],
) -> std::result::Result<Vec<ShortPledge>, SeasonError> {
    let compiled = compile(season, LeftOut::default())?;
    let problem = &compiled.problem;
    let verdict = check(problem, plan);
    let reasons = binding(problem, plan, &verdict);
    let rules = rules_in_the_way(season, problem, &reasons)?;
    let said = Said {
        season,
        compiled: &compiled,
        hidden_sites,
    };
    let names = season.names();
    Ok(reasons
        .into_iter()
        .filter_map(|reason| {
            let rules = rules.get(&(reason.target.clone(), reason.week));
            short_pledge(&said, &names, reason, rules.cloned().unwrap_or_default())
        })
        .collect())
}

/// For every short pledge that nothing sown can serve: the rules without which something could.
fn rules_in_the_way(
    season: &Season,
    problem: &Problem,
    reasons: &[ShortReason],
) -> std::result::Result<BTreeMap<(String, usize), Vec<Rule>>, SeasonError> {
    let impossible: Vec<&ShortReason> = reasons
        .iter()
        .filter(|reason| reason.nothing_delivers.is_some())
        .collect();
    let mut found: BTreeMap<(String, usize), Vec<Rule>> = BTreeMap::new();
    if impossible.is_empty() || problem.classes.is_empty() {
        return Ok(found);
    }
    for rule in Rule::ALL {
        let without = compile(season, rule.left_out())?.problem;
        let possible = deliverable(&without);
        for reason in &impossible {
            let key = (reason.target.clone(), reason.week);
            if possible.contains(&key) {
                found.entry(key).or_default().push(rule);
            }
        }
    }
    Ok(found)
}

/// Targets and weeks that some sowing can serve.
#[must_use]
pub fn deliverable(problem: &Problem) -> BTreeSet<(String, usize)> {
    let mut weeks_of: BTreeMap<(&str, &str), BTreeSet<usize>> = BTreeMap::new();
    for class in &problem.classes {
        let Some(site) = problem.sites.iter().find(|site| site.id == class.site) else {
            continue;
        };
        for grown in &class.crops {
            let key = (class.site.as_str(), grown.crop.as_str());
            let weeks = weeks_of.entry(key).or_default();
            weeks.extend(delivery_weeks(grown, &site.slots));
        }
    }
    let mut found = BTreeSet::new();
    for target in &problem.targets {
        for site in &target.sites {
            for crop in &target.crops {
                let weeks = weeks_of.get(&(site.as_str(), crop.as_str()));
                for week in weeks.into_iter().flatten() {
                    found.insert((target.id.clone(), *week));
                }
            }
        }
    }
    found
}

/// Weeks in which some cut of a crop can be delivered.
fn delivery_weeks(grown: &ClassCrop, slots: &[Slot]) -> BTreeSet<usize> {
    let mut reached: BTreeSet<usize> = grown.first.iter().map(|arc| arc.to).collect();
    let mut all = reached.clone();
    for _ in 1..grown.cut_dg.len() {
        reached = grown
            .again
            .iter()
            .filter(|arc| reached.contains(&arc.from))
            .map(|arc| arc.to)
            .collect();
        all.extend(&reached);
    }
    all.into_iter()
        .filter_map(|slot| slots.get(slot)?.harvest_week)
        .collect()
}

/// What words are made from.
struct Said<'a> {
    season: &'a Season,
    compiled: &'a Compiled,
    hidden_sites: &'a [String],
}

fn short_pledge(
    said: &Said<'_>,
    names: &BTreeMap<String, String>,
    reason: ShortReason,
    rules: Vec<Rule>,
) -> Option<ShortPledge> {
    let season = said.season;
    let pledge = season.pledges.iter().find(|p| p.id == reason.target)?;
    let causes: Vec<PledgeCause> = reason
        .causes
        .iter()
        .map(|cause| PledgeCause {
            kind: kind_of(cause.kind),
            ways: cause.columns,
            alone: cause.alone,
            words: with_names(&said.limit(&cause.limit, &cause.example.to_string()), names),
        })
        .collect();
    let short = ShortPledge {
        monday: season.first_monday + Days::new(7 * reason.week as u64),
        pledge_id: pledge.id.clone(),
        recipient_name: pledge.recipient_name.clone(),
        what: pledge.what.clone(),
        pledged_milligrams: reason.pledge_dg * 100,
        short_milligrams: reason.short_dg * 100,
        words: String::new(),
        ways: reason.columns,
        open_ways: reason.open,
        causes,
        rules,
    };
    Some(ShortPledge {
        words: words(season, &short, &reason),
        ..short
    })
}

impl Said<'_> {
    fn limit(&self, limit: &Limit, example: &str) -> String {
        let of_goods = limit_words(self.season, self.compiled, limit, self.hidden_sites);
        match of_goods {
            Some(words) => format!("{words} (for {example})"),
            None => format!("{limit} (for {example})"),
        }
    }
}

fn kind_of(kind: CauseKind) -> &'static str {
    match kind {
        CauseKind::Places => "places",
        CauseKind::Minutes => "minutes",
        CauseKind::Mixing => "mixing",
        CauseKind::Stock => "stock",
        CauseKind::MostSowings => "most_sowings",
        CauseKind::Share => "share",
    }
}

fn words(season: &Season, short: &ShortPledge, reason: &ShortReason) -> String {
    let grams = |milligrams: i64| format!("{:.1} g", milligrams as f64 / 1000.0);
    let mut parts = vec![format!(
        "{}: {} of {} of {} for {} are missing.",
        week_label(season.first_monday, reason.week),
        grams(short.short_milligrams),
        grams(short.pledged_milligrams),
        short.what,
        short.recipient_name,
    )];
    match reason.nothing_delivers {
        Some(NothingDelivers::NothingGrown) => {
            parts.push("Nothing that may serve it grows at any station.".to_owned());
        }
        Some(NothingDelivers::NoDeliveryDay) => {
            parts.push("No site is open on a day whose cut is delivered in that week.".to_owned());
        }
        Some(NothingDelivers::NoCut) => {
            parts.push("Nothing sown from now on can be ready for that week.".to_owned());
        }
        None => {}
    }
    if reason.nothing_delivers.is_some() {
        let ways: Vec<&str> = short.rules.iter().map(|rule| rule.words()).collect();
        parts.push(if ways.is_empty() {
            "Leaving out no single rule would change that.".to_owned()
        } else {
            format!("It would be possible {}.", ways.join(", or "))
        });
        return parts.join(" ");
    }
    let ways = short.ways;
    for (number, cause) in short.causes.iter().enumerate() {
        let opening = if number == 0 {
            "A batch more for it is held up: in"
        } else {
            "In"
        };
        let share = share_of(cause.ways, ways);
        parts.push(format!("{opening} {share} {}.", cause.words));
    }
    if short.open_ways > 0 {
        parts.push(format!(
            "In {} nothing stands in the way of a batch more: the search may have stopped too \
             early, or it would cost more in work and surplus than it gains.",
            share_of(short.open_ways, ways)
        ));
    }
    if short.causes.is_empty() && short.open_ways == 0 {
        parts.push("Nothing that can be named binds.".to_owned());
    }
    parts.join(" ")
}

/// How many of the ways of sowing, as a coordinator would say it.
fn share_of(some: usize, all: usize) -> String {
    let percent = (100 * some + all / 2) / all.max(1);
    match (some == all, percent) {
        (true, _) => format!("all {all} ways of sowing"),
        (false, 0) => "fewer than 1 % of the ways of sowing".to_owned(),
        (false, 100) => "nearly all ways of sowing".to_owned(),
        (false, percent) => format!("{percent} % of the ways of sowing"),
    }
}

/// Puts the names of records in place of their ids.
#[must_use]
pub fn with_names(text: &str, names: &BTreeMap<String, String>) -> String {
    let mut named = text.to_owned();
    for (id, name) in names {
        if id.parse::<Uuid>().is_ok() && named.contains(id.as_str()) {
            named = named.replace(id.as_str(), name);
        }
    }
    named
}
