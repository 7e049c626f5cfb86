//! Signing in and out: short access tokens, rotating refresh tokens, and the end of a whole family
//! when an old one is used again.

use chrono::{DateTime, Duration, Utc};
use cotyl_domain::{FieldProblem, Operation};
use cotyl_store::{Scope, links, sessions};
use uuid::Uuid;

use crate::input::Problems;
use crate::keys::{random_token, token_hash};
use crate::passwords::{LEAST_CHARACTERS, MOST_CHARACTERS};
use crate::{App, Caller, Changed, Error, Result};

/// How long a refresh token may wait for its use.
pub const REFRESH_LIFETIME: Duration = Duration::days(30);

/// What a device gets when its member has signed in.
#[derive(Debug, Clone)]
pub struct SignedIn {
    /// Sent with each request.
    pub access_token: String,
    /// When it expires.
    pub access_expires_at: DateTime<Utc>,
    /// Exchanged once for a new pair.
    pub refresh_token: String,
    /// When it expires.
    pub refresh_expires_at: DateTime<Utc>,
    /// The member.
    pub member_id: Uuid,
    /// The co-operative.
    pub cooperative_id: Uuid,
}

/// A refresh token was presented.
enum Exchange {
    New(SignedIn),
    Refused(&'static str),
}

impl App {
    /// Signs a member in. One address may belong to several co-operatives; then the caller chooses.
    ///
    /// # Errors
    /// [`Error::Unauthenticated`] when address and password do not belong together, whichever is wrong.
    pub async fn sign_in(
        &self,
        email: &str,
        password: &str,
        cooperative_id: Option<Uuid>,
        device: &str,
    ) -> Result<SignedIn> {
        const WRONG: Error = Error::Unauthenticated("the address or the password is not right");
        if password.chars().count() > MOST_CHARACTERS {
            return Err(WRONG);
        }
        let email = email.trim().to_lowercase();
        let candidates: Vec<_> = self
            .store()
            .read(Scope::System, async |tx| {
                Ok::<_, Error>(sessions::candidates(tx, &email).await?)
            })
            .await?
            .into_iter()
            .filter(|c| cooperative_id.is_none_or(|id| id == c.cooperative_id))
            .collect();
        if candidates.is_empty() {
            self.passwords.verify(password, None).await?;
            return Err(WRONG);
        }
        let mut matching = Vec::new();
        for candidate in candidates {
            if self
                .passwords
                .verify(password, candidate.password_hash.as_deref())
                .await?
            {
                matching.push(candidate);
            }
        }
        match matching.as_slice() {
            [] => Err(WRONG),
            [one] => {
                self.begin_session(one.cooperative_id, one.member_id, device)
                    .await
            }
            several => Err(Error::Invalid(vec![FieldProblem::new(
                "/cooperative_id",
                "choose",
                format!(
                    "this address belongs to several co-operatives; send one of {}",
                    several
                        .iter()
                        .map(|c| format!("{} ({})", c.cooperative_id, c.cooperative_name))
                        .collect::<Vec<_>>()
                        .join(", ")
                ),
            )])),
        }
    }

    /// Begins a session for a member whose identity is proven.
    pub(crate) async fn begin_session(
        &self,
        cooperative_id: Uuid,
        member_id: Uuid,
        device: &str,
    ) -> Result<SignedIn> {
        let session_id = self.new_id();
        let now = self.clock().now();
        let refresh_token = random_token();
        let refresh_expires_at = now + REFRESH_LIFETIME;
        let device: String = device.chars().take(300).collect();
        self.store()
            .write("sign_in", Scope::Cooperative(cooperative_id), async |tx| {
                sessions::insert(tx, session_id, cooperative_id, member_id, &device, now).await?;
                sessions::insert_refresh_token(
                    tx,
                    self.new_id(),
                    cooperative_id,
                    session_id,
                    &token_hash(&refresh_token),
                    now,
                    refresh_expires_at,
                )
                .await?;
                Ok::<_, Error>(())
            })
            .await?;
        let (access_token, access_expires_at) =
            self.keys.sign(cooperative_id, member_id, session_id, now)?;
        Ok(SignedIn {
            access_token,
            access_expires_at,
            refresh_token,
            refresh_expires_at,
            member_id,
            cooperative_id,
        })
    }

    /// Exchanges a refresh token for a new pair. A token used before ends its whole family: either the
    /// member or somebody else holds a copy.
    ///
    /// # Errors
    /// [`Error::Unauthenticated`] when the token is unknown, expired, used before, or its session ended.
    pub async fn refresh(&self, refresh_token: &str) -> Result<SignedIn> {
        let now = self.clock().now();
        let presented = token_hash(refresh_token);
        let next = random_token();
        let exchange = self
            .store()
            .write("refresh_session", Scope::System, async |tx| {
                let Some(row) = sessions::lock_refresh_token(tx, &presented).await? else {
                    return Ok(Exchange::Refused("the refresh token is not valid"));
                };
                if row.ended_at.is_some() || row.member_retired_at.is_some() {
                    return Ok(Exchange::Refused("this sign-in has ended"));
                }
                if row.used_at.is_some() {
                    sessions::end(tx, row.session_id, "reused_token", now).await?;
                    return Ok(Exchange::Refused(
                        "the refresh token was used before, so this sign-in has been ended",
                    ));
                }
                if row.expires_at <= now {
                    sessions::end(tx, row.session_id, "expired", now).await?;
                    return Ok(Exchange::Refused("the refresh token has expired"));
                }
                sessions::use_refresh_token(tx, row.id, now).await?;
                let refresh_expires_at = now + REFRESH_LIFETIME;
                sessions::insert_refresh_token(
                    tx,
                    self.new_id(),
                    row.cooperative_id,
                    row.session_id,
                    &token_hash(&next),
                    now,
                    refresh_expires_at,
                )
                .await?;
                let (access_token, access_expires_at) =
                    self.keys
                        .sign(row.cooperative_id, row.member_id, row.session_id, now)?;
                Ok::<_, Error>(Exchange::New(SignedIn {
                    access_token,
                    access_expires_at,
                    refresh_token: next.clone(),
                    refresh_expires_at,
                    member_id: row.member_id,
                    cooperative_id: row.cooperative_id,
                }))
            })
            .await?;
        match exchange {
            Exchange::New(signed_in) => Ok(signed_in),
            Exchange::Refused(why) => Err(Error::Unauthenticated(why)),
        }
    }

    /// Ends the caller's session; its access tokens stop at once.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn sign_out(&self, caller: &Caller) -> Result<()> {
        self.write(Operation::SignOut, caller, async |tx, _| {
            let now = self.clock().now();
            sessions::end(tx, caller.session_id, "signed_out", now).await?;
            Ok(())
        })
        .await
    }

    /// Changes the caller's password and ends their other sessions.
    ///
    /// # Errors
    /// [`Error::Invalid`] when the present password is not right or the new one too short.
    pub async fn change_password(
        &self,
        caller: &Caller,
        present: &str,
        new_password: &str,
    ) -> Result<()> {
        check_new_password("/new_password", new_password)?;
        let kept = self
            .read(Operation::ChangePassword, caller, async |tx, actor| {
                Ok(sessions::password_of(tx, actor.member_id).await?)
            })
            .await?;
        if present.chars().count() > MOST_CHARACTERS
            || !self.passwords.verify(present, kept.as_deref()).await?
        {
            return Err(Error::field(
                "/present_password",
                "wrong",
                "this is not your present password",
            ));
        }
        let hash = self.passwords.hash(new_password).await?;
        self.write(Operation::ChangePassword, caller, async |tx, actor| {
            let now = self.clock().now();
            sessions::set_password(tx, actor.member_id, &hash).await?;
            links::void(tx, actor.member_id).await?;
            sessions::end_others(
                tx,
                actor.member_id,
                Some(caller.session_id),
                "password_changed",
                now,
            )
            .await?;
            let changed = Changed {
                noun: "member",
                id: actor.member_id,
            };
            self.audit(
                tx,
                Operation::ChangePassword,
                caller,
                changed,
                &serde_json::json!({}),
            )
            .await
        })
        .await
    }

    /// Who an access token speaks for.
    ///
    /// # Errors
    /// [`Error::Unauthenticated`] when it is not valid now.
    pub fn verify_access_token(&self, token: &str) -> Result<Caller> {
        self.keys.verify(token, self.clock().now())
    }
}

/// A new password is long enough and not absurdly long; nothing else is asked of it (NIST SP 800-63B).
pub(crate) fn check_new_password(pointer: &str, password: &str) -> Result<()> {
    let length = password.chars().count();
    let mut problems = Problems::new();
    if !(LEAST_CHARACTERS..=MOST_CHARACTERS).contains(&length) {
        problems.add(
            pointer,
            "length",
            format!("must have {LEAST_CHARACTERS} to {MOST_CHARACTERS} characters"),
        );
    }
    problems.finish()
}
