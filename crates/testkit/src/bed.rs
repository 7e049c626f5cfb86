//! A bed for one test: a database of its own, an application over it, a clock that the test moves.

use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use cotyl_app::App;
use cotyl_app::passwords::Passwords;
use cotyl_domain::Clock;
use cotyl_store::{PoolSettings, Store, migrations};
use sqlx::postgres::PgConnectOptions;

use crate::server::shared_server;

/// A clock that stands still until it is moved.
#[derive(Debug, Clone)]
pub struct TestClock(Arc<Mutex<DateTime<Utc>>>);

impl TestClock {
    /// Standing at an instant.
    pub fn at(instant: DateTime<Utc>) -> Self {
        Self(Arc::new(Mutex::new(instant)))
    }

    /// Moves the clock forward, or back.
    pub fn advance(&self, by: TimeDelta) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) += by;
    }

    /// Sets the clock.
    pub fn set(&self, instant: DateTime<Utc>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = instant;
    }
}

impl Clock for TestClock {
    fn now(&self) -> DateTime<Utc> {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What one test stands on.
pub struct Bed {
    /// The application.
    pub app: App,
    /// Its clock.
    pub clock: TestClock,
    /// How to connect to its database.
    pub options: PgConnectOptions,
}

const TEMPLATE: &str = "migrated";

/// Monday 7 September 2026, 12:00 UTC: the start of a school year.
pub const START: &str = "2026-09-07T12:00:00Z";

impl Bed {
    /// A migrated, empty database of its own.
    ///
    /// # Panics
    /// When the database cannot be made: no test can pass then.
    #[allow(clippy::expect_used)]
    pub async fn new() -> Self {
        let server = shared_server();
        server
            .template(TEMPLATE, |options| async move {
                let store = Store::new(options, &small_pool());
                migrations::migrate(&store)
                    .await
                    .map_err(|fault| sqlx::Error::Protocol(fault.to_string()))?;
                store.close();
                Ok::<_, sqlx::Error>(())
            })
            .await
            .expect("the template is built");
        let name = server
            .create_database_from_template(TEMPLATE)
            .await
            .expect("a database is copied");
        let options = server.connect_options(&name);
        let clock = TestClock::at(START.parse().expect("an instant"));
        let app = App::start(
            Store::new(options.clone(), &small_pool()),
            Arc::new(clock.clone()),
            Passwords::fast_for_tests().expect("password parameters"),
        )
        .await
        .expect("the application starts");
        Self {
            app,
            clock,
            options,
        }
    }
}

/// Enough connections for races inside one test, few enough for many tests at once.
fn small_pool() -> PoolSettings {
    PoolSettings {
        connections: 8,
        ..PoolSettings::default()
    }
}
