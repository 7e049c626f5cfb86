//! How the co-operative reports: the day on which its funding year begins.

use cotyl_domain::Operation;
use cotyl_store::reports::{self, ReportSettings};
use serde_json::json;

use crate::input::require_version;
use crate::reports::span::is_yearly_day;
use crate::{App, Caller, Changed, Error, Result};

impl App {
    /// The settings.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn read_report_settings(&self, caller: &Caller) -> Result<ReportSettings> {
        self.read(Operation::ReadReportSettings, caller, async |tx, _| {
            Ok(reports::settings(tx).await?)
        })
        .await
    }

    /// Changes the settings.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a day that not every year has; [`Error::Stale`].
    pub async fn change_report_settings(
        &self,
        caller: &Caller,
        expected: Option<i64>,
        month: u32,
        day: u32,
    ) -> Result<ReportSettings> {
        let operation = Operation::ChangeReportSettings;
        if !is_yearly_day(month, day) {
            return Err(Error::field(
                "/funding_year_day",
                "range",
                "must be a day of funding_year_month, 1 to 12, that every year has",
            ));
        }
        let narrow = |number: u32| i32::try_from(number).map_err(Error::internal);
        let (month, day) = (narrow(month)?, narrow(day)?);
        self.write(operation, caller, async |tx, actor| {
            let settings = reports::lock_settings(tx).await?;
            require_version(expected, settings.version)?;
            let settings = reports::change_settings(tx, month, day).await?;
            let changed = Changed {
                noun: "report settings",
                id: actor.cooperative_id,
            };
            let became = json!({"funding_year_month": month, "funding_year_day": day});
            self.audit(tx, operation, caller, changed, &became).await?;
            Ok(settings)
        })
        .await
    }
}
