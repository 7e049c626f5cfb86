//! Who acts: a member with roles and qualifications, read at the start of each use case.

use chrono::NaiveDate;
use cotyl_domain::{Actor, Grant, Qualification, QualificationKind, Role};
use serde::Deserialize;
use sqlx::FromRow as _;
use sqlx::postgres::PgRow;
use sqlx::types::Json;
use uuid::Uuid;

use crate::{Error, Result};

#[derive(Deserialize)]
struct GrantColumns {
    role: String,
    site_id: Option<Uuid>,
    recipient_id: Option<Uuid>,
}

#[derive(Deserialize)]
struct QualificationColumns {
    kind: String,
    issued_on: NaiveDate,
    expires_on: Option<NaiveDate>,
}

#[derive(sqlx::FromRow)]
struct ActorColumns {
    cooperative_id: Uuid,
    id: Uuid,
    name: String,
    grants: Json<Vec<GrantColumns>>,
    qualifications: Json<Vec<QualificationColumns>>,
}

/// Prepared on each new connection, so that a transaction's first words can ask for it too.
pub(crate) const PREPARE: &str = "prepare actor_of_session (uuid, uuid) as
 select m.cooperative_id, m.id, m.name,
        coalesce((select jsonb_agg(jsonb_build_object('role', g.role, 'site_id', g.site_id, 'recipient_id', g.recipient_id))
                    from role_grant g where g.cooperative_id = m.cooperative_id and g.member_id = m.id), '[]') as grants,
        coalesce((select jsonb_agg(jsonb_build_object('kind', q.kind, 'issued_on', q.issued_on, 'expires_on', q.expires_on))
                    from qualification q where q.cooperative_id = m.cooperative_id and q.member_id = m.id and q.retired_at is null), '[]') as qualifications
   from member m
   join session s on s.cooperative_id = m.cooperative_id and s.member_id = m.id
  where s.id = $1 and m.id = $2 and s.ended_at is null and m.retired_at is null";

/// Asks for the member of a session that has not ended; no row when the session or the member has.
pub(crate) fn of_session(session_id: Uuid, member_id: Uuid) -> String {
    // a Uuid prints as hexadecimal digits and hyphens only, so it cannot break out of the quotes
    format!("execute actor_of_session ('{session_id}', '{member_id}')")
}

/// Reads the answer to [`of_session`].
pub(crate) fn read(row: &PgRow) -> Result<Actor> {
    let ActorColumns {
        cooperative_id,
        id,
        name,
        grants: Json(grants),
        qualifications: Json(qualifications),
    } = ActorColumns::from_row(row)?;
    Ok(Actor {
        cooperative_id,
        member_id: id,
        name,
        grants: grants
            .into_iter()
            .map(|g| {
                Ok(Grant {
                    role: Role::parse(&g.role)
                        .ok_or_else(|| Error::Unreadable(format!("role {}", g.role)))?,
                    site_id: g.site_id,
                    recipient_id: g.recipient_id,
                })
            })
            .collect::<Result<_>>()?,
        qualifications: qualifications
            .into_iter()
            .map(|q| {
                Ok(Qualification {
                    kind: QualificationKind::parse(&q.kind)
                        .ok_or_else(|| Error::Unreadable(format!("qualification {}", q.kind)))?,
                    issued_on: q.issued_on,
                    expires_on: q.expires_on,
                })
            })
            .collect::<Result<_>>()?,
    })
}
