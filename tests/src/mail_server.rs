//! A mail server in Python (`aiosmtpd`), and programs that read what we write.

use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use cotyl_jobs::{MailServer, Mailer, Security};
use serde_json::Value;

/// The Python of the outside checks.
pub fn python() -> Command {
    let interpreter = std::env::var_os("COTYL_CHECK_PYTHON").map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../target/check-venv/bin/python"),
        PathBuf::from,
    );
    Command::new(interpreter)
}

/// What a script prints for an input.
pub fn run_python(script: &str, input: &str) -> String {
    let mut child = python()
        .args(["-c", script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|fault| panic!("{fault}; run cargo xtask setup"));
    let text = input.to_owned();
    let mut stdin = child.stdin.take().unwrap();
    let writing = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().unwrap();
    writing.join().unwrap().unwrap();
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{error}");
    String::from_utf8(output.stdout).unwrap()
}

/// A mail server that runs until it is dropped.
pub struct TestMailServer {
    child: Child,
    port: u16,
    taken: Receiver<Value>,
}

/// A mail as the server took it.
#[derive(Debug)]
pub struct Taken(Value);

impl Taken {
    pub fn header(&self, name: &str) -> String {
        let headers = self.0["headers"].as_array().unwrap();
        let found: Vec<&str> = headers
            .iter()
            .filter(|pair| pair[0].as_str().unwrap().eq_ignore_ascii_case(name))
            .map(|pair| pair[1].as_str().unwrap())
            .collect();
        assert_eq!(found.len(), 1, "{name}: {:#}", self.0);
        found[0].to_owned()
    }

    pub fn names(&self) -> Vec<String> {
        let headers = self.0["headers"].as_array().unwrap();
        headers
            .iter()
            .map(|pair| pair[0].as_str().unwrap().to_lowercase())
            .collect()
    }

    pub fn body(&self) -> String {
        self.0["body"].as_str().unwrap().replace("\r\n", "\n")
    }

    pub fn to(&self) -> &str {
        let to = self.0["to"].as_array().unwrap();
        assert_eq!(to.len(), 1);
        to[0].as_str().unwrap()
    }

    pub fn is_ascii(&self) -> bool {
        self.0["is_ascii"].as_bool().unwrap()
    }
}

impl TestMailServer {
    pub fn start() -> Self {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/src/smtp_server.py");
        let mut child = python()
            .arg(script)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|fault| panic!("{fault}; run cargo xtask setup"));
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let port = lines.next().unwrap().unwrap().parse().unwrap();
        let (sender, taken) = channel();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                if sender.send(serde_json::from_str(&line).unwrap()).is_err() {
                    break;
                }
            }
        });
        Self { child, port, taken }
    }

    pub fn mailer(&self) -> Mailer {
        mailer(self.port)
    }

    /// The next mail that was taken.
    pub fn next(&self) -> Taken {
        Taken(self.taken.recv_timeout(Duration::from_secs(20)).unwrap())
    }

    /// That no further mail comes.
    pub fn expect_none(&self) {
        let more = self.taken.recv_timeout(Duration::from_millis(300));
        assert!(more.is_err(), "{more:#?}");
    }
}

/// A mailer to a port of this machine.
pub fn mailer(port: u16) -> Mailer {
    Mailer::new(MailServer {
        host: "127.0.0.1".into(),
        port,
        security: Security::None,
        credentials: None,
        from: "Cotyl <cotyl@example.org>".into(),
    })
    .unwrap()
}

impl Drop for TestMailServer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
