//! Keys that sign access tokens (Ed25519, RFC 8037) and derive link tokens.
//!
//! The token profile follows RFC 8725: one algorithm, fixed by the key and never by the token;
//! issuer, audience and expiry checked; `kid` only chooses among our own keys.

use std::collections::BTreeMap;
use std::sync::{Arc, PoisonError, RwLock};

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Duration, Utc};
use cotyl_domain::Clock;
use cotyl_store::signing_keys::{self, SigningKeyRow};
use cotyl_store::{Scope, Store, Tx, links};
use ed25519_dalek::SigningKey;
use ed25519_dalek::pkcs8::EncodePrivateKey;
use hmac::{Hmac, Mac};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use quick_cache::sync::Cache;
use rand::RngCore;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::{App, Caller, Error, Result};

/// Issuer of access tokens.
pub const ISSUER: &str = "cotyl";
/// Audience of access tokens.
pub const AUDIENCE: &str = "cotyl-api";
/// How long an access token lives.
pub const ACCESS_LIFETIME: Duration = Duration::minutes(15);

#[derive(Debug, Serialize, Deserialize)]
struct Claims {
    iss: String,
    aud: String,
    sub: Uuid,
    /// the co-operative
    coop: Uuid,
    /// the sign-in
    sid: Uuid,
    iat: i64,
    exp: i64,
}

/// What a token said whose signature was checked.
#[derive(Debug, Clone, Copy)]
struct Verified {
    sub: Uuid,
    coop: Uuid,
    sid: Uuid,
    exp: i64,
}

/// Tokens whose signature need not be checked again: a volunteer's page sends many requests with one.
const MOST_KEPT: usize = 2000;

struct SigningPair {
    encoding: EncodingKey,
    link_secret: [u8; 32],
}

/// The keys in use, as they were read.
struct Keys {
    newest: Uuid,
    signing: SigningPair,
    verifying: BTreeMap<String, DecodingKey>,
    verified: Cache<String, Verified>,
}

/// The server's keys; its copies follow one another.
#[derive(Clone)]
pub struct KeyRing {
    keys: Arc<RwLock<Arc<Keys>>>,
}

/// What came of making a new key.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RenewedKeys {
    /// Keys that are retired.
    pub retired: u64,
    /// Links that wait for their use and have another token now.
    pub links: usize,
}

impl KeyRing {
    /// Reads the keys, making the first one on a new database; servers that start at once agree on it.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn load(store: &Store, clock: &dyn Clock) -> Result<Self> {
        let rows = store
            .write("load_keys", Scope::System, async |tx| {
                signing_keys::lock(tx).await?;
                let rows = signing_keys::list(tx).await?;
                if !rows.is_empty() {
                    return Ok::<_, Error>(rows);
                }
                insert_new(tx, clock).await?;
                Ok(signing_keys::list(tx).await?)
            })
            .await?;
        Ok(Self {
            keys: Arc::new(RwLock::new(Arc::new(Keys::of(&rows)?))),
        })
    }

    /// Reads the keys again: another process may have made a new one. Whether it has.
    ///
    /// # Errors
    /// Those of the database.
    async fn follow(&self, store: &Store) -> Result<bool> {
        let rows = store
            .read(Scope::System, async |tx| {
                Ok::<_, Error>(signing_keys::list(tx).await?)
            })
            .await?;
        if rows.last().is_none_or(|row| row.id == self.now().newest) {
            return Ok(false);
        }
        self.hold(Keys::of(&rows)?);
        Ok(true)
    }

    /// Makes a new key and retires the others: access tokens signed so far are void, and links that wait for
    /// their use have another token, so that none can be derived from a key somebody else may know.
    ///
    /// # Errors
    /// Those of the database.
    async fn renew(&self, store: &Store, clock: &dyn Clock) -> Result<RenewedKeys> {
        let (rows, renewed) = store
            .write("renew_keys", Scope::System, async |tx| {
                signing_keys::lock(tx).await?;
                let retired = signing_keys::retire_all(tx, clock.now()).await?;
                insert_new(tx, clock).await?;
                let rows = signing_keys::list(tx).await?;
                let keys = Keys::of(&rows)?;
                let links = links::lock_unused(tx).await?;
                for &id in &links {
                    links::set_token(tx, id, &token_hash(&keys.link_token(id))).await?;
                }
                let links = links.len();
                Ok::<_, Error>((rows, RenewedKeys { retired, links }))
            })
            .await?;
        self.hold(Keys::of(&rows)?);
        Ok(renewed)
    }

    fn now(&self) -> Arc<Keys> {
        // whoever panicked while holding the lock had only an Arc to put there
        let keys = self.keys.read().unwrap_or_else(PoisonError::into_inner);
        Arc::clone(&keys)
    }

    fn hold(&self, keys: Keys) {
        *self.keys.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(keys);
    }

    /// An access token, with the instant at which it expires.
    ///
    /// # Errors
    /// When signing fails.
    pub fn sign(
        &self,
        cooperative_id: Uuid,
        member_id: Uuid,
        session_id: Uuid,
        now: DateTime<Utc>,
    ) -> Result<(String, DateTime<Utc>)> {
        let keys = self.now();
        let expires_at = now + ACCESS_LIFETIME;
        let header = Header {
            alg: Algorithm::EdDSA,
            kid: Some(keys.newest.to_string()),
            ..Header::default()
        };
        let claims = Claims {
            iss: ISSUER.to_owned(),
            aud: AUDIENCE.to_owned(),
            sub: member_id,
            coop: cooperative_id,
            sid: session_id,
            iat: now.timestamp(),
            exp: expires_at.timestamp(),
        };
        let token = jsonwebtoken::encode(&header, &claims, &keys.signing.encoding)
            .map_err(Error::internal)?;
        Ok((token, expires_at))
    }

    /// Who an access token speaks for. The clock is the application's, so that tests can move it.
    ///
    /// # Errors
    /// [`Error::Unauthenticated`] for a token that is forged, expired, for another audience or unreadable.
    pub fn verify(&self, token: &str, now: DateTime<Utc>) -> Result<Caller> {
        let keys = self.now();
        let claims = match keys.verified.get(token) {
            Some(claims) => claims,
            None => {
                let claims = keys.checked(token)?;
                keys.verified.insert(token.to_owned(), claims);
                claims
            }
        };
        if claims.exp <= now.timestamp() {
            keys.verified.remove(token);
            return Err(Error::Unauthenticated("the access token has expired"));
        }
        Ok(Caller {
            cooperative_id: claims.coop,
            member_id: claims.sub,
            session_id: claims.sid,
            device: String::new(),
            request_id: String::new(),
            idempotency: None,
            on_behalf_of: None,
        })
    }

    /// The token of a link, derived from its id: shown again to whoever repeats the request that made
    /// it, and never kept.
    pub fn link_token(&self, link_id: Uuid) -> String {
        self.now().link_token(link_id)
    }
}

impl App {
    /// Makes a new key and retires the others, as when somebody may have got at the database or a copy of it.
    /// Who is signed in stays so by the refresh token; other processes on the database follow within a minute.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn renew_keys(&self) -> Result<RenewedKeys> {
        self.keys.renew(self.store(), self.clock()).await
    }

    /// Follows a key that another process made. Whether there was one.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn follow_keys(&self) -> Result<bool> {
        self.keys.follow(self.store()).await
    }
}

async fn insert_new(tx: &mut Tx, clock: &dyn Clock) -> Result<()> {
    let mut secret = [0_u8; 32];
    fill_random(&mut secret);
    let public = SigningKey::from_bytes(&secret).verifying_key().to_bytes();
    signing_keys::insert(tx, crate::new_id(clock), &secret, &public).await?;
    Ok(())
}

impl Keys {
    /// Keys of rows, oldest first.
    fn of(rows: &[SigningKeyRow]) -> Result<Self> {
        let newest = rows
            .last()
            .ok_or_else(|| Error::internal("no signing key"))?;
        let secret: [u8; 32] = newest
            .private_key
            .as_slice()
            .try_into()
            .map_err(|_| Error::internal("a signing key of a wrong length"))?;
        let der = SigningKey::from_bytes(&secret)
            .to_pkcs8_der()
            .map_err(|e| Error::internal(e.to_string()))?;
        let verifying = rows
            .iter()
            .map(|key| {
                let x = URL_SAFE_NO_PAD.encode(&key.public_key);
                Ok((
                    key.id.to_string(),
                    DecodingKey::from_ed_components(&x).map_err(Error::internal)?,
                ))
            })
            .collect::<Result<_>>()?;
        Ok(Self {
            newest: newest.id,
            signing: SigningPair {
                encoding: EncodingKey::from_ed_der(der.as_bytes()),
                link_secret: derive(&secret, b"link tokens"),
            },
            verifying,
            verified: Cache::new(MOST_KEPT),
        })
    }

    /// What a token says, when its signature, issuer and audience are ours. Its expiry is not looked at.
    fn checked(&self, token: &str) -> Result<Verified> {
        let refused = || Error::Unauthenticated("the access token is not valid");
        if token.len() > 2000 {
            return Err(refused());
        }
        let header = jsonwebtoken::decode_header(token).map_err(|_| refused())?;
        let key = header
            .kid
            .as_ref()
            .and_then(|kid| self.verifying.get(kid))
            .ok_or_else(refused)?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_issuer(&[ISSUER]);
        validation.set_audience(&[AUDIENCE]);
        validation.set_required_spec_claims(&["exp", "iss", "aud", "sub"]);
        validation.validate_exp = false;
        let claims = jsonwebtoken::decode::<Claims>(token, key, &validation)
            .map_err(|_| refused())?
            .claims;
        Ok(Verified {
            sub: claims.sub,
            coop: claims.coop,
            sid: claims.sid,
            exp: claims.exp,
        })
    }

    fn link_token(&self, link_id: Uuid) -> String {
        URL_SAFE_NO_PAD.encode(derive(&self.signing.link_secret, link_id.as_bytes()))
    }
}

/// A new random token of 256 bits.
pub fn random_token() -> String {
    let mut bytes = [0_u8; 32];
    fill_random(&mut bytes);
    URL_SAFE_NO_PAD.encode(bytes)
}

/// What is kept of a token: random tokens need no salt.
pub fn token_hash(token: &str) -> Vec<u8> {
    Sha256::digest(token.as_bytes()).to_vec()
}

#[allow(clippy::disallowed_methods)] // secrets come from the random device
fn fill_random(bytes: &mut [u8]) {
    rand::rng().fill_bytes(bytes);
}

fn derive(secret: &[u8; 32], label: &[u8]) -> [u8; 32] {
    // HMAC takes keys of any length
    match Hmac::<Sha256>::new_from_slice(secret) {
        Ok(mut mac) => {
            mac.update(label);
            mac.finalize().into_bytes().into()
        }
        Err(_) => unreachable!("HMAC accepts every key length"),
    }
}

/// A short mark of a token for counting attempts; says nothing about the token.
pub fn short_mark(token: &str) -> String {
    URL_SAFE_NO_PAD.encode(&token_hash(token)[..9])
}
