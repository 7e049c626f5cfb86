//! Who the caller is.

use actix_web::get;
use actix_web::web::Data;
use chrono::NaiveDate;
use cotyl_domain::QualificationKind;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::Signed;
use crate::members::Member;
use crate::problem::ReadProblems;
use crate::respond::{Answer, record};
use crate::serve::ApiState;

/// A co-operative.
#[derive(Serialize, ToSchema)]
pub struct Cooperative {
    /// The co-operative.
    id: Uuid,
    /// Its name.
    #[schema(example = "Green Jars")]
    name: String,
}

/// A qualification of the caller.
#[derive(Serialize, ToSchema)]
pub struct MyQualification {
    /// What it allows.
    kind: QualificationKind,
    /// First day on which it holds.
    issued_on: NaiveDate,
    /// Last day on which it holds; `null` for no end.
    expires_on: Option<NaiveDate>,
    /// Whether it holds today.
    holds_today: bool,
}

/// The caller with what they may do.
#[derive(Serialize, ToSchema)]
pub struct Me {
    /// The member, with their roles.
    #[serde(flatten)]
    member: Member,
    /// Their co-operative.
    cooperative: Cooperative,
    /// The day at the member's site; without one, at the co-operative's oldest site; without any, by UTC.
    today: NaiveDate,
    /// Their qualifications, past and future ones too.
    qualifications: Vec<MyQualification>,
}

/// Read who you are
///
/// The entity tag is that of the member.
#[utoipa::path(
    tag = "members", operation_id = "read_me",
    responses((status = 200, description = "You", body = Me), ReadProblems)
)]
#[get("/me")]
pub async fn read_me(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    let me = state.app.read_me(&caller).await?;
    Ok(record(
        me.member.version,
        &Me {
            member: Member::from(me.member),
            cooperative: Cooperative {
                id: me.cooperative.id,
                name: me.cooperative.name,
            },
            today: me.today,
            qualifications: me
                .qualifications
                .into_iter()
                .map(|q| MyQualification {
                    kind: q.kind,
                    issued_on: q.issued_on,
                    expires_on: q.expires_on,
                    holds_today: q.holds_on(me.today),
                })
                .collect(),
        },
    ))
}
