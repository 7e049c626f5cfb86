//! What members are told by mail.

use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, get, put};
use chrono::{DateTime, NaiveTime, Utc};
use cotyl_app::notices::{self, MyNotices, NoticeChoice};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, PageQuery, Signed, SignedBody, page};
use crate::problem::{ChangeProblems, Problem, ReadProblems};
use crate::respond::{Answer, Listed, listed, one_more, record};
use crate::serve::ApiState;

/// A mail to a member.
#[derive(Debug, Serialize, ToSchema)]
pub struct Notice {
    /// The notice; its Message-ID is made of it.
    pub id: Uuid,
    /// To whom.
    pub member_id: Uuid,
    /// Their name.
    pub member_name: String,
    /// `invitation`, `password_reset`, `reminder`, `task_free`, `low_stock`, `week_at_risk` or
    /// `week_summary`.
    #[schema(example = "reminder")]
    pub kind: String,
    /// Its subject.
    pub subject: String,
    /// Its text. A link is put in as the mail is sent, and is never shown here.
    pub body: String,
    /// Whether a link is put in.
    pub has_link: bool,
    /// `waiting`, `sending`, `sent`, `given_up`, `withdrawn` when nobody needs it any more, or `expired`
    /// when it could not be sent in time.
    #[schema(example = "sent")]
    pub state: String,
    /// It is not sent before.
    pub due_at: DateTime<Utc>,
    /// Nor after.
    pub expires_at: DateTime<Utc>,
    /// How often it was tried.
    pub attempts: i32,
    /// Why it was not sent.
    pub failure: Option<String>,
    /// When it was sent.
    pub sent_at: Option<DateTime<Utc>>,
    /// When it was written.
    pub created_at: DateTime<Utc>,
}

impl From<notices::Notice> for Notice {
    fn from(kept: notices::Notice) -> Self {
        Self {
            id: kept.id,
            member_id: kept.member_id,
            member_name: kept.member_name,
            kind: kept.kind,
            subject: kept.subject,
            body: kept.body,
            has_link: kept.has_link,
            state: kept.state,
            due_at: kept.due_at,
            expires_at: kept.expires_at,
            attempts: kept.attempts,
            failure: kept.failure,
            sent_at: kept.sent_at,
            created_at: kept.created_at,
        }
    }
}

/// What you want to hear by mail, and when not.
#[derive(Debug, Deserialize, ToSchema)]
pub struct NoticeChoiceInput {
    /// Any of `reminder`, `task_free`, `low_stock`, `week_at_risk` and `week_summary`. Invitations and
    /// password resets are always sent. A reminder comes `reminder_minutes_ahead` before the work opens;
    /// of what was taken later than that on its morning, and of what was taken on the day itself two hours
    /// ahead at most.
    #[schema(example = json!(["reminder", "task_free"]))]
    pub kinds: Vec<String>,
    /// Mail waits from this time of day on, by the clock of the zone.
    #[schema(example = "21:00")]
    pub quiet_from: Option<String>,
    /// Until this one; past midnight where it is not later.
    #[schema(example = "07:00")]
    pub quiet_to: Option<String>,
    /// IANA zone of both; that of your site when left out.
    #[schema(example = "America/New_York")]
    pub zone: Option<String>,
    /// How many minutes before the work opens a reminder comes, from 30 to 10080, which is a week; 1440, a
    /// day, when left out. Whole days are counted by the clock of the site, so that a day before is the same
    /// time of day.
    #[schema(example = 1440, minimum = 30, maximum = 10080)]
    pub reminder_minutes_ahead: Option<i32>,
}

/// What you hear by mail.
#[derive(Debug, Serialize, ToSchema)]
pub struct NoticeChoices {
    /// Kinds that you want.
    #[schema(example = json!(["reminder", "task_free"]))]
    pub kinds: Vec<String>,
    /// Every kind that can be chosen.
    pub known_kinds: Vec<&'static str>,
    /// Mail waits from this time of day on.
    #[schema(example = "21:00")]
    pub quiet_from: Option<String>,
    /// Until this one.
    #[schema(example = "07:00")]
    pub quiet_to: Option<String>,
    /// The zone of both.
    #[schema(example = "America/New_York")]
    pub zone: String,
    /// How many minutes before the work opens a reminder comes.
    #[schema(example = 1440)]
    pub reminder_minutes_ahead: i32,
    /// Whether the zone is your own choice.
    pub zone_is_chosen: bool,
    /// Whether this server sends mail at all. If not, notices are kept and shown, and not sent.
    pub mail_is_sent: bool,
}

const CLOCK: &str = "%H:%M";

fn clock(pointer: &str, text: Option<&str>) -> Result<Option<NaiveTime>, Problem> {
    text.map(|text| {
        NaiveTime::parse_from_str(text, CLOCK)
            .map_err(|_| Problem::field(pointer, "format", "must be a time of day such as 21:00"))
    })
    .transpose()
}

fn wire(mine: MyNotices) -> NoticeChoices {
    let shown = |time: Option<NaiveTime>| time.map(|time| time.format(CLOCK).to_string());
    NoticeChoices {
        kinds: mine.choice.kinds,
        known_kinds: notices::CHOSEN_KINDS.map(|(kind, _)| kind).into(),
        quiet_from: shown(mine.choice.quiet_from),
        quiet_to: shown(mine.choice.quiet_to),
        reminder_minutes_ahead: mine.choice.reminder_minutes_ahead,
        zone_is_chosen: mine.choice.zone.is_some(),
        zone: mine.zone,
        mail_is_sent: mine.mail_is_sent,
    }
}

/// List mail to members
///
/// The newest first: all for coordinators, their own for others. Where no mail is sent, this shows what
/// would have gone out.
#[utoipa::path(
    tag = "members", operation_id = "list_notices", params(PageQuery),
    responses((status = 200, description = "A page of notices", body = Listed<Notice>), ReadProblems)
)]
#[get("/notices")]
pub async fn list_notices(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<PageQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let kept = state.app.list_notices(&caller, one_more(page)).await?;
    Ok(listed(&request, page, kept, |n| n.id, Notice::from))
}

/// Read what you hear by mail
#[utoipa::path(
    tag = "members", operation_id = "read_notice_choices",
    responses((status = 200, description = "Your choice, or what is usual", body = NoticeChoices), ReadProblems)
)]
#[get("/me/notice_choices")]
pub async fn read_notice_choices(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    let mine = state.app.read_notice_choices(&caller).await?;
    Ok(record(mine.choice.version, &wire(mine)))
}

/// Choose what you hear by mail
///
/// Mail that is due in quiet hours waits for their end.
#[utoipa::path(
    tag = "members", operation_id = "choose_notices", request_body = NoticeChoiceInput,
    params(("If-Match" = String, Header, description = "ETag of the choice as last read")),
    responses((status = 200, description = "Your choice now", body = NoticeChoices), ChangeProblems)
)]
#[put("/me/notice_choices")]
pub async fn choose_notices(
    state: Data<ApiState>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<NoticeChoiceInput>,
) -> Answer {
    let input = signed.body;
    let chosen = NoticeChoice {
        kinds: input.kinds,
        quiet_from: clock("/quiet_from", input.quiet_from.as_deref())?,
        quiet_to: clock("/quiet_to", input.quiet_to.as_deref())?,
        zone: input.zone,
        reminder_minutes_ahead: input
            .reminder_minutes_ahead
            .unwrap_or_else(notices::usual_reminder_minutes),
        version: 0,
    };
    let mine = state
        .app
        .choose_notices(&signed.caller, expected, &chosen)
        .await?;
    Ok(record(mine.choice.version, &wire(mine)))
}
