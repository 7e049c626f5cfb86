//! What the record teaches, kept where everything that foresees a sowing reads it beside the crop, so
//! that sowings made by hand, moved or standing are foreseen by the same figures as those of a plan.

use chrono::{DateTime, Utc};
use cotyl_store::{Scope, Tx, learned_growth, season};
use serde_json::Value;

use crate::plans::learned::{first_day_on_record, read, taught_places};
use crate::plans::season::Season;
use crate::{App, Error, Result};

/// Counts up when the way of estimating changes, so that what is kept is reckoned anew.
const ESTIMATE: u32 = 2;
/// How often it is reckoned again when others kept theirs in between.
const MOST_ATTEMPTS: u32 = 3;
/// The name of the write in the metrics.
const LEARN: &str = "keep_learned_growth";

/// What learning rests on now, and what the kept figures rest on.
async fn state(tx: &mut Tx, now: DateTime<Utc>) -> Result<(String, Option<String>)> {
    let rows = learned_growth::rests_on(tx, first_day_on_record(now)).await?;
    Ok((
        format!("estimate {ESTIMATE}: {rows}"),
        learned_growth::kept(tx).await?,
    ))
}

impl App {
    /// Reckons anew what the record of a co-operative teaches, if anything it rests on has changed, and
    /// keeps it. Nothing is reckoned while a connection is held.
    ///
    /// # Errors
    /// Those of the database; a fault of this program for records from which nothing can be learned.
    pub(crate) async fn keep_learned_growth(&self, scope: Scope) -> Result<()> {
        for _ in 0..MOST_ATTEMPTS {
            let now = self.clock().now();
            let monday = now.date_naive().week(chrono::Weekday::Mon).first_day();
            let changed = self
                .store()
                .read(scope, async |tx| {
                    let (rests_on, kept) = state(tx, now).await?;
                    if kept.as_ref() == Some(&rests_on) {
                        return Ok::<_, Error>(None);
                    }
                    let rows = season::load(tx, monday, monday).await?;
                    Ok(Some((rests_on, kept, rows, read(tx, now).await?)))
                })
                .await?;
            let Some((rests_on, before, rows, (records, choices))) = changed else {
                return Ok(());
            };
            let figures = tokio::task::spawn_blocking(move || {
                let season = Season::of_rows(rows, monday, 1, now)?;
                taught_places(&season, &records, &choices)
            })
            .await
            .map_err(Error::internal)?
            .map_err(Error::internal)?;
            let figures: Value = serde_json::to_value(figures).map_err(Error::internal)?;
            let is_kept = self
                .store()
                .write(LEARN, scope, async |tx| {
                    let before = before.as_deref();
                    let kept = learned_growth::keep(tx, before, &rests_on, &figures).await?;
                    Ok::<_, Error>(kept)
                })
                .await?;
            if is_kept {
                return Ok(());
            }
        }
        // those who came in between kept figures that are as new
        Ok(())
    }
}
