//! What was learned of crops at stations, as it was last reckoned.

use chrono::NaiveDate;
use serde_json::Value;

use crate::{Result, Tx};

/// What learning from the sowings since a day rests on: counts of rows that are only added to, and
/// sums of versions, which every change counts up. Two snapshots that agree in it agree in the rows.
///
/// # Errors
/// Those of the database.
pub async fn rests_on(tx: &mut Tx, since: NaiveDate) -> Result<String> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select concat_ws(' ', $2::date,
                (select coalesce(sum(version), 0) from sowing where cooperative_id = $1 and sown_on >= $2),
                (select count(*) from cut where cooperative_id = $1),
                (select count(*) from cut_correction where cooperative_id = $1),
                (select coalesce(sum(version), 0) from learning_veto where cooperative_id = $1),
                (select coalesce(sum(version), 0) from learning_choice where cooperative_id = $1),
                (select coalesce(sum(version), 0) from station_learning_choice where cooperative_id = $1),
                (select coalesce(sum(version), 0) from crop where cooperative_id = $1),
                (select coalesce(sum(version), 0) from station where cooperative_id = $1),
                (select coalesce(sum(version), 0) from container_kind where cooperative_id = $1),
                (select coalesce(sum(version), 0) from site where cooperative_id = $1))",
    )
    .bind(cooperative_id)
    .bind(since)
    .fetch_one(tx.connection())
    .await?)
}

/// What the kept figures rest on.
///
/// # Errors
/// Those of the database.
pub async fn kept(tx: &mut Tx) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(
        sqlx::query_scalar("select rests_on from learned_growth where cooperative_id = $1")
            .bind(cooperative_id)
            .fetch_optional(tx.connection())
            .await?,
    )
}

/// Keeps figures, while those that are kept are still the ones that rest on `before`; `false`, with
/// nothing kept, when others came in between.
///
/// # Errors
/// Those of the database.
pub async fn keep(
    tx: &mut Tx,
    before: Option<&str>,
    rests_on: &str,
    figures: &Value,
) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    let kept = sqlx::query(
        "insert into learned_growth as l (cooperative_id, rests_on, figures) values ($1, $3, $4)
         on conflict (cooperative_id) do update set rests_on = $3, figures = $4 where l.rests_on = $2",
    )
    .bind(cooperative_id)
    .bind(before)
    .bind(rests_on)
    .bind(figures)
    .execute(tx.connection())
    .await?;
    Ok(kept.rows_affected() == 1)
}
