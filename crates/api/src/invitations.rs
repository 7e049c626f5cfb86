//! Invitations.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse, post};
use chrono::{DateTime, Utc};
use cotyl_app::invitations::Invitation;
use cotyl_app::keys::short_mark;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::extract::{OpenBody, SignedBody, visitor};
use crate::members::{Member, MemberRole};
use crate::problem::{EntranceProblems, WriteProblems};
use crate::respond::{Answer, created};
use crate::serve::ApiState;
use crate::sessions::Session;

/// Who is invited.
#[derive(Deserialize, ToSchema)]
pub struct InvitationInput {
    /// Their name; they may change it when they accept.
    #[schema(example = "Bo Reed")]
    name: String,
    /// Their e-mail address, with which they will sign in.
    #[schema(example = "bo@example.org")]
    email: String,
    /// The roles they begin with.
    roles: Vec<MemberRole>,
}

/// An invitation to hand over.
#[derive(Serialize, ToSchema)]
pub struct InvitationAnswer {
    /// The link.
    link_id: Uuid,
    /// Works once; hand it to the member and to nobody else. It is not shown again later.
    token: String,
    /// Until when it can be used.
    expires_at: DateTime<Utc>,
    /// The member, who cannot sign in yet.
    member: Member,
}

/// How an invitation is accepted.
#[derive(Deserialize, ToSchema)]
pub struct AcceptanceInput {
    /// The token of the invitation.
    #[schema(example = "Zm9yIHRoZSBleGFtcGxlIG9ubHk")]
    token: String,
    /// The password from now on: 10 to 200 characters.
    #[schema(format = Password, example = "staple of a longer kind")]
    password: String,
    /// The member's name, where the invitation has it wrong.
    #[schema(example = "Bo Reed")]
    name: Option<String>,
}

/// Invite a member
///
/// The token is valid for 14 days. An address that was invited and has not accepted gets a fresh link, with
/// the name and the roles of the newest invitation; the link before is void.
#[utoipa::path(
    tag = "members", operation_id = "invite_member", request_body = InvitationInput,
    responses((status = 201, description = "Invited", body = InvitationAnswer), WriteProblems)
)]
#[post("/invitations")]
pub async fn invite_member(state: Data<ApiState>, signed: SignedBody<InvitationInput>) -> Answer {
    let invitation = Invitation {
        name: signed.body.name,
        email: signed.body.email,
        roles: signed.body.roles.into_iter().map(Into::into).collect(),
    };
    let invited = state.app.invite_member(&signed.caller, &invitation).await?;
    let answer = InvitationAnswer {
        link_id: invited.link.id,
        token: state.app.link_token(&invited.link),
        expires_at: invited.link.expires_at,
        member: Member::from(invited.member.clone()),
    };
    Ok(created(
        invited.member.version,
        &format!("/members/{}", invited.member.id),
        &answer,
    ))
}

/// Accept an invitation
///
/// Sets the password and signs in. A token works once.
#[utoipa::path(
    tag = "sign-in", operation_id = "accept_invitation", request_body = AcceptanceInput, security(()),
    responses((status = 201, description = "Accepted and signed in", body = Session), EntranceProblems)
)]
#[post("/invitations/acceptances")]
pub async fn accept_invitation(
    request: HttpRequest,
    state: Data<ApiState>,
    OpenBody(input): OpenBody<AcceptanceInput>,
) -> Answer {
    state
        .throttle
        .attempt(&request, &short_mark(&input.token))?;
    let signed = state
        .app
        .accept_invitation(
            &visitor(&request),
            &input.token,
            &input.password,
            input.name.as_deref(),
        )
        .await?;
    Ok(HttpResponse::Created().json(Session::from(signed)))
}
