//! Members and their roles.

use chrono::{DateTime, Utc};
use cotyl_domain::{Grant, Role};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Page, Result, Tx};

/// A member as they are kept; never with a password.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, sqlx::FromRow)]
pub struct Member {
    /// The member.
    pub id: Uuid,
    /// Their name.
    pub name: String,
    /// Their address, in lower case; unique among those who have not left.
    pub email: String,
    /// Their roles, in the order of the permission table.
    #[sqlx(json)]
    pub roles: Vec<Grant>,
    /// Whether they have set a password, so that they can sign in.
    pub has_accepted: bool,
    /// Counts up with every change, of the roles too.
    pub version: i64,
    /// When they were invited.
    pub created_at: DateTime<Utc>,
    /// When they were changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when they are no member any more.
    pub retired_at: Option<DateTime<Utc>>,
}

macro_rules! select_members {
    ($rest:literal) => {
        concat!(
            "select m.id, m.name, m.email, m.password_hash is not null as has_accepted,
                    m.version, m.created_at, m.updated_at, m.retired_at,
                    coalesce((select jsonb_agg(jsonb_build_object('role', g.role, 'site_id', g.site_id, 'recipient_id', g.recipient_id)
                                     order by array_position(array['coordinator', 'lead', 'volunteer', 'reader'], g.role), g.id)
                                from role_grant g where g.cooperative_id = m.cooperative_id and g.member_id = m.id), '[]') as roles
               from member m where m.cooperative_id = $1 and ",
            $rest
        )
    };
}

/// Adds a member; without a password hash they cannot sign in until they accept an invitation.
///
/// # Errors
/// Those of the database.
pub async fn insert(
    tx: &mut Tx,
    cooperative_id: Uuid,
    id: Uuid,
    name: &str,
    email: &str,
    password_hash: Option<&str>,
) -> Result<()> {
    sqlx::query(
        "insert into member (id, cooperative_id, name, email, password_hash) values ($1, $2, $3, $4, $5)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(name)
    .bind(email)
    .bind(password_hash)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Gives a member a role.
///
/// # Errors
/// Those of the database.
pub async fn insert_grant(
    tx: &mut Tx,
    cooperative_id: Uuid,
    id: Uuid,
    member_id: Uuid,
    role: Role,
    site_id: Option<Uuid>,
    recipient_id: Option<Uuid>,
) -> Result<()> {
    sqlx::query(
        "insert into role_grant (id, cooperative_id, member_id, role, site_id, recipient_id) values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(id)
    .bind(cooperative_id)
    .bind(member_id)
    .bind(role.as_str())
    .bind(site_id)
    .bind(recipient_id)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Takes every role from a member, and counts their version up.
///
/// # Errors
/// Those of the database.
pub async fn take_roles(tx: &mut Tx, id: Uuid) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("delete from role_grant where cooperative_id = $1 and member_id = $2")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    sqlx::query("update member set updated_at = now() where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// One member.
///
/// # Errors
/// Those of the database.
pub async fn get(tx: &mut Tx, id: Uuid) -> Result<Option<Member>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_members!("m.id = $2"))
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// One member, held against other writers until the transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn lock(tx: &mut Tx, id: Uuid) -> Result<Option<Member>> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("select 1 from member where cooperative_id = $1 and id = $2 for no key update")
        .bind(cooperative_id)
        .bind(id)
        .execute(tx.connection())
        .await?;
    // a statement of its own, so that it sees the roles as they are once the wait is over
    get(tx, id).await
}

/// The member of an address who has not left.
///
/// # Errors
/// Those of the database.
pub async fn of_email(tx: &mut Tx, email: &str) -> Result<Option<Uuid>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select id from member where cooperative_id = $1 and email = $2 and retired_at is null",
    )
    .bind(cooperative_id)
    .bind(email)
    .fetch_optional(tx.connection())
    .await?)
}

/// Members in the order of their invitation; with a role at a site where one is named, and retired
/// ones only when asked for.
///
/// # Errors
/// Those of the database.
pub async fn list(
    tx: &mut Tx,
    site_id: Option<Uuid>,
    with_retired: bool,
    page: Page,
) -> Result<Vec<Member>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(select_members!(
        "($2 or m.retired_at is null) and ($3::uuid is null or m.id > $3)
           and ($5::uuid is null or exists (
                 select 1 from role_grant at_site
                  where at_site.cooperative_id = $1 and at_site.member_id = m.id and at_site.site_id = $5))
         order by m.id limit $4"
    ))
    .bind(cooperative_id)
    .bind(with_retired)
    .bind(page.after)
    .bind(page.limit)
    .bind(site_id)
    .fetch_all(tx.connection())
    .await?)
}

/// Replaces name and address.
///
/// # Errors
/// Those of the database.
pub async fn update(tx: &mut Tx, id: Uuid, name: &str, email: &str) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update member set name = $3, email = $4 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(name)
        .bind(email)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Ends a membership.
///
/// # Errors
/// Those of the database.
pub async fn retire(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    sqlx::query("update member set retired_at = $3 where cooperative_id = $1 and id = $2")
        .bind(cooperative_id)
        .bind(id)
        .bind(now)
        .execute(tx.connection())
        .await?;
    Ok(())
}

/// Whether somebody else can sign in as a coordinator.
///
/// # Errors
/// Those of the database.
pub async fn has_other_coordinator(tx: &mut Tx, id: Uuid) -> Result<bool> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select exists (
           select 1 from role_grant g join member m on m.cooperative_id = g.cooperative_id and m.id = g.member_id
            where g.cooperative_id = $1 and g.role = 'coordinator' and m.id <> $2
              and m.retired_at is null and m.password_hash is not null)",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_one(tx.connection())
    .await?)
}

/// The name of a group that the member leads.
///
/// # Errors
/// Those of the database.
pub async fn led_group(tx: &mut Tx, id: Uuid) -> Result<Option<String>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select name from member_group where cooperative_id = $1 and led_by = $2 and retired_at is null limit 1",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_optional(tx.connection())
    .await?)
}

/// Lets go of every task place that the member holds, so that others can take it.
///
/// # Errors
/// Those of the database.
pub async fn release_tasks(tx: &mut Tx, id: Uuid, now: DateTime<Utc>) -> Result<()> {
    let cooperative_id = tx.cooperative_id();
    let tasks: Vec<Uuid> = sqlx::query_scalar(
        "select id from task where cooperative_id = $1
            and id in (select task_id from claim where cooperative_id = $1 and member_id = $2 and ended_at is null)
          order by id for no key update",
    )
    .bind(cooperative_id)
    .bind(id)
    .fetch_all(tx.connection())
    .await?;
    sqlx::query(
        "update claim set ended_at = $3, end_kind = 'released'
          where cooperative_id = $1 and member_id = $2 and ended_at is null",
    )
    .bind(cooperative_id)
    .bind(id)
    .bind(now)
    .execute(tx.connection())
    .await?;
    sqlx::query(
        "update task set state = 'open' where cooperative_id = $1 and id = any($2) and state = 'held'",
    )
    .bind(cooperative_id)
    .bind(&tasks)
    .execute(tx.connection())
    .await?;
    Ok(())
}

/// Whether a recipient is retired; `None` when the co-operative has none of this id.
///
/// # Errors
/// Those of the database.
pub async fn recipient_is_retired(tx: &mut Tx, recipient_id: Uuid) -> Result<Option<bool>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_scalar(
        "select retired_at is not null from recipient where cooperative_id = $1 and id = $2",
    )
    .bind(cooperative_id)
    .bind(recipient_id)
    .fetch_optional(tx.connection())
    .await?)
}
