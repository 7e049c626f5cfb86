//! Mail: takes what is due and hands it to the mail server.

use std::future::Future;
use std::time::Duration;

use cotyl_app::notices::{Handed, Letter};
use cotyl_app::{App, Result};
use lettre::message::header::ContentType;
use lettre::message::{Mailbox, Message};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Tls, TlsParameters};
use lettre::{AsyncSmtpTransport, AsyncTransport, Tokio1Executor};
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};

/// How long one mail may take, much shorter than a lease.
const LONGEST_HAND_OVER: Duration = Duration::from_secs(60);

/// How the mail server is spoken to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Security {
    /// TLS from the first word.
    Tls,
    /// TLS after a greeting; nothing is sent without it.
    StartTls,
    /// None; for a mail server on this machine.
    None,
}

/// Which mail server, and in whose name.
#[derive(Debug, Clone)]
pub struct MailServer {
    /// Its name.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How it is spoken to.
    pub security: Security,
    /// Name and password, where it asks for them.
    pub credentials: Option<(String, String)>,
    /// From whom mails come, such as `Cotyl <cotyl@example.org>`.
    pub from: String,
}

/// Hands mails to a mail server.
pub struct Mailer {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    from: Mailbox,
}

impl Mailer {
    /// A mailer; nothing is connected to yet.
    ///
    /// # Errors
    /// With words for whoever runs the server.
    pub fn new(server: MailServer) -> std::result::Result<Self, String> {
        let from: Mailbox = server
            .from
            .parse()
            .map_err(|fault| format!("the sender {:?} is no address: {fault}", server.from))?;
        let tls = || {
            TlsParameters::new(server.host.clone())
                .map_err(|fault| format!("TLS with {}: {fault}", server.host))
        };
        let tls = match server.security {
            Security::Tls => Tls::Wrapper(tls()?),
            Security::StartTls => Tls::Required(tls()?),
            Security::None => Tls::None,
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&server.host)
            .port(server.port)
            .tls(tls)
            .timeout(Some(Duration::from_secs(20)));
        if let Some((name, password)) = server.credentials {
            builder = builder.credentials(Credentials::new(name, password));
        }
        Ok(Self {
            transport: builder.build(),
            from,
        })
    }

    /// Hands a mail over.
    pub async fn hand_over(&self, letter: &Letter) -> Handed {
        let message = match self.message(letter) {
            Ok(message) => message,
            Err(why) => return Handed::Never(why),
        };
        match timeout(LONGEST_HAND_OVER, self.transport.send(message)).await {
            Ok(Ok(_)) => Handed::Over,
            Ok(Err(fault)) if fault.is_permanent() => Handed::Never(fault.to_string()),
            Ok(Err(fault)) => Handed::NotNow(fault.to_string()),
            Err(_) => Handed::NotNow("the mail server did not answer in time".into()),
        }
    }

    /// The mail as it goes out. The Message-ID stays the same however often it does.
    fn message(&self, letter: &Letter) -> std::result::Result<Message, String> {
        let address = letter
            .to_address
            .parse()
            .map_err(|fault| format!("the address cannot be written to: {fault}"))?;
        let domain = self.from.email.domain();
        Message::builder()
            .from(self.from.clone())
            .to(Mailbox::new(Some(letter.to_name.clone()), address))
            .subject(letter.subject.clone())
            .message_id(Some(format!("<{}@{domain}>", letter.id)))
            .date(letter.written_at.into())
            .header(ContentType::TEXT_PLAIN)
            .body(letter.body.clone())
            .map_err(|fault| format!("the mail cannot be written: {fault}"))
    }
}

/// Takes one mail that is due, if there is one, and hands it over; whether there was one.
///
/// # Errors
/// Those of the database.
pub async fn post_once(app: &App, mailer: &Mailer) -> Result<bool> {
    let Some(letter) = app.lease_letter().await? else {
        return Ok(false);
    };
    let handed = mailer.hand_over(&letter).await;
    let word = match &handed {
        Handed::Over => "sent",
        Handed::NotNow(_) => "not_now",
        Handed::Never(_) => "never",
    };
    metrics::counter!("cotyl_mails_total", "ended" => word).increment(1);
    if let Handed::NotNow(why) | Handed::Never(why) = &handed {
        tracing::warn!(notice = %letter.id, why, ended = word, "a mail was not sent");
    }
    if !app.record_letter(&letter, &handed).await? {
        tracing::warn!(notice = %letter.id, "a mail was taken by another worker meanwhile");
    }
    Ok(true)
}

/// Writes down what is due to be told, and sends it where a mail server is named.
pub struct Post {
    app: App,
    mailer: Option<Mailer>,
}

impl Post {
    /// A post over an application.
    pub fn new(app: App, mailer: Option<Mailer>) -> Self {
        Self { app, mailer }
    }

    /// Goes on until `shutdown` comes; a mail under way is handed over first.
    pub async fn run(&self, shutdown: impl Future<Output = ()>) {
        let mut writing = interval(Duration::from_secs(60));
        writing.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut summaries = interval(Duration::from_secs(900));
        summaries.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut pause = Duration::ZERO;
        tokio::pin!(shutdown);
        loop {
            tokio::select! {
                biased;
                () = &mut shutdown => return,
                _ = writing.tick() => told(self.app.write_reminders().await, "reminders"),
                _ = summaries.tick() => {
                    told(self.app.write_summaries().await, "summaries");
                    if let Err(error) = self.app.write_low_stock().await {
                        tracing::warn!(cause = ?error, "what runs low is not told");
                    }
                }
                () = sleep(pause) => {}
            }
            pause = self.send_next().await;
        }
    }

    /// The pause after one mail, or after finding none.
    async fn send_next(&self) -> Duration {
        let Some(mailer) = &self.mailer else {
            return Duration::from_secs(60);
        };
        match post_once(&self.app, mailer).await {
            Ok(true) => Duration::ZERO,
            Ok(false) => Duration::from_secs(2),
            Err(error) => {
                tracing::warn!(cause = ?error, "no mail could be looked for");
                Duration::from_secs(10)
            }
        }
    }
}

fn told(written: Result<usize>, what: &str) {
    match written {
        Ok(0) => {}
        Ok(count) => tracing::info!(count, what, "notices are written"),
        Err(error) => tracing::warn!(cause = ?error, what, "notices are not written"),
    }
}
