//! The rules of work that comes by itself.

use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, delete, get, put};
use chrono::{DateTime, Utc};
use cotyl_app::task_rules::KeptRule;
use cotyl_app::work::{Labour, Rule, RuleChange, SpareDays};
use cotyl_domain::QualificationKind;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::extract::{IfMatch, Signed, SignedBody};
use crate::problem::{ChangeProblems, Problem, ReadProblems};
use crate::respond::{Answer, record};
use crate::serve::ApiState;
use crate::tasks::one_of;

/// What a rule says.
#[derive(Debug, Serialize, ToSchema)]
pub struct TaskRuleTerms {
    /// Whether it brings work at all.
    pub enabled: bool,
    /// Days after the event; before it where negative.
    #[schema(example = 1)]
    pub offset_days: i32,
    /// Days until it comes again; `null` where it does not.
    #[schema(example = 1)]
    pub repeat_days: Option<u32>,
    /// Where it goes when the site is closed: `that_day` (it falls away), `before`, `after` or `nearest`.
    #[schema(example = "that_day")]
    pub spare_days: &'static str,
    /// Minutes however many containers there are.
    pub fixed_minutes: u32,
    /// Tenths of a minute for each container; `null` where the profile of the crop says it.
    #[schema(example = 2)]
    pub tenths_per_container: Option<u32>,
    /// People needed.
    pub people: u32,
    /// Training needed: `concentrates` or `food_handling`.
    #[schema(example = json!(null))]
    pub qualification: Option<&'static str>,
    /// Days after its day from which it counts as missed; `null` where it stays until it is done.
    pub missed_after_days: Option<u32>,
    /// Thousandths of the fill line at which a container counts as low; of `top_up` only.
    pub mark_permille: Option<u32>,
}

/// A rule with its default.
#[derive(Debug, Serialize, ToSchema)]
pub struct TaskRule {
    /// Its name.
    #[schema(example = "mist")]
    pub rule: &'static str,
    /// The kind of the tasks that it brings.
    #[schema(example = "mist")]
    pub kind: &'static str,
    /// What it is relative to: `sowing_day`, `unsprouted`, `emergence`, `each_cut`, `last_cut`,
    /// `level_mark`, `station_stands`, `reading_out_of_range`, `solution_needed`, `batch_begun`,
    /// `stock_taking` or `delivery_day`.
    #[schema(example = "unsprouted")]
    pub event: &'static str,
    /// What goes wrong when nobody comes.
    pub harm: &'static str,
    /// Where the figures of the default come from.
    #[schema(example = "common practice, no source")]
    pub basis: &'static str,
    /// The rule as it is in force.
    pub terms: TaskRuleTerms,
    /// The rule as it is when nothing is changed.
    pub default: TaskRuleTerms,
    /// Whether anything was changed.
    pub changed: bool,
    /// Its version; its ETag is this number after a `v`, in quotes.
    pub version: i64,
    /// When it was changed last.
    pub changed_at: Option<DateTime<Utc>>,
}

/// All rules.
#[derive(Debug, Serialize, ToSchema)]
pub struct TaskRules {
    /// The rules.
    pub items: Vec<TaskRule>,
}

/// What differs from the default; what is left out, or `null`, is as by default.
#[derive(Debug, Deserialize, ToSchema)]
pub struct TaskRuleInput {
    /// Whether it brings work at all.
    #[schema(example = true)]
    pub enabled: Option<bool>,
    /// Days after the event, -30 to 60.
    #[schema(example = 1)]
    pub offset_days: Option<i32>,
    /// Days until it comes again, 1 to 365; only for a rule that comes again.
    #[schema(example = json!(null))]
    pub repeat_days: Option<u32>,
    /// `that_day`, `before`, `after` or `nearest`.
    #[schema(example = json!(null))]
    pub spare_days: Option<String>,
    /// Minutes however many containers there are, 0 to 600.
    #[schema(example = 5)]
    pub fixed_minutes: Option<u32>,
    /// Tenths of a minute for each container, 0 to 6000, in place of the profile of the crop where that
    /// counted.
    #[schema(example = json!(null))]
    pub tenths_per_container: Option<u32>,
    /// People needed, 1 to 20.
    #[schema(example = 2)]
    pub people: Option<u32>,
    /// Training to be asked for: `concentrates` or `food_handling`. What the default asks for stays.
    #[schema(example = json!(null))]
    pub qualification: Option<String>,
    /// Days after its day from which it counts as missed, 0 to 60.
    #[schema(example = json!(null))]
    pub missed_after_days: Option<u32>,
    /// Thousandths of the fill line at which a container counts as low, 100 to 900; of `top_up` only.
    #[schema(example = json!(null))]
    pub mark_permille: Option<u32>,
}

impl From<Rule> for TaskRuleTerms {
    fn from(rule: Rule) -> Self {
        Self {
            enabled: rule.enabled,
            offset_days: rule.offset_days,
            repeat_days: rule.repeat_days,
            spare_days: rule.spare_days.as_str(),
            fixed_minutes: rule.fixed_minutes,
            tenths_per_container: match rule.per_container {
                Labour::Tenths(tenths) => Some(tenths),
                Labour::CropProfile => None,
            },
            people: rule.people,
            qualification: rule.qualification.map(QualificationKind::as_str),
            missed_after_days: rule.missed_after_days,
            mark_permille: rule.mark_permille,
        }
    }
}

impl From<KeptRule> for TaskRule {
    fn from(kept: KeptRule) -> Self {
        let rule = kept.rule();
        Self {
            rule: rule.key.as_str(),
            kind: rule.kind.as_str(),
            event: rule.event.as_str(),
            harm: rule.harm,
            basis: rule.basis,
            terms: rule.into(),
            default: kept.default_rule().into(),
            changed: !kept.change.is_empty(),
            version: kept.version,
            changed_at: kept.changed_at,
        }
    }
}

impl TaskRuleInput {
    fn read(self) -> Result<RuleChange, Problem> {
        let qualifications = [
            QualificationKind::Concentrates,
            QualificationKind::FoodHandling,
        ]
        .map(QualificationKind::as_str);
        Ok(RuleChange {
            enabled: self.enabled,
            offset_days: self.offset_days,
            repeat_days: self.repeat_days,
            spare_days: one_of(
                "/spare_days",
                self.spare_days.as_deref(),
                SpareDays::parse,
                &SpareDays::ALL.map(SpareDays::as_str),
            )?,
            fixed_minutes: self.fixed_minutes,
            tenths_per_container: self.tenths_per_container,
            people: self.people,
            qualification: one_of(
                "/qualification",
                self.qualification.as_deref(),
                QualificationKind::parse,
                &qualifications,
            )?,
            missed_after_days: self.missed_after_days,
            mark_permille: self.mark_permille,
        })
    }
}

/// List the rules of work that comes by itself
///
/// Each with its default: what it is relative to, how long it takes, who may do it.
#[utoipa::path(
    tag = "tasks", operation_id = "list_task_rules",
    responses((status = 200, description = "Every rule", body = TaskRules), ReadProblems)
)]
#[get("/task_rules")]
pub async fn list_task_rules(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    let rules = state.app.list_task_rules(&caller).await?;
    Ok(HttpResponse::Ok().json(TaskRules {
        items: rules.into_iter().map(Into::into).collect(),
    }))
}

/// Read a rule of work that comes by itself
#[utoipa::path(
    tag = "tasks", operation_id = "read_task_rule",
    params(("rule" = String, Path, description = "Its name", example = "mist")),
    responses((status = 200, description = "The rule with its default", body = TaskRule), ReadProblems)
)]
#[get("/task_rules/{rule}")]
pub async fn read_task_rule(
    state: Data<ApiState>,
    Signed(caller): Signed,
    rule: Path<String>,
) -> Answer {
    let kept = state.app.read_task_rule(&caller, &rule).await?;
    Ok(record(kept.version, &TaskRule::from(kept)))
}

/// Change a rule of work that comes by itself
///
/// What is left out is as by default. The tasks of every site follow.
#[utoipa::path(
    tag = "tasks", operation_id = "change_task_rule", request_body = TaskRuleInput,
    params(("rule" = String, Path, description = "Its name", example = "mist"), ("If-Match" = String, Header, description = "ETag of the rule as last read")),
    responses((status = 200, description = "Changed", body = TaskRule), ChangeProblems)
)]
#[put("/task_rules/{rule}")]
pub async fn change_task_rule(
    state: Data<ApiState>,
    rule: Path<String>,
    IfMatch(version): IfMatch,
    signed: SignedBody<TaskRuleInput>,
) -> Answer {
    let change = signed.body.read()?;
    let kept = state
        .app
        .change_task_rule(&signed.caller, &rule, version, &change)
        .await?;
    Ok(record(kept.version, &TaskRule::from(kept)))
}

/// Make a rule what it is by default
#[utoipa::path(
    tag = "tasks", operation_id = "reset_task_rule",
    params(("rule" = String, Path, description = "Its name", example = "mist"), ("If-Match" = String, Header, description = "ETag of the rule as last read")),
    responses((status = 200, description = "As by default", body = TaskRule), ChangeProblems)
)]
#[delete("/task_rules/{rule}")]
pub async fn reset_task_rule(
    state: Data<ApiState>,
    rule: Path<String>,
    IfMatch(version): IfMatch,
    Signed(caller): Signed,
) -> Answer {
    let kept = state.app.reset_task_rule(&caller, &rule, version).await?;
    Ok(record(kept.version, &TaskRule::from(kept)))
}
