//! The database: a private server, or the operator's own.

use cotyl_app::App;
use cotyl_app::notices::Telling;
use cotyl_app::passwords::Passwords;
use cotyl_store::private::{PrivateServer, PrivateSettings, Safety, reachable_data_dir};
use cotyl_store::{PgConnectOptions, PoolSettings, Store, migrations};
use sqlx::postgres::PgSslMode;
use std::sync::Arc;
use url::Url;

use crate::clock::SystemClock;
use crate::settings::Settings;

type Fault = Box<dyn std::error::Error + Send + Sync>;

/// An open database. Stop it when done: a private server belongs to it.
pub struct Database {
    /// Connections.
    pub store: Store,
    private: Option<PrivateServer>,
}

impl Database {
    /// Opens the database of the settings and checks that row-level security binds our role.
    ///
    /// # Errors
    /// With a message for whoever runs the server.
    pub async fn open(settings: &Settings) -> Result<Self, Fault> {
        let pool = PoolSettings {
            connections: settings.connections_for_jobs(),
            ..PoolSettings::default()
        };
        let (options, private) = match &settings.database_url {
            Some(url) => (external(url.reveal())?, None),
            None => {
                let data_dir = reachable_data_dir(&settings.data_dir.join("postgresql"))?;
                tracing::info!(folder = %data_dir.display(), "starting the private PostgreSQL");
                let server = tokio::task::spawn_blocking(move || {
                    PrivateServer::start(PrivateSettings {
                        data_dir,
                        binaries: None,
                        safety: Safety::CrashSafe,
                    })
                })
                .await??;
                (server.connect_options(), Some(server))
            }
        };
        let store = Store::new(options, &pool);
        migrations::require_bound_role(&store)
            .await
            .map_err(with_advice)?;
        Ok(Self { store, private })
    }

    /// Opens the database, brings its schema up to date and starts the application over it.
    ///
    /// # Errors
    /// With a message for whoever runs the server.
    pub async fn application(settings: &Settings) -> Result<(Self, App), Fault> {
        let database = Self::open(settings).await?;
        migrations::migrate(&database.store).await?;
        let app = App::start(
            database.store.clone(),
            Arc::new(SystemClock),
            Passwords::standard(),
        )
        .await?
        .telling(Telling {
            mail_is_sent: settings.mail_host.is_some(),
            link_address: settings.mail_link_address.clone(),
        });
        Ok((database, app))
    }

    /// Closes the connections and stops a private server cleanly.
    ///
    /// # Errors
    /// When the private server does not stop.
    pub async fn close(self) -> Result<(), Fault> {
        self.store.close();
        if let Some(server) = self.private {
            tokio::task::spawn_blocking(move || server.stop()).await??;
        }
        Ok(())
    }
}

/// Options for the operator's own database; anything but this machine needs verified TLS.
fn external(url: &str) -> Result<PgConnectOptions, Fault> {
    // the parser's own message could repeat the URL with its password
    let options: PgConnectOptions = url.parse().map_err(
        |_| "the database URL cannot be read; it looks like postgres://role@host:5432/database",
    )?;
    let on_this_machine = options.get_socket().is_some()
        || options.get_host().starts_with('/')
        || ["localhost", "127.0.0.1", "::1", "[::1]"].contains(&options.get_host());
    if on_this_machine {
        return Ok(options);
    }
    match options.get_ssl_mode() {
        PgSslMode::VerifyFull => {}
        _ if !url.contains("sslmode=") => {}
        _ => return Err("a database on another machine needs sslmode=verify-full, with sslrootcert= for an authority of your own".into()),
    }
    look_at_authority(url)?;
    Ok(options.ssl_mode(PgSslMode::VerifyFull))
}

/// Can the file of the authority be read? Connecting would only say that some file is missing.
fn look_at_authority(url: &str) -> Result<(), Fault> {
    let url: Url = url.parse()?;
    for (name, file) in url.query_pairs() {
        if name == "sslrootcert" || name == "ssl-root-cert" || name == "ssl-ca" {
            std::fs::metadata(&*file).map_err(|fault| {
                format!("the file of sslrootcert, {file}, cannot be read: {fault}")
            })?;
        }
    }
    Ok(())
}

/// What the operator can do about a certificate that does not verify.
fn with_advice(fault: cotyl_store::Error) -> Fault {
    let said = fault.to_string();
    if said.contains("peer certificate") {
        format!(
            "{said}; the host of the URL has to be a name in the database's certificate, and a certificate \
             by an authority of your own needs sslrootcert=FILE in the URL, with the authority's certificate in PEM"
        )
        .into()
    } else {
        fault.into()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    #[test]
    fn another_machine_needs_verified_tls() {
        for (url, expect) in [
            ("postgres://cotyl@db.example/cotyl", Some(true)),
            (
                "postgres://cotyl@db.example/cotyl?sslmode=verify-full",
                Some(true),
            ),
            ("postgres://cotyl@db.example/cotyl?sslmode=require", None),
            ("postgres://cotyl@db.example/cotyl?sslmode=disable", None),
            ("postgres://cotyl@localhost/cotyl", Some(false)),
            ("postgres:///cotyl?host=/run/postgresql", Some(false)),
            (
                "postgres://cotyl@db.example/cotyl?sslrootcert=Cargo.toml",
                Some(true),
            ),
            (
                "postgres://cotyl@db.example/cotyl?sslrootcert=no%20such%20file",
                None,
            ),
            ("not a url", None),
        ] {
            let verified = external(url)
                .ok()
                .map(|options| matches!(options.get_ssl_mode(), PgSslMode::VerifyFull));
            assert_eq!(verified, expect, "{url}");
        }
    }
}
