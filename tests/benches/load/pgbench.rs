//! The same SQL by pgbench: captured from PostgreSQL's own log of one request.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::garden::{CONNECTIONS, Garden, ROUNDS, first_task, socket, task_id};
use crate::http::{Kind, Server};

/// The statements of one request, parameters filled in.
pub struct Statements(Vec<String>);

/// Has PostgreSQL log everything for one request and reads the log back.
pub async fn capture(folder: &Path, server: &Server, garden: &Garden, kind: Kind) -> Statements {
    let token = &garden.tokens[0];
    let mut client = server.connect().await;
    let number = first_task(0, false);
    // fill the caches of prepared statements first: preparing is done once for a connection
    if kind != Kind::ClaimTask {
        for _ in 0..2 * CONNECTIONS {
            client.ask(garden, kind, token, number).await;
        }
    }
    let before = log(folder);
    // parameters are in the details, which Cotyl's own settings leave out
    settings(
        folder,
        "log_statement = 'all'\nlog_error_verbosity = 'default'\n",
    );
    let (_, said) = client.ask(garden, kind, token, number).await;
    settings(folder, "");
    let after = log(folder);
    let mark = match kind {
        Kind::ListTasks => garden.site_id.to_string(),
        Kind::ClaimTask => task_id(number).to_string(),
        Kind::RecordCut => garden.sowing_id.to_string(),
    };
    let statements = parse(after.strip_prefix(&before).unwrap_or(&after), &mark);
    assert!(statements.len() > 2, "no statements were logged: {said}");
    Statements(statements)
}

/// Writes the operator's own settings and has the server read them.
fn settings(folder: &Path, text: &str) {
    let cluster = folder.join("postgresql");
    std::fs::write(
        cluster.join("local.conf"),
        format!("{text}log_line_prefix = '%p|'\n"),
    )
    .unwrap();
    sql(folder, "select pg_reload_conf()");
    std::thread::sleep(Duration::from_millis(500));
}

fn sql(folder: &Path, statement: &str) {
    let done = Command::new("psql")
        .args([
            "-q",
            "-o",
            "/dev/null",
            "-U",
            "postgres",
            "-d",
            "cotyl",
            "-c",
            statement,
            "-h",
        ])
        .arg(socket(folder))
        .status()
        .unwrap();
    assert!(done.success());
}

fn log(folder: &Path) -> String {
    let mut files: Vec<_> = std::fs::read_dir(folder.join("postgresql/log"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort_by_key(|path| std::fs::metadata(path).unwrap().modified().unwrap());
    std::fs::read_to_string(files.last().unwrap()).unwrap()
}

/// Statements of the request in order, each with its parameters put in.
///
/// Other connections write to the log meanwhile; the request's is the one that names `mark`.
fn parse(log: &str, mark: &str) -> Vec<String> {
    let mut connections: BTreeMap<u32, Vec<String>> = BTreeMap::new();
    for (process, entry) in entries(log) {
        let statements = connections.entry(process).or_default();
        if let Some(statement) = entry.strip_prefix("LOG:  statement: ") {
            statements.extend(statement.split(';').map(|part| part.trim().to_owned()));
        } else if let Some(rest) = entry.strip_prefix("LOG:  execute ") {
            statements.push(rest.split_once(": ").unwrap().1.to_owned());
        } else if let Some(prepared) = entry.strip_prefix("DETAIL:  prepare: ") {
            let last = statements.last_mut().unwrap();
            *last = spelled_out(last, prepared);
        } else if let Some(rest) = entry.strip_prefix("DETAIL:  parameters: ") {
            let last = statements.last_mut().unwrap();
            *last = fill(last, rest);
        }
    }
    let mut statements = connections
        .into_values()
        .find(|statements| statements.iter().any(|text| text.contains(mark)))
        .unwrap_or_default();
    statements.retain(|statement| !statement.is_empty());
    statements
}

/// Entries of the log with the process that wrote each; later lines of an entry begin with a tab.
fn entries(log: &str) -> Vec<(u32, String)> {
    let mut entries: Vec<(u32, String)> = Vec::new();
    for line in log.lines() {
        let begun = line
            .split_once('|')
            .and_then(|(process, text)| Some((process.parse().ok()?, text.to_owned())));
        match begun {
            Some(entry) => entries.push(entry),
            None => {
                if let Some((_, last)) = entries.last_mut() {
                    last.push(' ');
                    last.push_str(line.trim());
                }
            }
        }
    }
    entries
}

/// The statement behind `execute name ('a', 'b')`, from `prepare name (type, type) as statement`.
fn spelled_out(execute: &str, prepare: &str) -> String {
    let (_, statement) = prepare.split_once(" as ").unwrap();
    let (_, values) = execute.split_once('(').unwrap();
    let parameters: Vec<_> = values
        .trim_end_matches(')')
        .split(", ")
        .enumerate()
        .map(|(index, value)| format!("${} = {value}", index + 1))
        .collect();
    fill(statement, &parameters.join(", "))
}

/// Puts `$1 = 'a', $2 = NULL` into a statement, the highest number first so that $1 is not part of $10.
fn fill(statement: &str, parameters: &str) -> String {
    let mut values = Vec::new();
    let mut rest = parameters;
    while let Some((_, after)) = rest.split_once(" = ") {
        if let Some(quoted) = after.strip_prefix('\'') {
            let mut end = 0;
            let bytes = quoted.as_bytes();
            while end < bytes.len() {
                if bytes[end] == b'\'' {
                    if bytes.get(end + 1) != Some(&b'\'') {
                        break;
                    }
                    end += 1;
                }
                end += 1;
            }
            values.push(format!("'{}'", &quoted[..end]));
            rest = &quoted[(end + 1).min(quoted.len())..];
        } else {
            let end = after.find(',').unwrap_or(after.len());
            values.push(after[..end].trim().to_owned());
            rest = &after[end..];
        }
    }
    let mut filled = statement.to_owned();
    for (index, value) in values.iter().enumerate().rev() {
        filled = filled.replace(&format!("${}", index + 1), value);
    }
    filled
}

/// What pgbench measured.
pub struct Compared {
    pub rate: f64,
    pub average: f64,
}

/// Runs the statements as one pgbench transaction over as many connections for as long.
pub fn run(
    folder: &Path,
    garden: &Garden,
    kind: Kind,
    statements: &Statements,
    length: Duration,
    round: u64,
) -> Compared {
    let script = folder.join(format!("{}.sql", kind.name().replace(' ', "_")));
    std::fs::write(&script, script_of(garden, statements)).unwrap();
    let output = Command::new("pgbench")
        .args(["-n", "-M", "prepared", "-U", "cotyl", "-j", "2"])
        .args(["-D", &format!("n={}", round * crate::garden::TASKS_EACH)])
        .args([
            "-c",
            &CONNECTIONS.to_string(),
            "-T",
            &length.as_secs().to_string(),
            "-f",
        ])
        .arg(&script)
        .arg("-h")
        .arg(socket(folder))
        .arg("cotyl")
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    let figure = |name: &str| -> f64 {
        said.lines()
            .find_map(|line| line.strip_prefix(name))
            .and_then(|rest| rest.split_whitespace().find_map(|word| word.parse().ok()))
            .unwrap_or_else(|| {
                panic!(
                    "pgbench: {said}\n{}",
                    String::from_utf8_lossy(&output.stderr)
                )
            })
    };
    Compared {
        rate: figure("tps ="),
        average: figure("latency average ="),
    }
}

/// The statements with a task of its own and new ids in each transaction.
fn script_of(garden: &Garden, Statements(statements): &Statements) -> String {
    let claimed = task_id(first_task(0, false)).to_string();
    let known: BTreeSet<String> = [
        garden.site_id.to_string(),
        garden.sowing_id.to_string(),
        claimed.clone(),
    ]
    .into();
    let mut text = statements.join(";\n") + ";\n";
    // ids that an insert makes are new in each transaction, wherever they are named again
    let made: BTreeSet<String> = statements
        .iter()
        .enumerate()
        .filter(|(_, statement)| statement.trim_start().starts_with("insert"))
        .flat_map(|(place, statement)| {
            let before = statements[..place].concat();
            ids(statement)
                .into_iter()
                .filter(move |id| !before.contains(id.as_str()))
        })
        .filter(|id| !known.contains(id))
        .collect();
    for id in made {
        text = text.replace(
            &format!("'{id}'"),
            &format!("md5('{id}' || :task::bigint)::uuid"),
        );
    }
    let script = text.replace(
        &format!("'{claimed}'"),
        "('00000000-0000-7000-8000-' || lpad(to_hex(:task::bigint), 12, '0'))::uuid",
    );
    format!(
        "\\set n :n + 1\n\\set task (2 * :client_id + 1) * {} + :n\n{}",
        ROUNDS * crate::garden::TASKS_EACH,
        vary_texts(script)
    )
}

/// Tray codes are unique, so each transaction writes one of its own.
fn vary_texts(script: String) -> String {
    script
        .lines()
        .map(|line| {
            if line.starts_with("insert into cut ") {
                unique_tray_code(line)
            } else {
                line.to_owned()
            }
        })
        .collect::<Vec<_>>()
        .join("\n")
}

fn unique_tray_code(line: &str) -> String {
    let Some((columns, values)) = line.split_once(" values (") else {
        return line.to_owned();
    };
    let Some(place) = columns.split_once('(').and_then(|(_, list)| {
        list.split(',')
            .position(|column| column.trim().trim_end_matches(')') == "tray_code")
    }) else {
        return line.to_owned();
    };
    let mut parts: Vec<String> = values.split(", ").map(str::to_owned).collect();
    if let Some(part) = parts.get_mut(place) {
        *part = "'T' || :client_id || '-' || :n".to_owned();
    }
    format!("{columns} values ({}", parts.join(", "))
}

/// UUIDs that stand quoted in a statement.
fn ids(statement: &str) -> Vec<String> {
    statement
        .split('\'')
        .skip(1)
        .step_by(2)
        .filter(|text| uuid::Uuid::parse_str(text).is_ok())
        .map(str::to_owned)
        .collect()
}
