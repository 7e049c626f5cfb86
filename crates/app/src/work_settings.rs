//! How a co-operative shares its work: chosen by its coordinators.

use cotyl_domain::Operation;
use cotyl_store::cooperatives;
use cotyl_store::work_settings::{self, WorkSettings};

use crate::input::{Problems, require_version};
use crate::{App, Caller, Changed, Result};

impl App {
    /// The settings in force.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn read_work_settings(&self, caller: &Caller) -> Result<WorkSettings> {
        self.read(Operation::ReadWorkSettings, caller, async |tx, _| {
            Ok(work_settings::get(tx).await?)
        })
        .await
    }

    /// Chooses the settings. What members hold already stays theirs.
    ///
    /// # Errors
    /// [`crate::Error::Invalid`]; [`crate::Error::Stale`].
    pub async fn change_work_settings(
        &self,
        caller: &Caller,
        expected: Option<i64>,
        most_claims: i32,
    ) -> Result<WorkSettings> {
        let mut problems = Problems::new();
        problems.within("/most_claims", most_claims.into(), 1, 100);
        problems.finish()?;
        let operation = Operation::ChangeWorkSettings;
        self.write(operation, caller, async |tx, _| {
            cooperatives::hold(tx).await?;
            let before = work_settings::get(tx).await?;
            require_version(expected, before.version)?;
            let chosen = work_settings::put(tx, most_claims).await?;
            let changed = Changed {
                noun: "work settings",
                id: tx.cooperative_id(),
            };
            self.audit(tx, operation, caller, changed, &chosen).await?;
            Ok(chosen)
        })
        .await
    }
}
