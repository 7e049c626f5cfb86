//! Recipients.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, delete, get, post, put};
use chrono::{DateTime, Utc};
use cotyl_app::records;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, RecordsQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, created, listed, one_more, record};
use crate::serve::ApiState;

/// What a recipient is.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RecipientKind {
    /// Hands food out.
    Pantry,
    /// Cooks it.
    Kitchen,
    /// Households that take it home.
    Families,
}

/// A day of the week.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum WeekdayName {
    Monday,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

const WEEK: [WeekdayName; 7] = [
    WeekdayName::Monday,
    WeekdayName::Tuesday,
    WeekdayName::Wednesday,
    WeekdayName::Thursday,
    WeekdayName::Friday,
    WeekdayName::Saturday,
    WeekdayName::Sunday,
];

impl WeekdayName {
    /// 1 for Monday to 7 for Sunday.
    fn iso_number(self) -> i16 {
        self as i16 + 1
    }
}

/// What a recipient is described by.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct RecipientInput {
    /// Unique among the recipients of the co-operative.
    #[schema(example = "Corner pantry")]
    pub name: String,
    /// What it is.
    pub kind: RecipientKind,
    /// Whom to call and where to bring the trays, at most 500 characters; empty when left out.
    #[serde(default)]
    #[schema(example = "Ring at the yard door")]
    pub contact: String,
    /// Weekdays on which it receives produce.
    pub delivery_weekdays: Vec<WeekdayName>,
    /// Days that cut greens may wait for the next delivery, 0 to 14; 2 when left out.
    #[serde(default = "two_days")]
    #[schema(example = 2)]
    pub keep_days: i32,
}

fn two_days() -> i32 {
    2
}

/// A recipient.
#[derive(Debug, Serialize, ToSchema)]
pub struct Recipient {
    /// The recipient.
    pub id: Uuid,
    /// Its description.
    #[serde(flatten)]
    pub fields: RecipientInput,
    /// When it was described first.
    pub created_at: DateTime<Utc>,
    /// When it was changed last.
    pub updated_at: DateTime<Utc>,
    /// Since when it is out of use.
    pub retired_at: Option<DateTime<Utc>>,
}

impl From<RecipientInput> for records::RecipientFields {
    fn from(input: RecipientInput) -> Self {
        Self {
            name: input.name,
            kind: match input.kind {
                RecipientKind::Pantry => "pantry",
                RecipientKind::Kitchen => "kitchen",
                RecipientKind::Families => "families",
            }
            .to_owned(),
            contact: input.contact,
            delivery_weekdays: input
                .delivery_weekdays
                .into_iter()
                .map(WeekdayName::iso_number)
                .collect(),
            keep_days: input.keep_days,
        }
    }
}

impl From<records::Recipient> for Recipient {
    fn from(recipient: records::Recipient) -> Self {
        let weekdays = recipient.fields.delivery_weekdays;
        Self {
            id: recipient.id,
            fields: RecipientInput {
                name: recipient.fields.name,
                kind: match recipient.fields.kind.as_str() {
                    "kitchen" => RecipientKind::Kitchen,
                    "families" => RecipientKind::Families,
                    _ => RecipientKind::Pantry,
                },
                contact: recipient.fields.contact,
                delivery_weekdays: WEEK
                    .into_iter()
                    .filter(|day| weekdays.contains(&day.iso_number()))
                    .collect(),
                keep_days: recipient.fields.keep_days,
            },
            created_at: recipient.created_at,
            updated_at: recipient.updated_at,
            retired_at: recipient.retired_at,
        }
    }
}

/// List recipients; readers see their own
#[utoipa::path(
    tag = "recipients", operation_id = "list_recipients", params(RecordsQuery),
    responses((status = 200, description = "A page of recipients", body = Listed<Recipient>), ReadProblems)
)]
#[get("/recipients")]
pub async fn list_recipients(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<RecordsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let recipients = state
        .app
        .list_recipients(&caller, query.with_retired, one_more(page))
        .await?;
    Ok(listed(
        &request,
        page,
        recipients,
        |r| r.id,
        Recipient::from,
    ))
}

/// Describe a new recipient
#[utoipa::path(
    tag = "recipients", operation_id = "create_recipient", request_body = RecipientInput,
    responses((status = 201, description = "Described", body = Recipient), WriteProblems)
)]
#[post("/recipients")]
pub async fn create_recipient(state: Data<ApiState>, signed: SignedBody<RecipientInput>) -> Answer {
    let recipient = state
        .app
        .create_recipient(&signed.caller, &signed.body.into())
        .await?;
    Ok(created(
        recipient.version,
        &format!("/recipients/{}", recipient.id),
        &Recipient::from(recipient),
    ))
}

/// Read a recipient
#[utoipa::path(
    tag = "recipients", operation_id = "read_recipient",
    responses((status = 200, description = "The recipient", body = Recipient), ReadProblems)
)]
#[get("/recipients/{recipient_id}")]
pub async fn read_recipient(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recipient_id: Path<Uuid>,
) -> Answer {
    let recipient = state.app.read_recipient(&caller, *recipient_id).await?;
    Ok(record(recipient.version, &Recipient::from(recipient)))
}

/// Change a recipient
#[utoipa::path(
    tag = "recipients", operation_id = "change_recipient", request_body = RecipientInput,
    params(("If-Match" = String, Header, description = "ETag of the recipient as last read")),
    responses((status = 200, description = "The recipient now", body = Recipient), ChangeProblems)
)]
#[put("/recipients/{recipient_id}")]
pub async fn change_recipient(
    state: Data<ApiState>,
    recipient_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<RecipientInput>,
) -> Answer {
    let recipient = state
        .app
        .change_recipient(&signed.caller, *recipient_id, expected, &signed.body.into())
        .await?;
    Ok(record(recipient.version, &Recipient::from(recipient)))
}

/// Take a recipient out of use
#[utoipa::path(
    tag = "recipients", operation_id = "retire_recipient",
    params(("If-Match" = String, Header, description = "ETag of the recipient as last read")),
    responses((status = 200, description = "The retired recipient", body = Recipient), ChangeProblems)
)]
#[delete("/recipients/{recipient_id}")]
pub async fn retire_recipient(
    state: Data<ApiState>,
    Signed(caller): Signed,
    recipient_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
) -> Answer {
    let recipient = state
        .app
        .retire_recipient(&caller, *recipient_id, expected)
        .await?;
    Ok(record(recipient.version, &Recipient::from(recipient)))
}
