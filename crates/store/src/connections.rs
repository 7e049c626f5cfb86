//! Connections kept open between transactions.
//!
//! The driver's own pool asks the server at each return whether the connection still works; here a
//! connection comes back only after its transaction ended well, and is dropped otherwise, so that
//! nothing is left to ask.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use deadpool::Runtime;
use deadpool::managed::{
    Manager, Metrics, Object, Pool, PoolError, QueueMode, RecycleError, RecycleResult, TimeoutType,
};
use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions, PgConnection};

use crate::{Error, actors};

/// A connection older than this is replaced, since a server's process grows with what it has seen.
const LONGEST_LIFE: Duration = Duration::from_secs(30 * 60);

/// A pool of connections to one database.
#[derive(Debug, Clone)]
pub(crate) struct Connections {
    pool: Pool<Opener>,
    wait: Duration,
}

impl Connections {
    /// None is opened before it is needed; `wait` is the longest wait for a free one.
    pub(crate) fn new(options: PgConnectOptions, most: u32, wait: Duration) -> Self {
        let opener = Opener {
            options: Arc::new(options),
            open: Arc::default(),
        };
        Self::of(opener, most, wait)
    }

    /// Others to the same database, counted together with these.
    pub(crate) fn others(&self, most: u32) -> Self {
        Self::of(self.pool.manager().clone(), most, self.wait)
    }

    fn of(opener: Opener, most: u32, wait: Duration) -> Self {
        let built = Pool::builder(opener)
            .max_size(usize::try_from(most.max(1)).unwrap_or(1))
            .wait_timeout(Some(wait))
            .create_timeout(Some(wait))
            // the one used last is the one that is warm
            .queue_mode(QueueMode::Lifo)
            .runtime(Runtime::Tokio1)
            .build();
        match built {
            Ok(pool) => Self { pool, wait },
            Err(_) => unreachable!("a pool with time limits was given a runtime"),
        }
    }

    /// A kept connection, or a new one.
    pub(crate) async fn lend(&self) -> Result<Lent, Error> {
        match self.pool.get().await {
            Ok(kept) => Ok(Lent(Some(kept))),
            Err(PoolError::Backend(fault)) => Err(fault.into()),
            Err(PoolError::Timeout(TimeoutType::Create)) => {
                Err(sqlx::Error::Io(std::io::ErrorKind::TimedOut.into()).into())
            }
            Err(PoolError::Timeout(_)) => Err(sqlx::Error::PoolTimedOut.into()),
            Err(_) => Err(sqlx::Error::PoolClosed.into()),
        }
    }

    /// A connection that does not belong to the pool.
    pub(crate) async fn open(&self) -> Result<PgConnection, sqlx::Error> {
        self.pool.manager().options.connect().await
    }

    pub(crate) fn open_count(&self) -> u32 {
        self.pool.manager().open.load(Ordering::Relaxed)
    }

    pub(crate) fn forget_idle(&self) {
        self.pool.retain(|_, _| false);
    }

    pub(crate) fn close(&self) {
        self.pool.close();
    }
}

/// A connection on loan: thrown away unless it is given back.
#[derive(Debug)]
pub(crate) struct Lent(Option<Object<Opener>>);

impl Lent {
    pub(crate) fn get(&mut self) -> &mut PgConnection {
        match &mut self.0 {
            Some(kept) => &mut kept.connection,
            None => unreachable!("given back at the end only"),
        }
    }

    pub(crate) fn give_back(mut self) {
        self.0 = None;
    }
}

impl Drop for Lent {
    fn drop(&mut self) {
        if let Some(kept) = self.0.take() {
            drop(Object::take(kept));
        }
    }
}

/// Opens connections.
#[derive(Debug, Clone)]
struct Opener {
    options: Arc<PgConnectOptions>,
    open: Arc<AtomicU32>,
}

/// An open connection that is counted.
#[derive(Debug)]
struct Counted {
    connection: PgConnection,
    open: Arc<AtomicU32>,
}

impl Drop for Counted {
    fn drop(&mut self) {
        self.open.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Manager for Opener {
    type Type = Counted;
    type Error = sqlx::Error;

    async fn create(&self) -> Result<Counted, sqlx::Error> {
        let mut connection = self.options.connect().await?;
        sqlx::raw_sql(actors::PREPARE)
            .execute(&mut connection)
            .await?;
        self.open.fetch_add(1, Ordering::Relaxed);
        Ok(Counted {
            connection,
            open: Arc::clone(&self.open),
        })
    }

    async fn recycle(&self, _: &mut Counted, metrics: &Metrics) -> RecycleResult<sqlx::Error> {
        if metrics.age() > LONGEST_LIFE {
            return Err(RecycleError::message("has lived long enough"));
        }
        Ok(())
    }
}
