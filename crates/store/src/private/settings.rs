//! The server's settings files.

use std::path::Path;

use super::Safety;

/// Port number; with a Unix socket it only names the socket's file.
pub(super) const PORT: u16 = 5432;

/// Who may connect: whoever can enter the socket's folder, which only the server's user (and root)
/// can. Nothing listens on the network.
pub(super) const CLIENTS: &str = "\
# Written by Cotyl at each start.
local all all trust
local replication postgres trust
";

/// `postgresql.conf` for a server with its socket in `socket_dir` and its logs in `log_dir`.
pub(super) fn server(safety: Safety, socket_dir: &Path, log_dir: &Path, local: &Path) -> String {
    let socket_dir = quoted(socket_dir);
    let log_dir = quoted(log_dir);
    let local = quoted(local);
    let by_safety = match safety {
        Safety::CrashSafe => {
            // Terse errors and no statements: rows of members do not belong in a log.
            format!(
                "\
fsync = on
full_page_writes = on
synchronous_commit = on
max_connections = 100
shared_buffers = 64MB
min_wal_size = 80MB
max_wal_size = 512MB
logging_collector = on
log_directory = {log_dir}
log_filename = 'postgresql-%a.log'
log_file_mode = 0600
log_rotation_age = 1d
log_rotation_size = 0
log_truncate_on_rotation = on
log_error_verbosity = terse
log_line_prefix = '%m [%p] '
"
            )
        }
        // No autovacuum: it would connect to a template database while tests copy it.
        Safety::Throwaway => "\
fsync = off
full_page_writes = off
synchronous_commit = off
wal_level = minimal
max_wal_senders = 0
autovacuum = off
max_connections = 300
shared_buffers = 128MB
min_wal_size = 32MB
max_wal_size = 512MB
logging_collector = off
"
        .to_owned(),
    };
    format!(
        "\
# Written by Cotyl at each start. Put settings of your own into local.conf beside this file.
listen_addresses = ''
port = {PORT}
unix_socket_directories = {socket_dir}
unix_socket_permissions = 0700
timezone = 'UTC'
log_timezone = 'UTC'
work_mem = 4MB
maintenance_work_mem = 64MB
jit = off
max_parallel_workers_per_gather = 0
log_statement = none
log_min_duration_statement = -1
log_min_error_statement = panic
log_parameter_max_length_on_error = 0
log_checkpoints = off
{by_safety}include_if_exists = {local}
"
    )
}

/// A settings value in quotes.
fn quoted(path: &Path) -> String {
    format!(
        "'{}'",
        path.display()
            .to_string()
            .replace('\\', r"\\")
            .replace('\'', "''")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_and_backslashes_in_a_path_stay_inside_the_value() {
        assert_eq!(
            quoted(Path::new(r"/a b/it's \ here")),
            r"'/a b/it''s \\ here'"
        );
    }
}
