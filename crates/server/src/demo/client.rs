//! A small client of the public API.

use std::net::SocketAddr;
use std::time::Duration;

use serde_json::{Value, json};

type Fault = Box<dyn std::error::Error + Send + Sync>;

/// A signed-in client.
pub struct Client {
    base: String,
    http: reqwest::Client,
    token: String,
    posts: u32,
}

impl Client {
    /// A client of the server at an address.
    ///
    /// # Errors
    /// When no client can be made.
    pub fn new(address: &SocketAddr) -> Result<Self, Fault> {
        Ok(Self {
            base: format!("http://{address}/api/v1"),
            http: reqwest::Client::builder()
                .timeout(Duration::from_secs(60))
                .user_agent("cotyl demo")
                .no_proxy()
                .build()?,
            token: String::new(),
            posts: 0,
        })
    }

    /// Signs in.
    ///
    /// # Errors
    /// When address and password do not belong together.
    pub async fn sign_in(&mut self, email: &str, password: &str) -> Result<(), Fault> {
        let body = json!({"email": email, "password": password});
        let request = self
            .http
            .post(format!("{}/sessions", self.base))
            .json(&body);
        let session = answer("signing in", request).await?;
        self.token = text(&session, "access_token")?;
        Ok(())
    }

    /// Reads.
    ///
    /// # Errors
    /// With the problem's own words.
    pub async fn get(&self, path: &str) -> Result<Value, Fault> {
        let request = self.http.get(format!("{}{path}", self.base));
        answer(path, request.bearer_auth(&self.token)).await
    }

    /// Posts. Each post of the demo has its own idempotency key, so that a start that was broken off
    /// goes on where it was.
    ///
    /// # Errors
    /// With the problem's own words.
    pub async fn post(&mut self, path: &str, body: &Value) -> Result<Value, Fault> {
        self.posts += 1;
        let request = self
            .http
            .post(format!("{}{path}", self.base))
            .header("idempotency-key", format!("demo {}", self.posts))
            .bearer_auth(&self.token)
            .json(body);
        answer(path, request).await
    }

    /// Posts and returns the new record's id.
    ///
    /// # Errors
    /// With the problem's own words.
    pub async fn make(&mut self, path: &str, body: &Value) -> Result<String, Fault> {
        let record = self.post(path, body).await?;
        text(&record, "id")
    }
}

/// A text field of a record.
///
/// # Errors
/// When there is none.
pub fn text(record: &Value, field: &str) -> Result<String, Fault> {
    record[field]
        .as_str()
        .map(str::to_owned)
        .ok_or_else(|| format!("the answer has no {field}: {record}").into())
}

async fn answer(what: &str, request: reqwest::RequestBuilder) -> Result<Value, Fault> {
    let response = request.send().await?;
    let status = response.status();
    let body = response.text().await?;
    if !status.is_success() {
        return Err(format!("{what}: {status}: {body}").into());
    }
    if body.is_empty() {
        return Ok(Value::Null);
    }
    Ok(serde_json::from_str(&body)?)
}
