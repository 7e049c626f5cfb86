//! Transactions: the only way to the database.

use std::time::Duration;

use rand::Rng;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{AssertSqlSafe, PgConnection, PgPool, Postgres, Transaction};
use uuid::Uuid;

use crate::Error;

/// How often a write that lost against another is done again.
const MOST_ATTEMPTS: u32 = 6;

/// For whom a transaction works; the database shows and accepts nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// One co-operative.
    Cooperative(Uuid),
    /// The server itself: sign-in before the member is known, signing keys, leasing jobs.
    System,
}

impl Scope {
    fn settings(self) -> String {
        match self {
            // a Uuid prints as hexadecimal digits and hyphens only, so it cannot break out of the quotes
            Scope::Cooperative(id) => format!("set local cotyl.cooperative = '{id}'"),
            Scope::System => "set local cotyl.system = 'on'".to_owned(),
        }
    }
}

/// Limits of the connection pool and of what a statement may take.
#[derive(Debug, Clone)]
pub struct PoolSettings {
    /// Most connections.
    pub connections: u32,
    /// Longest wait for a free connection.
    pub wait: Duration,
    /// Longest statement.
    pub statement: Duration,
    /// Longest pause inside a transaction.
    pub idle_in_transaction: Duration,
}

impl Default for PoolSettings {
    fn default() -> Self {
        Self {
            connections: 12,
            wait: Duration::from_secs(5),
            statement: Duration::from_secs(20),
            idle_in_transaction: Duration::from_secs(30),
        }
    }
}

/// The database.
#[derive(Debug, Clone)]
pub struct Store {
    pool: PgPool,
}

/// An open transaction. It exists only inside [`Store::read`] and [`Store::write`].
#[derive(Debug)]
pub struct Tx {
    inner: Transaction<'static, Postgres>,
    scope: Scope,
}

impl Tx {
    /// The connection, for statements of this crate.
    pub(crate) fn connection(&mut self) -> &mut PgConnection {
        &mut self.inner
    }

    /// The co-operative the transaction works for; the nil id in system scope.
    pub fn cooperative_id(&self) -> Uuid {
        match self.scope {
            Scope::Cooperative(id) => id,
            Scope::System => Uuid::nil(),
        }
    }
}

/// Tells whether an error means that the same work may succeed when done again.
pub trait Transient {
    /// True for serialization failures and deadlocks.
    fn is_transient(&self) -> bool;
}

impl Transient for Error {
    fn is_transient(&self) -> bool {
        matches!(self, Error::Transient(_))
    }
}

impl Store {
    /// A pool of connections; none is opened before it is needed.
    pub fn new(options: PgConnectOptions, settings: &PoolSettings) -> Self {
        let options = options.application_name("cotyl").options([
            (
                "statement_timeout",
                settings.statement.as_millis().to_string(),
            ),
            (
                "idle_in_transaction_session_timeout",
                settings.idle_in_transaction.as_millis().to_string(),
            ),
            ("lock_timeout", "10000".to_owned()),
            ("TimeZone", "UTC".to_owned()),
        ]);
        let pool = PgPoolOptions::new()
            .max_connections(settings.connections)
            .acquire_timeout(settings.wait)
            .test_before_acquire(false)
            .connect_lazy_with(options);
        Self { pool }
    }

    /// The pool, for migrations and for tests that look behind the interface.
    pub fn pool(&self) -> &PgPool {
        &self.pool
    }

    async fn begin(&self, begin: &str, scope: Scope) -> Result<Tx, Error> {
        let statement = format!("{begin}; {}", scope.settings());
        // a pooled connection may have died with its server: a second try takes a fresh one
        let inner = match self.pool.begin_with(AssertSqlSafe(statement.clone())).await {
            Err(sqlx::Error::Io(_)) => self.pool.begin_with(AssertSqlSafe(statement)).await?,
            other => other?,
        };
        Ok(Tx { inner, scope })
    }

    /// Reads from one snapshot.
    ///
    /// # Errors
    /// Those of `body`, and those of the database.
    pub async fn read<R, E>(
        &self,
        scope: Scope,
        body: impl AsyncFnOnce(&mut Tx) -> Result<R, E>,
    ) -> Result<R, E>
    where
        E: From<Error>,
    {
        let mut tx = self
            .begin("begin isolation level repeatable read read only", scope)
            .await?;
        let result = body(&mut tx).await?;
        tx.inner.commit().await.map_err(Error::from)?;
        Ok(result)
    }

    /// Writes, all or nothing. A body that lost against another transaction is run again, so it
    /// touches nothing but rows. `name` counts the repetitions in the metrics.
    ///
    /// # Errors
    /// Those of `body`, and those of the database.
    pub async fn write<R, E>(
        &self,
        name: &'static str,
        scope: Scope,
        body: impl AsyncFn(&mut Tx) -> Result<R, E>,
    ) -> Result<R, E>
    where
        E: From<Error> + Transient,
    {
        let mut attempt = 1;
        loop {
            let outcome = self.write_once(scope, &body).await;
            match outcome {
                Err(error) if error.is_transient() && attempt < MOST_ATTEMPTS => {
                    metrics::counter!("cotyl_write_repetitions_total", "write" => name)
                        .increment(1);
                    let pause = random_pause(attempt);
                    tokio::time::sleep(pause).await;
                    attempt += 1;
                }
                other => return other,
            }
        }
    }

    async fn write_once<R, E>(
        &self,
        scope: Scope,
        body: &impl AsyncFn(&mut Tx) -> Result<R, E>,
    ) -> Result<R, E>
    where
        E: From<Error> + Transient,
    {
        let mut tx = self
            .begin("begin isolation level read committed", scope)
            .await?;
        match body(&mut tx).await {
            Ok(result) => {
                tx.inner.commit().await.map_err(Error::from)?;
                Ok(result)
            }
            Err(error) => {
                // the answer does not wait for the rollback's own fate: a broken connection is thrown away
                let _ = tx.inner.rollback().await;
                Err(error)
            }
        }
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// When it does not.
    pub async fn ping(&self) -> Result<(), Error> {
        sqlx::query("select 1").execute(&self.pool).await?;
        Ok(())
    }

    /// Closes the pool after the transactions under way.
    pub async fn close(&self) {
        self.pool.close().await;
    }
}

#[allow(clippy::disallowed_methods)] // a pause before a repetition decides nothing
fn random_pause(attempt: u32) -> Duration {
    let most = 2_u64 << attempt;
    Duration::from_millis(rand::rng().random_range(1..=most))
}
