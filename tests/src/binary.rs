//! The real binary: built once, started, spoken to, killed.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::support::PASSWORD;

/// Path of the program, built by the first test that asks.
pub fn cotyl() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| {
        // nothing to do when this run built the whole workspace; see crates/server/tests/program.rs
        let built = Command::new(env!("CARGO"))
            .args(["test", "--workspace", "--no-run", "--quiet"])
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .status()
            .unwrap();
        assert!(built.success(), "the program does not build");
        // the tests' own program lies beside it, in deps
        let tests = std::env::current_exe().unwrap();
        let program = tests.ancestors().nth(2).unwrap().join("cotyl");
        assert!(program.exists(), "{}", program.display());
        program
    })
}

/// A folder of its own, removed at the end.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("cotyl test {name} {}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// Runs a command to its end: exit success, standard output, standard error.
pub fn run(arguments: &[&str], input: &str) -> (bool, String, String) {
    let mut child = Command::new(cotyl())
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let _ = child.stdin.take().unwrap().write_all(input.as_bytes());
    let output = child.wait_with_output().unwrap();
    (
        output.status.success(),
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

/// A serving process.
pub struct Serving {
    child: Child,
    pub base: String,
    client: reqwest::Client,
    token: String,
}

impl Serving {
    /// Starts serving from a data folder on a free port and waits until it answers.
    pub async fn start(data_dir: &Path) -> Self {
        let log = std::fs::File::create(data_dir.join("cotyl.log")).unwrap();
        let mut child = Command::new(cotyl())
            .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
            .arg(data_dir)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()
            .unwrap();
        let stdout = BufReader::new(child.stdout.take().unwrap());
        let line = tokio::task::spawn_blocking(move || {
            stdout
                .lines()
                .map_while(Result::ok)
                .find(|line| line.contains("http://"))
        })
        .await
        .unwrap()
        .unwrap_or_else(|| {
            panic!(
                "the server did not start: {}\n{}",
                std::fs::read_to_string(data_dir.join("cotyl.log")).unwrap_or_default(),
                database_log(data_dir)
            )
        });
        let base = line
            .split_whitespace()
            .find(|word| word.starts_with("http://"))
            .unwrap()
            .to_owned();
        Self {
            child,
            base,
            client: reqwest::Client::builder()
                .timeout(Duration::from_secs(30))
                .build()
                .unwrap(),
            token: String::new(),
        }
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Sends a signal by name, such as KILL.
    pub fn signal(&self, name: &str) {
        signal(self.pid(), name);
    }

    /// Waits for the end; whether it was a success.
    pub fn wait(&mut self) -> bool {
        let until = Instant::now() + Duration::from_secs(60);
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.success();
            }
            assert!(Instant::now() < until, "the server does not end");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    pub async fn sign_in(&mut self, email: &str) {
        let (status, body) = self
            .post("/sessions", json!({"email": email, "password": PASSWORD}))
            .await
            .unwrap();
        assert_eq!(status, 201, "{body}");
        self.token = body["access_token"].as_str().unwrap().to_owned();
    }

    pub async fn get(&self, path: &str) -> reqwest::Result<(u16, Value)> {
        let request = self.client.get(format!("{}/api/v1{path}", self.base));
        self.send(request).await
    }

    pub async fn post(&self, path: &str, body: Value) -> reqwest::Result<(u16, Value)> {
        let request = self.client.post(format!("{}/api/v1{path}", self.base));
        self.send(request.json(&body)).await
    }

    async fn send(&self, request: reqwest::RequestBuilder) -> reqwest::Result<(u16, Value)> {
        let response = request.bearer_auth(&self.token).send().await?;
        let status = response.status().as_u16();
        let text = response.text().await?;
        Ok((status, serde_json::from_str(&text).unwrap_or(Value::Null)))
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The end of the private server's log.
fn database_log(data_dir: &Path) -> String {
    let logs = std::fs::read_dir(data_dir.join("postgresql/log"));
    logs.into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| std::fs::read_to_string(entry.path()).ok())
        .map(|text| text.lines().rev().take(12).collect::<Vec<_>>().join("\n"))
        .collect()
}

/// Sends a signal to a process.
pub fn signal(pid: u32, name: &str) {
    let _ = Command::new("kill")
        .args([format!("-{name}"), pid.to_string()])
        .status();
}

/// Founds a co-operative in a data folder.
pub fn found(data_dir: &Path, name: &str, email: &str) {
    let (done, _, said) = run(
        &[
            "found",
            "--name",
            name,
            "--coordinator",
            "Ada",
            "--email",
            email,
            "--data-dir",
            data_dir.to_str().unwrap(),
        ],
        &format!("{PASSWORD}\n"),
    );
    assert!(done, "{said}");
}
