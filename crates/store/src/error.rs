//! What can go wrong in the database, sorted by what the caller can do about it.

/// An error of the database.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The transaction lost against another; the same work may succeed when done again.
    #[error("transaction lost against another: {0}")]
    Transient(#[source] sqlx::Error),
    /// A constraint refused the change.
    #[error("constraint {name} refused the change: {message}")]
    Constraint {
        /// Name of the constraint.
        name: String,
        /// The database's own words, for the log.
        message: String,
        /// Figures about the violation as JSON, where the constraint gives any.
        detail: Option<String>,
    },
    /// The database cannot be reached, or no connection came free in time.
    #[error("the database is not available: {0}")]
    Unavailable(#[source] sqlx::Error),
    /// Stored data that this version cannot read.
    #[error("stored data cannot be read: {0}")]
    Unreadable(String),
    /// Anything else: a fault of this program.
    #[error(transparent)]
    Failed(sqlx::Error),
}

impl Error {
    /// What was read before a row was held is no longer so: the transaction is to be run again.
    pub fn overtaken() -> Self {
        let words = "what the order of locks rests on was changed meanwhile";
        Self::Transient(sqlx::Error::Protocol(words.to_owned()))
    }
}

/// Serialization failure, deadlock, lock not available in time.
const TRANSIENT: [&str; 3] = ["40001", "40P01", "55P03"];
/// Integrity violations, class 23: not null, foreign key, unique, check, exclusion, restrict.
const INTEGRITY: &str = "23";
/// Shutdown of the server, too many connections, statement cancelled by its timeout.
const GOING_AWAY: [&str; 6] = ["57P01", "57P02", "57P03", "53300", "57014", "25P03"];

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        match &error {
            sqlx::Error::PoolTimedOut | sqlx::Error::PoolClosed | sqlx::Error::Io(_) => {
                Self::Unavailable(error)
            }
            sqlx::Error::Database(database) => {
                let code = database.code().unwrap_or_default();
                if TRANSIENT.contains(&code.as_ref()) {
                    return Self::Transient(error);
                }
                if GOING_AWAY.contains(&code.as_ref()) {
                    return Self::Unavailable(error);
                }
                match database.constraint() {
                    Some(name) if code.starts_with(INTEGRITY) => Self::Constraint {
                        name: name.to_owned(),
                        message: database.message().to_owned(),
                        detail: database
                            .try_downcast_ref::<sqlx::postgres::PgDatabaseError>()
                            .and_then(|e| e.detail())
                            .map(str::to_owned),
                    },
                    _ => Self::Failed(error),
                }
            }
            _ => Self::Failed(error),
        }
    }
}
