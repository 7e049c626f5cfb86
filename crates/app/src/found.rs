//! Founding a co-operative with its first coordinator, by whoever runs the server.

use cotyl_domain::Role;
use cotyl_store::{Scope, cooperatives, members};
use uuid::Uuid;

use crate::input::Problems;
use crate::sign_in::check_new_password;
use crate::{App, Error, Result};

/// What was founded.
#[derive(Debug, Clone, Copy)]
pub struct Founded {
    /// The co-operative.
    pub cooperative_id: Uuid,
    /// Its first coordinator.
    pub coordinator_id: Uuid,
}

impl App {
    /// Founds a co-operative and gives it a coordinator who can sign in at once.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a name, address or password that cannot be accepted.
    pub async fn found(
        &self,
        cooperative: &str,
        coordinator: &str,
        email: &str,
        password: &str,
    ) -> Result<Founded> {
        let email = email.trim().to_lowercase();
        let mut problems = Problems::new();
        problems.name("/cooperative", cooperative);
        problems.name("/coordinator", coordinator);
        check_email(&mut problems, "/email", &email);
        problems.finish()?;
        check_new_password("/password", password)?;
        let hash = self.passwords.hash(password).await?;
        let (cooperative_id, coordinator_id) = (self.new_id(), self.new_id());
        self.store()
            .write("found", Scope::System, async |tx| {
                cooperatives::insert(tx, cooperative_id, cooperative.trim()).await?;
                members::insert(
                    tx,
                    cooperative_id,
                    coordinator_id,
                    coordinator.trim(),
                    &email,
                    Some(&hash),
                )
                .await?;
                members::insert_grant(
                    tx,
                    cooperative_id,
                    self.new_id(),
                    coordinator_id,
                    Role::Coordinator,
                    None,
                    None,
                )
                .await?;
                Ok::<_, Error>(())
            })
            .await?;
        Ok(Founded {
            cooperative_id,
            coordinator_id,
        })
    }
}

/// An address that mail could reach: one `@`, something on both sides, no spaces. Mail itself is the test.
pub(crate) fn check_email(problems: &mut Problems, pointer: &str, email: &str) {
    let fits = email.len() <= 254
        && !email.chars().any(|c| c.is_whitespace() || c.is_control())
        && email.split_once('@').is_some_and(|(name, host)| {
            !name.is_empty() && !host.is_empty() && !host.contains('@')
        });
    problems.require(
        fits,
        pointer,
        "format",
        "must be an e-mail address such as ada@example.org",
    );
}
