//! Tasks of sowings of one batch: what was sown of one crop at one station on one day.

use chrono::NaiveDate;
use sqlx::QueryBuilder;
use uuid::Uuid;

use super::{JOINS, SELECT, Task};
use crate::{Result, Tx};

/// What is still to be done on some days for the other sowings of the batches of some sowings; nothing for
/// one that is alone in its batch.
///
/// # Errors
/// Those of the database.
pub async fn of_batch_mates(
    tx: &mut Tx,
    sowing_ids: &[Uuid],
    days: &[NaiveDate],
) -> Result<Vec<Task>> {
    let mut query = QueryBuilder::new(SELECT);
    query.push_bind(tx.cooperative_id());
    query.push(
        " and state in ('open', 'held') and sowing_id in (
            select o.id from sowing w
              join sowing o on o.cooperative_id = w.cooperative_id and o.station_id = w.station_id and o.crop_id = w.crop_id
               and coalesce(o.sown_on, o.sow_on) = coalesce(w.sown_on, w.sow_on) and o.id <> w.id
             where w.cooperative_id = ",
    );
    query.push_bind(tx.cooperative_id());
    query.push(" and w.id = any(").push_bind(sowing_ids);
    query.push(")) and day = any(").push_bind(days);
    query.push(")").push(JOINS);
    Ok(query.build_query_as().fetch_all(tx.connection()).await?)
}

/// Holds everything that is still to be done for some sowings against other writers, in the order of the
/// ids of the tasks: whoever goes on to change tasks of several sowings takes them in the same order as
/// whoever claims several.
///
/// # Errors
/// Those of the database.
pub async fn lock_of_sowings(tx: &mut Tx, sowing_ids: &[Uuid]) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "select from task where cooperative_id = $1 and sowing_id = any($2) and state in ('open', 'held') order by id for no key update",
    )
    .bind(cooperative_id)
    .bind(sowing_ids)
    .execute(tx.connection())
    .await?;
    Ok(())
}
