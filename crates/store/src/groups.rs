//! Groups: classes and clubs, known by a name and a head count only.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// What a group is described by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct GroupFields {
    /// Unique among the groups of the co-operative.
    pub name: String,
    /// People in it, 1 to 1000.
    pub head_count: i32,
    /// Where it works.
    pub site_id: Uuid,
    /// The adult member who leads it.
    pub led_by: Uuid,
}

/// A group as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Group {
    /// The group.
    pub id: Uuid,
    /// Its description.
    #[sqlx(flatten)]
    pub fields: GroupFields,
    /// Name of the adult who leads it.
    pub leader_name: String,
    /// Counts up with every change.
    pub version: i64,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it does not meet any more.
    pub retired_at: Option<DateTime<Utc>>,
}

macro_rules! select_groups {
    ($rest:literal) => {
        concat!(
            "select g.*, m.name as leader_name
               from member_group g join member m on m.cooperative_id = g.cooperative_id and m.id = g.led_by
              where g.cooperative_id = $1 and ",
            $rest
        )
    };
}

/// Adds a group.
///
/// # Errors
/// Those of the database.
pub async fn insert(tx: &mut Tx, id: Uuid, fields: &GroupFields) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "insert into member_group (id, cooperative_id, site_id, name, head_count, led_by) values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(fields.site_id)
    .bind(&fields.name)
    .bind(fields.head_count)
    .bind(fields.led_by)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Replaces the description.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, fields: &GroupFields) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "update member_group set site_id = $3, name = $4, head_count = $5, led_by = $6
          where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(fields.site_id)
    .bind(&fields.name)
    .bind(fields.head_count)
    .bind(fields.led_by)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Ends a group.
///
/// # Errors
/// Those of the database.
pub async fn retire(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update member_group set retired_at = $3 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(now)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// One group.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Group>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_groups!("g.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// One group, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Group>> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query(
        "select 1 from member_group where cooperative_id = $1 and id = $2 for no key update",
    )
    .bind(cooperative_id)
    .bind(id)
    .execute(tx.connection())
    .await?;
    // a statement of its own, so that it sees the leader as they are once the wait is over
    get(tx, id).await
}

/// Groups in the order of their making, at a site where one is named; retired ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    site_id: Option<Uuid>,
    with_retired: bool,
    page: Page,
) -> Result<Vec<Group>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_groups!(
        "($2 or g.retired_at is null) and ($3::uuid is null or g.id > $3) and ($5::uuid is null or g.site_id = $5)
         order by g.id limit $4"
    ))
    .bind(cooperative_id)
    .bind(with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}
