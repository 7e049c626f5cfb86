//! The rules of work that comes by itself: their defaults, and what a co-operative changes of them.

use chrono::{DateTime, Utc};
use cotyl_domain::{FieldProblem, Operation};
use cotyl_store::task_rules::{self, TaskRule};
use cotyl_work::{Rule, RuleChange, RuleKey};
use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::input::require_version;
use crate::{App, Caller, Changed, Error, Result};

/// What a co-operative changed of a rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptRule {
    /// The rule.
    pub key: RuleKey,
    /// What differs from the default.
    pub change: RuleChange,
    /// Counts up with every change, from 0 for a rule that was never changed.
    pub version: i64,
    /// When it was changed last.
    pub changed_at: Option<DateTime<Utc>>,
}

impl KeptRule {
    /// The rule as it is by default.
    #[must_use]
    pub fn default_rule(&self) -> Rule {
        Rule::default_of(self.key)
    }

    /// The rule as it is in force.
    #[must_use]
    pub fn rule(&self) -> Rule {
        self.default_rule().with(&self.change)
    }

    fn of(key: RuleKey, kept: Option<TaskRule>) -> Result<Self> {
        Ok(match kept {
            None => Self {
                key,
                change: RuleChange::default(),
                version: 0,
                changed_at: None,
            },
            Some(kept) => Self {
                key,
                change: serde_json::from_value(kept.change).map_err(Error::internal)?,
                version: kept.version,
                changed_at: Some(kept.updated_at),
            },
        })
    }
}

impl App {
    /// All rules.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_task_rules(&self, caller: &Caller) -> Result<Vec<KeptRule>> {
        self.read(Operation::ListTaskRules, caller, async |tx, _| {
            let mut kept = task_rules::list(tx).await?;
            RuleKey::ALL
                .into_iter()
                .map(|key| {
                    let at = kept.iter().position(|rule| rule.rule == key.as_str());
                    KeptRule::of(key, at.map(|at| kept.swap_remove(at)))
                })
                .collect()
        })
        .await
    }

    /// One rule.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none of this name.
    pub async fn read_task_rule(&self, caller: &Caller, name: &str) -> Result<KeptRule> {
        self.read(Operation::ReadTaskRule, caller, async |tx, _| {
            let key = key_of(name)?;
            let kept = task_rules::list(tx).await?;
            KeptRule::of(key, kept.into_iter().find(|rule| rule.rule == key.as_str()))
        })
        .await
    }

    /// Changes a rule: what the change leaves out is as by default. The work of every site follows.
    ///
    /// # Errors
    /// [`Error::Invalid`], [`Error::Stale`], [`Error::NotFound`].
    pub async fn change_task_rule(
        &self,
        caller: &Caller,
        name: &str,
        expected: Option<i64>,
        change: &RuleChange,
    ) -> Result<KeptRule> {
        if let Some(key) = RuleKey::parse(name) {
            let problems: Vec<FieldProblem> = change
                .faults(key)
                .into_iter()
                .map(|fault| FieldProblem::new(fault.pointer, fault.code, fault.detail))
                .collect();
            if !problems.is_empty() {
                return Err(Error::Invalid(problems));
            }
        }
        self.keep_task_rule(Operation::ChangeTaskRule, caller, name, expected, change)
            .await
    }

    /// Makes a rule what it is by default.
    ///
    /// # Errors
    /// [`Error::Stale`], [`Error::NotFound`].
    pub async fn reset_task_rule(
        &self,
        caller: &Caller,
        name: &str,
        expected: Option<i64>,
    ) -> Result<KeptRule> {
        let change = RuleChange::default();
        self.keep_task_rule(Operation::ResetTaskRule, caller, name, expected, &change)
            .await
    }

    async fn keep_task_rule(
        &self,
        operation: Operation,
        caller: &Caller,
        name: &str,
        expected: Option<i64>,
        change: &RuleChange,
    ) -> Result<KeptRule> {
        self.write(operation, caller, async |tx, _| {
            let key = key_of(name)?;
            let before = task_rules::lock(tx, name).await?;
            require_version(expected, before.as_ref().map_or(0, |kept| kept.version))?;
            let kept =
                task_rules::keep(tx, self.new_id(), before.as_ref(), name, &json!(change)).await?;
            let changed = Changed {
                noun: "task rule",
                id: kept.id,
            };
            let became = json!({"rule": name, "change": change});
            self.audit(tx, operation, caller, changed, &became).await?;
            KeptRule::of(key, Some(kept))
        })
        .await
    }
}

fn key_of(name: &str) -> Result<RuleKey> {
    RuleKey::parse(name).ok_or(Error::NotFound("rule"))
}
