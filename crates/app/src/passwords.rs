//! Passwords: Argon2id, hashed away from the request threads and never two at a time too many.

use std::sync::Arc;

use argon2::{Argon2, Params, PasswordHash, PasswordHasher, PasswordVerifier};
use tokio::sync::Semaphore;

use crate::{Error, Result};

/// Fewest characters of a password (NIST SP 800-63B section 5.1.1.2 asks for at least 8).
pub const LEAST_CHARACTERS: usize = 10;
/// Most characters; longer input is refused before it is hashed.
pub const MOST_CHARACTERS: usize = 200;

/// Hashes and verifies passwords.
#[derive(Clone)]
pub struct Passwords {
    argon2: Argon2<'static>,
    at_once: Arc<Semaphore>,
    /// verified when no member has the address, so that an answer takes as long either way
    decoy: Arc<str>,
}

impl Passwords {
    /// With the parameters of RFC 9106's second recommended option reduced to the 19 MiB, 2 passes
    /// that OWASP lists as equivalent for small servers.
    pub fn standard() -> Self {
        Self::with(Params::default())
    }

    /// With little work, for tests only.
    ///
    /// # Errors
    /// When the hashing library refuses its own least parameters.
    pub fn fast_for_tests() -> Result<Self> {
        let params = Params::new(Params::MIN_M_COST, 1, 1, None).map_err(text)?;
        Ok(Self::with(params))
    }

    fn with(params: Params) -> Self {
        // as much work to verify as a real one, and matched by no password
        let decoy = format!(
            "$argon2id$v=19$m={},t={},p={}${:A<22}${:A<43}",
            params.m_cost(),
            params.t_cost(),
            params.p_cost(),
            "",
            ""
        );
        Self {
            argon2: Argon2::new(argon2::Algorithm::Argon2id, argon2::Version::V0x13, params),
            at_once: Arc::new(Semaphore::new(2)),
            decoy: decoy.into(),
        }
    }

    /// The hash to keep.
    ///
    /// # Errors
    /// When the random device fails.
    pub async fn hash(&self, password: &str) -> Result<String> {
        let (argon2, password) = (self.argon2.clone(), password.to_owned());
        self.away(move || {
            argon2
                .hash_password(password.as_bytes())
                .map(|hash| hash.to_string())
                .map_err(text)
        })
        .await?
    }

    /// Whether the password belongs to the hash; takes as long without a hash.
    ///
    /// # Errors
    /// When the kept hash cannot be read.
    pub async fn verify(&self, password: &str, hash: Option<&str>) -> Result<bool> {
        let known = hash.is_some();
        let hash = hash.unwrap_or(&self.decoy).to_owned();
        let (argon2, password) = (self.argon2.clone(), password.to_owned());
        let matches = self
            .away(move || -> Result<bool> {
                let hash = PasswordHash::new(&hash).map_err(text)?;
                Ok(argon2.verify_password(password.as_bytes(), &hash).is_ok())
            })
            .await??;
        Ok(matches && known)
    }

    async fn away<R: Send + 'static>(
        &self,
        work: impl FnOnce() -> R + Send + 'static,
    ) -> Result<R> {
        let _turn = self.at_once.acquire().await.map_err(Error::internal)?;
        tokio::task::spawn_blocking(work)
            .await
            .map_err(Error::internal)
    }
}

fn text(error: impl std::fmt::Display) -> Error {
    Error::internal(error.to_string())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use argon2::password_hash::Error as HashError;

    use super::*;

    #[test]
    fn the_decoy_is_worked_through_like_a_real_hash() {
        for passwords in [Passwords::standard(), Passwords::fast_for_tests().unwrap()] {
            let decoy = PasswordHash::new(&passwords.decoy).unwrap();
            let real = passwords.argon2.hash_password(b"nobody").unwrap();
            assert_eq!(decoy.params.as_str(), real.params.as_str());
            assert_eq!(decoy.hash.map(|h| h.len()), real.hash.map(|h| h.len()));
            // an error of another kind would mean that it gave up before the work
            assert_eq!(
                passwords.argon2.verify_password(b"nobody", &decoy),
                Err(HashError::PasswordInvalid)
            );
        }
    }
}
