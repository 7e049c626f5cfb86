//! Password resets.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, post};
use chrono::{DateTime, Utc};
use cotyl_app::keys::short_mark;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{OpenBody, Signed, visitor};
use crate::problem::{EntranceProblems, WriteProblems};
use crate::respond::Answer;
use crate::serve::ApiState;

/// A password reset to hand over.
#[derive(Serialize, ToSchema)]
pub struct PasswordReset {
    /// The link.
    link_id: Uuid,
    /// Works once; hand it to the member and to nobody else. It is not shown again later.
    token: String,
    /// Until when it can be used.
    expires_at: DateTime<Utc>,
}

/// How a password reset is used.
#[derive(Deserialize, ToSchema)]
pub struct RedemptionInput {
    /// The token of the reset.
    #[schema(example = "Zm9yIHRoZSBleGFtcGxlIG9ubHk")]
    token: String,
    /// The password from now on: 10 to 200 characters.
    #[schema(format = Password, example = "staple of a longer kind")]
    new_password: String,
}

/// Make a password reset for a member
///
/// The token is valid for 24 hours, and an earlier one is void. The present password and the member's
/// sign-ins stay until it is used.
#[utoipa::path(
    tag = "members", operation_id = "reset_member_password",
    responses((status = 201, description = "The reset to hand over", body = PasswordReset), WriteProblems)
)]
#[post("/members/{member_id}/password_resets")]
pub async fn reset_member_password(
    state: Data<ApiState>,
    Signed(caller): Signed,
    member_id: Path<Uuid>,
) -> Answer {
    let link = state.app.reset_member_password(&caller, *member_id).await?;
    Ok(HttpResponse::Created().json(PasswordReset {
        link_id: link.id,
        token: state.app.link_token(&link),
        expires_at: link.expires_at,
    }))
}

/// Set a new password with a reset
///
/// Ends every sign-in of the member. A token works once.
#[utoipa::path(
    tag = "sign-in", operation_id = "redeem_password_reset", request_body = RedemptionInput, security(()),
    responses((status = 204, description = "The password is set"), EntranceProblems)
)]
#[post("/password_resets/redemptions")]
pub async fn redeem_password_reset(
    request: HttpRequest,
    state: Data<ApiState>,
    OpenBody(input): OpenBody<RedemptionInput>,
) -> Answer {
    state
        .throttle
        .attempt(&request, &short_mark(&input.token))?;
    state
        .app
        .redeem_password_reset(&visitor(&request), &input.token, &input.new_password)
        .await?;
    Ok(HttpResponse::NoContent().finish())
}
