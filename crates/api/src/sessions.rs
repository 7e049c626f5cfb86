//! Signing in, refreshing and signing out.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse, delete, post};
use chrono::{DateTime, Utc};
use cotyl_app::sign_in::SignedIn;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{OpenBody, Signed, SignedBody, device};
use crate::problem::{EntranceProblems, ReadProblems, WriteProblems};
use crate::respond::Answer;
use crate::serve::ApiState;

/// What a member signs in with.
#[derive(Deserialize, ToSchema)]
pub struct SignInInput {
    /// E-mail address.
    #[schema(example = "ada@example.org")]
    email: String,
    /// Password.
    #[schema(format = Password, example = "correct horse battery")]
    password: String,
    /// Needed only when one address belongs to several co-operatives.
    cooperative_id: Option<Uuid>,
}

/// A refresh token.
#[derive(Deserialize, ToSchema)]
pub struct RefreshInput {
    /// The newest refresh token of the sign-in.
    #[schema(example = "Zm9yIHRoZSBleGFtcGxlIG9ubHk")]
    refresh_token: String,
}

/// A change of password.
#[derive(Deserialize, ToSchema)]
pub struct PasswordInput {
    /// The password now.
    #[schema(format = Password, example = "correct horse battery")]
    present_password: String,
    /// The password from now on: 10 to 200 characters.
    #[schema(format = Password, example = "staple of a longer kind")]
    new_password: String,
}

/// A sign-in.
#[derive(Serialize, ToSchema)]
pub struct Session {
    /// Sent with each request as `Authorization: Bearer`.
    access_token: String,
    /// When it expires.
    access_expires_at: DateTime<Utc>,
    /// Exchanged once for a new pair.
    refresh_token: String,
    /// When it expires.
    refresh_expires_at: DateTime<Utc>,
    /// The member.
    member_id: Uuid,
    /// The co-operative.
    cooperative_id: Uuid,
}

impl From<SignedIn> for Session {
    fn from(signed: SignedIn) -> Self {
        Self {
            access_token: signed.access_token,
            access_expires_at: signed.access_expires_at,
            refresh_token: signed.refresh_token,
            refresh_expires_at: signed.refresh_expires_at,
            member_id: signed.member_id,
            cooperative_id: signed.cooperative_id,
        }
    }
}

/// Sign in
#[utoipa::path(
    tag = "sign-in", operation_id = "sign_in", request_body = SignInInput, security(()),
    responses((status = 201, description = "Signed in", body = Session), EntranceProblems)
)]
#[post("/sessions")]
pub async fn sign_in(
    request: HttpRequest,
    state: Data<ApiState>,
    OpenBody(input): OpenBody<SignInInput>,
) -> Answer {
    state.throttle.attempt(&request, &input.email)?;
    let signed = state
        .app
        .sign_in(
            &input.email,
            &input.password,
            input.cooperative_id,
            &device(&request),
        )
        .await?;
    Ok(HttpResponse::Created().json(Session::from(signed)))
}

/// Exchange a refresh token for a new pair
///
/// Each refresh token works once. One that was used before ends the whole sign-in.
#[utoipa::path(
    tag = "sign-in", operation_id = "refresh_session", request_body = RefreshInput, security(()),
    responses((status = 201, description = "A new pair of tokens", body = Session), EntranceProblems)
)]
#[post("/sessions/refreshes")]
pub async fn refresh_session(
    request: HttpRequest,
    state: Data<ApiState>,
    OpenBody(input): OpenBody<RefreshInput>,
) -> Answer {
    state
        .throttle
        .attempt(&request, &cotyl_app::keys::short_mark(&input.refresh_token))?;
    let signed = state.app.refresh(&input.refresh_token).await?;
    Ok(HttpResponse::Created().json(Session::from(signed)))
}

/// Sign out
#[utoipa::path(
    tag = "sign-in", operation_id = "sign_out",
    responses((status = 204, description = "Signed out"), ReadProblems)
)]
#[delete("/sessions/current")]
pub async fn sign_out(state: Data<ApiState>, Signed(caller): Signed) -> Answer {
    state.app.sign_out(&caller).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Change your password
///
/// Ends your sign-ins on other devices.
#[utoipa::path(
    tag = "sign-in", operation_id = "change_password", request_body = PasswordInput,
    responses((status = 204, description = "Changed"), WriteProblems)
)]
#[post("/me/password")]
pub async fn change_password(
    request: HttpRequest,
    state: Data<ApiState>,
    signed: SignedBody<PasswordInput>,
) -> Answer {
    state
        .throttle
        .attempt(&request, &signed.caller.member_id.to_string())?;
    state
        .app
        .change_password(
            &signed.caller,
            &signed.body.present_password,
            &signed.body.new_password,
        )
        .await?;
    Ok(HttpResponse::NoContent().finish())
}
