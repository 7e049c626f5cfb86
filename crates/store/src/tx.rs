//! Transactions: the only way to the database.

use std::time::Duration;

use cotyl_domain::Actor;
use rand::Rng;
use sqlx::postgres::{PgConnectOptions, PgRow};
use sqlx::{AssertSqlSafe, PgConnection};
use uuid::Uuid;

use crate::connections::{Connections, Lent};
use crate::{Error, actors};

/// How often a write that lost against another is done again.
const MOST_ATTEMPTS: u32 = 6;

/// For whom a transaction works; the database shows and accepts nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// One co-operative.
    Cooperative(Uuid),
    /// A signed-in member, who is read together with the transaction's first words: one journey to the
    /// database less for every request.
    Session {
        /// Their co-operative.
        cooperative_id: Uuid,
        /// Their sign-in.
        session_id: Uuid,
        /// The member.
        member_id: Uuid,
    },
    /// The server itself: sign-in before the member is known, signing keys, leasing jobs.
    System,
}

impl Scope {
    fn settings(self) -> String {
        match self {
            // a Uuid prints as hexadecimal digits and hyphens only, so it cannot break out of the quotes
            Scope::Cooperative(id) => format!("set local cotyl.cooperative = '{id}'"),
            Scope::Session {
                cooperative_id,
                session_id,
                member_id,
            } => format!(
                "set local cotyl.cooperative = '{cooperative_id}'; {}",
                actors::of_session(session_id, member_id)
            ),
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
    connections: Connections,
}

/// An open transaction. It exists only inside [`Store::read`] and [`Store::write`].
///
/// One that is dropped before its end (a client went away, a body failed) takes its connection with
/// it, and the server undoes what was done.
#[derive(Debug)]
pub struct Tx {
    connection: Lent,
    scope: Scope,
    actor: Option<Actor>,
}

impl Tx {
    /// The connection, for statements of this crate.
    pub(crate) fn connection(&mut self) -> &mut PgConnection {
        self.connection.get()
    }

    /// The co-operative the transaction works for; the nil id in system scope.
    pub fn cooperative_id(&self) -> Uuid {
        match self.scope {
            Scope::Cooperative(id)
            | Scope::Session {
                cooperative_id: id, ..
            } => id,
            Scope::System => Uuid::nil(),
        }
    }

    /// The member of a [`Scope::Session`] with their roles and qualifications; `None` when the member or
    /// the sign-in has ended, or when they were taken already.
    pub fn take_actor(&mut self) -> Option<Actor> {
        self.actor.take()
    }

    async fn end(mut self, statement: &'static str) -> Result<(), Error> {
        run(&mut self.connection, statement).await?;
        self.connection.give_back();
        Ok(())
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
        Self {
            connections: Connections::new(options, settings.connections, settings.wait),
        }
    }

    /// The same database over connections of its own, at most `most`: for a thread that answers
    /// requests, which is then the only one its connections ever wake.
    #[must_use]
    pub fn with_own_connections(&self, most: u32) -> Self {
        Self {
            connections: self.connections.others(most),
        }
    }

    /// The pool, for this crate.
    pub(crate) fn connections(&self) -> &Connections {
        &self.connections
    }

    /// A connection outside any transaction and outside the pool, for migrations and for tests that
    /// look behind the interface.
    ///
    /// # Errors
    /// When the database does not answer.
    pub async fn connect(&self) -> Result<PgConnection, Error> {
        Ok(self.connections.open().await?)
    }

    /// How many connections are open to this database, over all stores made from the first.
    pub fn open_connections(&self) -> u32 {
        self.connections.open_count()
    }

    async fn begin(&self, begin: &str, scope: Scope) -> Result<Tx, Error> {
        let statement = format!("{begin}; {}", scope.settings());
        let mut connection = self.connections.lend().await?;
        let rows = match run(&mut connection, &statement).await {
            // kept connections died with their server: a fresh one may do
            Err(Error::Unavailable(_)) => {
                self.connections.forget_idle();
                connection = self.connections.lend().await?;
                run(&mut connection, &statement).await?
            }
            other => other?,
        };
        Ok(Tx {
            connection,
            scope,
            actor: rows.first().map(actors::read).transpose()?,
        })
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
        match body(&mut tx).await {
            Ok(result) => {
                tx.end("commit").await?;
                Ok(result)
            }
            Err(error) => {
                // the answer does not depend on the rollback: a broken connection is thrown away
                let _ = tx.end("rollback").await;
                Err(error)
            }
        }
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
                tx.end("commit").await?;
                Ok(result)
            }
            Err(error) => {
                let _ = tx.end("rollback").await;
                Err(error)
            }
        }
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// When it does not.
    pub async fn ping(&self) -> Result<(), Error> {
        let mut connection = self.connections.lend().await?;
        run(&mut connection, "select 1").await?;
        connection.give_back();
        Ok(())
    }

    /// Closes the idle connections and lends no more; those lent are closed when they come back.
    pub fn close(&self) {
        self.connections.close();
    }
}

/// Runs a statement of this file's own making, which has nothing of a request in it.
async fn run(connection: &mut Lent, statement: &str) -> Result<Vec<PgRow>, Error> {
    Ok(sqlx::raw_sql(AssertSqlSafe(statement))
        .fetch_all(connection.get())
        .await?)
}

#[allow(clippy::disallowed_methods)] // a pause before a repetition decides nothing
fn random_pause(attempt: u32) -> Duration {
    let most = 2_u64 << attempt;
    Duration::from_millis(rand::rng().random_range(1..=most))
}
