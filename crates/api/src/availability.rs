//! When members can help.

use actix_web::web::{Data, Path};
use actix_web::{get, put};
use chrono::NaiveDate;
use cotyl_app::availability;
use cotyl_calendar::PeriodText;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{IfMatch, Signed, SignedBody};
use crate::problem::{ChangeProblems, ReadProblems};
use crate::respond::{Answer, record};
use crate::serve::ApiState;

/// A free period of a weekday, by the clock on the wall of the site where the work is.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct FreePeriod {
    /// `monday` to `sunday`.
    #[schema(example = "tuesday")]
    pub weekday: String,
    /// `HH:MM`.
    #[schema(example = "15:00")]
    pub from: String,
    /// `HH:MM`; `24:00` is the end of the day.
    #[schema(example = "17:30")]
    pub to: String,
}

/// Days on which a member is away, both included.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct DaysAway {
    /// The first.
    #[schema(example = "2026-10-12")]
    pub first_day: NaiveDate,
    /// The last.
    #[schema(example = "2026-10-16")]
    pub last_day: NaiveDate,
}

/// When a member can help.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct AvailabilityInput {
    /// Free periods of an ordinary week. Those of a day do not overlap.
    pub free_hours: Vec<FreePeriod>,
    /// Days away, at most 100 periods.
    #[serde(default)]
    pub days_away: Vec<DaysAway>,
}

/// When a member can help. Nobody is suggested for a task outside their free hours.
#[derive(Debug, Serialize, ToSchema)]
pub struct Availability {
    /// The member.
    pub member_id: Uuid,
    /// What they said; nothing while they have not.
    #[serde(flatten)]
    pub fields: AvailabilityInput,
}

impl From<availability::Availability> for Availability {
    fn from(kept: availability::Availability) -> Self {
        let free = |period: PeriodText| FreePeriod {
            weekday: period.weekday,
            from: period.opens,
            to: period.closes,
        };
        let away = |days: availability::DaysAway| DaysAway {
            first_day: days.first_day,
            last_day: days.last_day,
        };
        Self {
            member_id: kept.member_id,
            fields: AvailabilityInput {
                free_hours: kept.free_hours.into_iter().map(free).collect(),
                days_away: kept.days_away.into_iter().map(away).collect(),
            },
        }
    }
}

/// Read when a member can help
///
/// Coordinators and leads see everybody's, volunteers their own.
#[utoipa::path(
    tag = "members", operation_id = "read_availability",
    responses((status = 200, description = "When they can help", body = Availability), ReadProblems)
)]
#[get("/members/{member_id}/availability")]
pub async fn read_availability(
    state: Data<ApiState>,
    Signed(caller): Signed,
    member_id: Path<Uuid>,
) -> Answer {
    let kept = state.app.read_availability(&caller, *member_id).await?;
    Ok(record(kept.version, &Availability::from(kept)))
}

/// Say when a member can help
///
/// Replaces all that was said before. Coordinators for anyone, others for themselves.
#[utoipa::path(
    tag = "members", operation_id = "change_availability", request_body = AvailabilityInput,
    params(("If-Match" = String, Header, description = "ETag of the availability as last read")),
    responses((status = 200, description = "When they can help now", body = Availability), ChangeProblems)
)]
#[put("/members/{member_id}/availability")]
pub async fn change_availability(
    state: Data<ApiState>,
    member_id: Path<Uuid>,
    IfMatch(expected): IfMatch,
    signed: SignedBody<AvailabilityInput>,
) -> Answer {
    let free = |period: FreePeriod| PeriodText {
        weekday: period.weekday,
        opens: period.from,
        closes: period.to,
    };
    let away = |days: DaysAway| availability::DaysAway {
        first_day: days.first_day,
        last_day: days.last_day,
    };
    let free_hours: Vec<_> = signed.body.free_hours.into_iter().map(free).collect();
    let days_away: Vec<_> = signed.body.days_away.into_iter().map(away).collect();
    let kept = state
        .app
        .change_availability(
            &signed.caller,
            *member_id,
            expected,
            &free_hours,
            &days_away,
        )
        .await?;
    Ok(record(kept.version, &Availability::from(kept)))
}
