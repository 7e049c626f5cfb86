//! Members and their roles.

use cotyl_domain::Role;
use uuid::Uuid;

use crate::{Result, Tx};

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
