//! Groups: classes and clubs.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody, SiteRecordsQuery, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a group is described by. Give no names or other particulars of children.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct GroupInput {
    /// Unique among the groups of the co-operative.
    #[schema(example = "Year four garden club")]
    pub name: String,
    /// People in it, 1 to 1000.
    #[schema(example = 18)]
    pub head_count: i32,
    /// Where it works.
    pub site_id: Uuid,
    /// The adult member who leads it.
    pub led_by: Uuid,
}

/// A group.
#[derive(Debug, Serialize, ToSchema)]
pub struct Group {
    /// The group.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: GroupInput,
    /// Name of the adult who leads it.
    #[schema(example = "Ada Moss")]
    pub leader_name: String,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it does not meet any more.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<GroupInput> for records::GroupFields {
    fn from(input: GroupInput) -> Self {
        Self {
            name: input.name,
            head_count: input.head_count,
            site_id: input.site_id,
            led_by: input.led_by,
        }
    }
}

impl From<records::Group> for Group {
    fn from(group: records::Group) -> Self {
        Self {
            id: group.id,
            fields: GroupInput {
                name: group.fields.name,
                head_count: group.fields.head_count,
                site_id: group.fields.site_id,
                led_by: group.fields.led_by,
            },
            leader_name: group.leader_name,
            created_at: group.created_at,
            updated_at: group.updated_at,
            retired_at: group.retired_at,
        }
    }
}

/// List groups
#[utoipa::path(
    tag = "groups", operation_id = "list_groups", params(SiteRecordsQuery),
    responses((status = 200, description = "A page of groups", body = Listed<Group>), ReadProblems)
)]
#[get("/groups")]
pub async fn list_groups(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<SiteRecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let groups = state
        .app
        .list_groups(&caller, query.site_id, query.with_retired, one_more(page))
        .await?;
    Ok(listed(&request, page, groups, |g| g.id, Group::from))
}

/// Describe a new group
#[utoipa::path(
    tag = "groups", operation_id = "create_group", request_body = GroupInput,
    responses((status = 201, description = "Described", body = Group), WriteProblems)
)]
#[post("/groups")]
pub async fn create_group(state: Data<ApiState>, signed: SignedBody<GroupInput>) -> Answer {
    let group = state
        .app
        .create_group(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        group.version,
        &format!("/groups/{}", group.id),
        &Group::from(group),
    ))
}

/// Read a group
#[utoipa::path(
    tag = "groups", operation_id = "read_group",
    responses((status = 200, description = "The group", body = Group), ReadProblems)
)]
#[get("/groups/{group_id}")]
pub async fn read_group(
    state: Data<ApiState>,
    Signed(caller): Signed,
    group_id: Path<Uuid>,
) -> Answer {
    let group = state.app.read_group(&caller, *group_id).await?;
    Ok(record(group.version, &Group::from(group)))
}

/// Change a group
#[utoipa::path(
    tag = "groups", operation_id = "change_group", request_body = GroupInput,
    params(("If-Match" = String, Header, description = "ETag of the group as last read")),
    responses((status = 200, description = "The group now", body = Group), ChangeProblems)
)]
#[put("/groups/{group_id}")]
pub async fn change_group(
    state: Data<ApiState>,
    group_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<GroupInput>,
) -> Answer {
    let group = state
        .app
        .change_group(&signed.caller, *group_id, expected, &signed.body.into())
        .await?;
    Ok(record(group.version, &Group::from(group)))
}

/// End a group
#[utoipa::path(
    tag = "groups", operation_id = "retire_group",
    params(("If-Match" = String, Header, description = "ETag of the group as last read")),
    responses((status = 200, description = "The ended group", body = Group), ChangeProblems)
)]
#[delete("/groups/{group_id}")]
pub async fn retire_group(
    state: Data<ApiState>,
    Signed(caller): Signed,
    group_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let group = state.app.retire_group(&caller, *group_id, expected).await?;
    Ok(record(group.version, &Group::from(group)))
}
