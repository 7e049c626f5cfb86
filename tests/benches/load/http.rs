//! The real server and the load on it.

use std::io::{BufRead as _, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::garden::{CONNECTIONS, Garden, TASKS_EACH, first_task, task_id};

pub const PASSWORD: &str = "a password for the load";

/// What is asked of the server.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    ListTasks,
    ClaimTask,
    RecordCut,
}

impl Kind {
    pub const ALL: [Kind; 3] = [Kind::ListTasks, Kind::ClaimTask, Kind::RecordCut];

    pub fn name(self) -> &'static str {
        match self {
            Kind::ListTasks => "list tasks",
            Kind::ClaimTask => "claim",
            Kind::RecordCut => "record cut",
        }
    }

    fn expected(self) -> u16 {
        match self {
            Kind::ListTasks => 200,
            Kind::ClaimTask | Kind::RecordCut => 201,
        }
    }
}

/// Builds the release program.
pub fn build() -> PathBuf {
    let mut cargo = Command::new(env!("CARGO"));
    // as from a shell: build scripts that look at the package they are run for would run again
    for (name, _) in std::env::vars() {
        if name.starts_with("CARGO_PKG_") || name.starts_with("CARGO_MANIFEST_") {
            cargo.env_remove(name);
        }
    }
    let built = cargo
        .args(["build", "--release", "--package", "cotyl-server"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .status()
        .unwrap();
    assert!(built.success());
    let here = std::env::current_exe().unwrap();
    here.ancestors()
        .nth(3)
        .unwrap()
        .join("release")
        .join("cotyl")
}

pub fn found(program: &Path, folder: &Path) {
    let mut child = Command::new(program)
        .args([
            "found",
            "--name",
            "Load",
            "--coordinator",
            "Ada",
            "--email",
            "ada@example.org",
            "--data-dir",
        ])
        .arg(folder)
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    writeln!(child.stdin.take().unwrap(), "{PASSWORD}").unwrap();
    assert!(child.wait().unwrap().success());
}

/// A serving process.
pub struct Server {
    child: std::cell::RefCell<Child>,
    base: String,
    client: reqwest::Client,
}

impl Server {
    pub async fn start(program: &Path, folder: &Path) -> Self {
        let mut child = Command::new(program)
            .args([
                "serve",
                "--listen",
                "127.0.0.1:0",
                "--log",
                "warn",
                "--data-dir",
            ])
            .arg(folder)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let base = BufReader::new(child.stdout.take().unwrap())
            .lines()
            .map_while(Result::ok)
            .find_map(|line| {
                line.split_whitespace()
                    .find(|word| word.starts_with("http://"))
                    .map(str::to_owned)
            })
            .unwrap();
        Self {
            child: child.into(),
            base: format!("{base}/api/v1"),
            client: reqwest::Client::new(),
        }
    }

    pub fn stop(&self) {
        let mut child = self.child.borrow_mut();
        let _ = Command::new("kill")
            .arg("-INT")
            .arg(child.id().to_string())
            .status();
        assert!(child.wait().unwrap().success());
    }

    pub fn resident_kilobytes(&self) -> u64 {
        let path = format!("/proc/{}/status", self.child.borrow().id());
        let status = std::fs::read_to_string(path).unwrap();
        status
            .lines()
            .find_map(|line| line.strip_prefix("VmRSS:"))
            .and_then(|rest| rest.split_whitespace().next())
            .and_then(|number| number.parse().ok())
            .unwrap()
    }

    pub async fn sign_in(&self, email: &str, password: &str) -> String {
        let reply: Value = self
            .client
            .post(format!("{}/sessions", self.base))
            .json(&json!({"email": email, "password": password}))
            .send()
            .await
            .unwrap()
            .json()
            .await
            .unwrap();
        reply["access_token"].as_str().unwrap().to_owned()
    }

    pub async fn get(&self, path: &str, token: &str) -> u16 {
        let request = self.client.get(format!("{}{path}", self.base));
        request
            .bearer_auth(token)
            .send()
            .await
            .unwrap()
            .status()
            .as_u16()
    }

    /// A connection for the load.
    pub async fn connect(&self) -> Connection {
        let host = self.base.split('/').nth(2).unwrap().to_owned();
        let stream = TcpStream::connect(&host).await.unwrap();
        stream.set_nodelay(true).unwrap();
        Connection {
            stream: tokio::io::BufReader::new(stream),
            host,
        }
    }
}

/// A bare HTTP/1.1 client that is kept alive. It shares the two cores with the server, so it does as
/// little as pgbench does beside PostgreSQL.
pub struct Connection {
    stream: tokio::io::BufReader<TcpStream>,
    host: String,
}

impl Connection {
    /// One request of a kind; `number` names the task that is claimed.
    pub async fn ask(
        &mut self,
        garden: &Garden,
        kind: Kind,
        token: &str,
        number: u64,
    ) -> (u16, String) {
        let (method, path, body) = match kind {
            Kind::ListTasks => {
                let path = format!("tasks?site_id={}&limit=20", garden.site_id);
                ("GET", path, String::new())
            }
            Kind::ClaimTask => {
                let path = format!("tasks/{}/claims", task_id(number));
                ("POST", path, String::new())
            }
            Kind::RecordCut => {
                let cut = json!({
                    "sowing_id": garden.sowing_id, "number": 1, "quality": "good",
                    "weight": {"value": "120", "unit": "g"},
                });
                ("POST", "cuts".to_owned(), cut.to_string())
            }
        };
        let request = format!(
            "{method} /api/v1/{path} HTTP/1.1\r\nhost: {}\r\nauthorization: Bearer {token}\r\n\
             content-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
            self.host,
            body.len()
        );
        self.stream.write_all(request.as_bytes()).await.unwrap();
        self.answer().await
    }

    async fn answer(&mut self) -> (u16, String) {
        let (mut status, mut length) = (0, 0);
        loop {
            let mut line = String::new();
            self.stream.read_line(&mut line).await.unwrap();
            let line = line.trim_end().to_ascii_lowercase();
            if line.is_empty() {
                break;
            }
            if let Some(rest) = line.strip_prefix("http/1.1 ") {
                status = rest.get(..3).unwrap().parse().unwrap();
            }
            if let Some(bytes) = line.strip_prefix("content-length: ") {
                length = bytes.parse().unwrap();
            }
        }
        let mut body = vec![0; length];
        self.stream.read_exact(&mut body).await.unwrap();
        (status, String::from_utf8(body).unwrap())
    }
}

impl Drop for Server {
    // after a panic the server, which holds this process's pipes, must not stay behind
    fn drop(&mut self) {
        let child = self.child.get_mut();
        if matches!(child.try_wait(), Ok(None)) {
            let _ = Command::new("kill")
                .arg("-INT")
                .arg(child.id().to_string())
                .status();
            let _ = child.wait();
        }
    }
}

/// What a load measured.
pub struct Measured {
    pub rate: f64,
    pub p50: f64,
    pub p99: f64,
    pub refused: usize,
    pub example: String,
}

/// Every connection asks as fast as it is answered.
pub async fn load(
    server: &Server,
    garden: &Garden,
    kind: Kind,
    length: Duration,
    round: u64,
) -> Measured {
    let begun = Instant::now();
    let connections = (0..CONNECTIONS).map(|connection| async move {
        let token = &garden.tokens[connection];
        let mut client = server.connect().await;
        let mut milliseconds = Vec::new();
        let mut refused = Vec::new();
        // the first task of each range was spent on finding out the SQL
        for number in round * TASKS_EACH + 1..(round + 1) * TASKS_EACH {
            if begun.elapsed() >= length {
                break;
            }
            let asked = Instant::now();
            let (status, text) = client
                .ask(garden, kind, token, first_task(connection, false) + number)
                .await;
            milliseconds.push(asked.elapsed().as_secs_f64() * 1e3);
            if status != kind.expected() {
                refused.push(format!("{status} {text}"));
            }
        }
        (milliseconds, refused)
    });
    let (times, refused): (Vec<_>, Vec<_>) = futures::future::join_all(connections)
        .await
        .into_iter()
        .unzip();
    let elapsed = begun.elapsed().as_secs_f64();
    let mut times: Vec<f64> = times.concat();
    let refused: Vec<String> = refused.concat();
    times.sort_by(f64::total_cmp);
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize];
    Measured {
        rate: times.len() as f64 / elapsed,
        p50: at(0.5),
        p99: at(0.99),
        refused: refused.len(),
        example: refused.into_iter().next().unwrap_or_default(),
    }
}
