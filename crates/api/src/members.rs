//! Members and their roles.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use cotyl_domain::{Grant, Role};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, SiteRecordsQuery, page};
use crate::problem::{ChangeProblems, ReadProblems};
use crate::respond::{Answer, Listed, listed, one_more, record};
use crate::serve::ApiState;

/// A role with what it is held for.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[schema(example = json!({"role": "coordinator"}))]
pub struct MemberRole {
    /// The role.
    pub role: Role,
    /// The site, for leads and volunteers.
    pub site_id: Option<Uuid>,
    /// The recipient, for readers.
    pub recipient_id: Option<Uuid>,
}

impl From<MemberRole> for Grant {
    fn from(role: MemberRole) -> Self {
        Self {
            role: role.role,
            site_id: role.site_id,
            recipient_id: role.recipient_id,
        }
    }
}

impl From<Grant> for MemberRole {
    fn from(grant: Grant) -> Self {
        Self {
            role: grant.role,
            site_id: grant.site_id,
            recipient_id: grant.recipient_id,
        }
    }
}

/// What a member is described by.
#[derive(Debug, Deserialize, ToSchema)]
pub struct MemberInput {
    /// Their name.
    #[schema(example = "Ada Moss")]
    name: String,
    /// Their e-mail address, with which they sign in.
    #[schema(example = "ada@example.org")]
    email: String,
}

/// The roles of a member from now on.
#[derive(Debug, Deserialize, ToSchema)]
pub struct RolesInput {
    /// All of them; the list replaces the one before.
    roles: Vec<MemberRole>,
}

/// A member.
#[derive(Debug, Serialize, ToSchema)]
pub struct Member {
    /// The member.
    pub id: Uuid,
    /// Their name.
    #[schema(example = "Ada Moss")]
    pub name: String,
    /// Their e-mail address.
    #[schema(example = "ada@example.org")]
    pub email: String,
    /// Their roles.
    pub roles: Vec<MemberRole>,
    /// Whether they have accepted their invitation and can sign in.
    pub has_accepted: bool,
    /// When they were invited.
    pub created_at: DateTime<Utc>,
    /// When they or their roles were changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when they are no member any more.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<records::Member> for Member {
    fn from(member: records::Member) -> Self {
        Self {
            id: member.id,
            name: member.name,
            email: member.email,
            roles: member.roles.into_iter().map(Into::into).collect(),
            has_accepted: member.has_accepted,
            created_at: member.created_at,
            updated_at: member.updated_at,
            retired_at: member.retired_at,
        }
    }
}

/// List members
///
/// With `site_id`, those with a role at that site.
#[utoipa::path(
    tag = "members", operation_id = "list_members", params(SiteRecordsQuery),
    responses((status = 200, description = "A page of members", body = Listed<Member>), ReadProblems)
)]
#[get("/members")]
pub async fn list_members(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<SiteRecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let members = state
        .app
        .list_members(&caller, query.site_id, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, members, |m| m.id, Member::from))
}

/// Read a member
///
/// Volunteers and readers see themselves only.
#[utoipa::path(
    tag = "members", operation_id = "read_member",
    responses((status = 200, description = "The member", body = Member), ReadProblems)
)]
#[get("/members/{member_id}")]
pub async fn read_member(
    state: Data<ApiState>,
    Signed(caller): Signed,
    member_id: Path<Uuid>,
) -> Answer {
    let member = state.app.read_member(&caller, *member_id).await?;
    Ok(record(member.version, &Member::from(member)))
}

/// Change a member's name or address
///
/// Coordinators change anyone, everybody else themselves only.
#[utoipa::path(
    tag = "members", operation_id = "change_member", request_body = MemberInput,
    params(("If-Match" = String, Header, description = "ETag of the member as last read")),
    responses((status = 200, description = "The member now", body = Member), ChangeProblems)
)]
#[put("/members/{member_id}")]
pub async fn change_member(
    state: Data<ApiState>,
    member_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<MemberInput>,
) -> Answer {
    let member = state
        .app
        .change_member(
            &signed.caller,
            *member_id,
            expected,
            &signed.body.name,
            &signed.body.email,
        )
        .await?;
    Ok(record(member.version, &Member::from(member)))
}

/// End a membership
///
/// Every sign-in of the member ends, and the tasks they held are open again. The last coordinator stays,
/// and so does whoever leads a group.
#[utoipa::path(
    tag = "members", operation_id = "retire_member",
    params(("If-Match" = String, Header, description = "ETag of the member as last read")),
    responses((status = 200, description = "The retired member", body = Member), ChangeProblems)
)]
#[delete("/members/{member_id}")]
pub async fn retire_member(
    state: Data<ApiState>,
    Signed(caller): Signed,
    member_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let member = state
        .app
        .retire_member(&caller, *member_id, expected)
        .await?;
    Ok(record(member.version, &Member::from(member)))
}

/// Set the roles of a member
///
/// The list replaces the one before. The last coordinator who can sign in keeps the role.
#[utoipa::path(
    tag = "members", operation_id = "set_member_roles", request_body = RolesInput,
    params(("If-Match" = String, Header, description = "ETag of the member as last read")),
    responses((status = 200, description = "The member now", body = Member), ChangeProblems)
)]
#[put("/members/{member_id}/roles")]
pub async fn set_member_roles(
    state: Data<ApiState>,
    member_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<RolesInput>,
) -> Answer {
    let roles: Vec<Grant> = signed.body.roles.into_iter().map(Into::into).collect();
    let member = state
        .app
        .set_member_roles(&signed.caller, *member_id, expected, &roles)
        .await?;
    Ok(record(member.version, &Member::from(member)))
}
