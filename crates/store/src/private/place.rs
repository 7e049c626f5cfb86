//! Where the server lives: whose it is, its folders, its socket, its lock.

use std::fs::{DirBuilder, File, Permissions};
use std::io::{Read as _, Seek as _, Write as _};
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use nix::unistd::{User, geteuid};

use super::error::{PrivateError, io};
use super::settings::PORT;

/// The user the server runs as when it is started by root.
const SERVER_USER: &str = "postgres";

/// Longest path of a Unix socket on Linux, in bytes (`sun_path` less its end mark, unix(7)).
const SOCKET_PATH_BYTES: usize = 107;

/// Where data goes when root's own folders are closed to the server's user.
const SYSTEM_DATA: &str = "/var/lib/cotyl";

/// The user the server runs as.
#[derive(Debug, Clone)]
pub(super) struct ServerUser {
    pub(super) name: String,
    uid: u32,
    gid: u32,
    /// Whether this process is root and programs must be started as somebody else.
    switch: bool,
}

impl ServerUser {
    /// This process's own user, or `postgres` when that is root.
    pub(super) fn current() -> Result<Self, PrivateError> {
        let effective = geteuid();
        let switch = effective.is_root();
        let user = if switch {
            User::from_name(SERVER_USER)
        } else {
            User::from_uid(effective)
        };
        match user.ok().flatten() {
            Some(user) => Ok(Self {
                name: user.name,
                uid: user.uid.as_raw(),
                gid: user.gid.as_raw(),
                switch,
            }),
            None if switch => Err(PrivateError::NoServerUser),
            None => {
                let (uid, gid) = (effective.as_raw(), nix::unistd::getegid().as_raw());
                Ok(Self {
                    name: format!("user {uid}"),
                    uid,
                    gid,
                    switch,
                })
            }
        }
    }

    /// A command that runs `program` as this user, and gets SIGINT when the *thread* that started
    /// it ends. `setpriv` (util-linux) sets both up and then becomes the program, so the process id
    /// is the program's own.
    pub(super) fn command(&self, program: &Path) -> Command {
        let mut command = Command::new("setpriv");
        command.args(["--pdeathsig", "INT"]);
        if self.switch {
            command.args([
                "--reuid",
                &self.uid.to_string(),
                "--regid",
                &self.gid.to_string(),
                "--init-groups",
            ]);
        }
        // Nothing of the caller's environment or folder should steer the server.
        command
            .arg(program)
            .env_clear()
            .env("PATH", "/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin")
            .env("LC_ALL", "C.UTF-8")
            .current_dir("/")
            .stdin(Stdio::null());
        command
    }

    /// Whether this user may enter `folder`, asked of the kernel, so access lists count as well.
    fn may_enter(&self, folder: &Path) -> Result<bool, PrivateError> {
        if !self.switch {
            return Ok(true);
        }
        let status = self
            .command(Path::new("test"))
            .arg("-x")
            .arg(folder)
            .stderr(Stdio::null())
            .status()
            .map_err(io("run as another user", folder))?;
        Ok(status.success())
    }

    /// The first folder on the way to `folder` that this user may not enter.
    fn first_closed(&self, folder: &Path) -> Result<Option<PathBuf>, PrivateError> {
        if self.may_enter(folder)? {
            return Ok(None);
        }
        let mut way: Vec<&Path> = folder.ancestors().collect();
        way.reverse();
        for step in way {
            if !self.may_enter(step)? {
                return Ok(Some(step.to_owned()));
            }
        }
        Ok(None)
    }

    /// Makes `folder`, or checks it: this user's own, and closed to all others.
    fn private_folder(&self, folder: &Path) -> Result<(), PrivateError> {
        match DirBuilder::new().mode(0o700).create(folder) {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(io("make the folder", folder)(error)),
        }
        let found = std::fs::symlink_metadata(folder).map_err(io("examine", folder))?;
        let not_private = |problem| PrivateError::NotPrivate {
            folder: folder.to_owned(),
            user: self.name.clone(),
            problem,
        };
        if !found.is_dir() {
            return Err(not_private("is no folder"));
        }
        if self.switch && found.uid() == 0 {
            self.own(folder)?;
        } else if found.uid() != self.uid {
            return Err(not_private("belongs to another user"));
        }
        if found.mode() & 0o077 != 0 {
            std::fs::set_permissions(folder, Permissions::from_mode(0o700))
                .map_err(io("close to others", folder))?;
        }
        Ok(())
    }

    /// Gives `path` to this user.
    fn own(&self, path: &Path) -> Result<(), PrivateError> {
        std::os::unix::fs::chown(path, Some(self.uid), Some(self.gid))
            .map_err(io("change the owner of", path))
    }

    /// Makes an empty folder of this user's, in place of whatever an interrupted start left there.
    pub(super) fn fresh_folder(&self, folder: &Path) -> Result<(), PrivateError> {
        match std::fs::remove_dir_all(folder) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(io("remove", folder)(error));
            }
            _ => {}
        }
        self.private_folder(folder)
    }
}

/// The folders of one server; all paths absolute and free of links.
#[derive(Debug)]
pub(super) struct Place {
    pub(super) data_dir: PathBuf,
    pub(super) socket_dir: PathBuf,
}

impl Place {
    /// Makes what is missing and checks that the server's user can reach it.
    pub(super) fn prepare(data_dir: &Path, user: &ServerUser) -> Result<Self, PrivateError> {
        let absolute = std::path::absolute(data_dir).map_err(io("find", data_dir))?;
        make_open_folders(&absolute)?;
        let data_dir = absolute.canonicalize().map_err(io("find", &absolute))?;
        let unusable = |problem| PrivateError::UnusablePath {
            path: data_dir.clone(),
            problem,
        };
        match data_dir.to_str() {
            None => return Err(unusable("it is not UTF-8")),
            Some(text) if text.contains(char::is_control) => {
                return Err(unusable("it has a control character"));
            }
            Some(_) => {}
        }
        if let Some(folder) = user.first_closed(&data_dir)? {
            return Err(PrivateError::NotReachable {
                folder,
                user: user.name.clone(),
            });
        }
        let socket_dir = socket_dir(&data_dir, user)?;
        user.private_folder(&socket_dir)?;
        let place = Self {
            data_dir,
            socket_dir,
        };
        user.private_folder(&place.log_dir())?;
        // An earlier start by another user is refused here, before anything reads the data.
        if place.cluster().exists() {
            user.private_folder(&place.cluster())?;
        }
        Ok(place)
    }

    pub(super) fn cluster(&self) -> PathBuf {
        self.data_dir.join("cluster")
    }

    pub(super) fn log_dir(&self) -> PathBuf {
        self.data_dir.join("log")
    }

    pub(super) fn start_log(&self) -> PathBuf {
        self.data_dir.join("start.log")
    }
}

/// Makes the missing folders on the way to `folder`, open for others to enter whatever the umask:
/// what must be private lies in folders of its own below.
fn make_open_folders(folder: &Path) -> Result<(), PrivateError> {
    let missing: Vec<&Path> = folder
        .ancestors()
        .take_while(|step| !step.exists())
        .collect();
    for step in missing.into_iter().rev() {
        match std::fs::create_dir(step) {
            Ok(()) => {
                std::fs::set_permissions(step, Permissions::from_mode(0o755))
                    .map_err(io("open to others", step))?;
            }
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(io("make the folder", step)(error)),
        }
    }
    Ok(())
}

/// A folder for the socket: in the data folder when its path is short and plain enough, or else a
/// short one named after the data folder.
fn socket_dir(data_dir: &Path, user: &ServerUser) -> Result<PathBuf, PrivateError> {
    let beside = data_dir.join("socket");
    if fits(&beside) {
        return Ok(beside);
    }
    let name = format!("{:016x}", fingerprint(data_dir.as_os_str().as_bytes()));
    if user.switch {
        let parent = Path::new("/run/cotyl");
        make_open_folders(parent)?;
        return Ok(parent.join(name));
    }
    let runtime = std::env::var_os("XDG_RUNTIME_DIR")
        .map(|folder| PathBuf::from(folder).join(format!("cotyl-{name}")));
    match runtime {
        Some(folder) if fits(&folder) && folder.parent().is_some_and(Path::is_dir) => Ok(folder),
        _ => Ok(PathBuf::from(format!("/tmp/cotyl-{}-{name}", user.uid))),
    }
}

/// Whether a socket in `folder` has a short enough path, and one PostgreSQL's list of folders can
/// hold without quoting.
fn fits(folder: &Path) -> bool {
    let path = folder.join(format!(".s.PGSQL.{PORT}"));
    path.is_absolute()
        && path.as_os_str().len() <= SOCKET_PATH_BYTES
        && !path
            .as_os_str()
            .as_bytes()
            .iter()
            .any(|byte| matches!(byte, b',' | b'"' | b'\''))
}

/// FNV-1a, 64 bit: the same name for the same folder in every version of the program.
fn fingerprint(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

/// The data folder to use when `preferred` is wanted: `preferred` itself, unless this process is
/// root and the user `postgres` cannot get there (as below `/root`). Then it is a folder below
/// `/var/lib/cotyl` with the name of `preferred`'s last folder and a mark made from its whole path,
/// so each checkout keeps data of its own.
///
/// # Errors
/// [`PrivateError::NoServerUser`] as root without a user `postgres`; [`PrivateError::Io`] when the
/// path cannot be examined.
pub fn reachable_data_dir(preferred: &Path) -> Result<PathBuf, PrivateError> {
    let user = ServerUser::current()?;
    let absolute = std::path::absolute(preferred).map_err(io("find", preferred))?;
    let existing = absolute
        .ancestors()
        .find(|step| step.exists())
        .unwrap_or(Path::new("/"));
    if user.first_closed(existing)?.is_none() {
        return Ok(absolute);
    }
    let name = absolute
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    let mark = fingerprint(absolute.as_os_str().as_bytes());
    Ok(Path::new(SYSTEM_DATA).join(format!("{name}-{mark:016x}")))
}

/// The lock on a data folder, given up when dropped or when the process ends in any way.
#[derive(Debug)]
pub(super) struct DataLock {
    _file: File,
}

impl DataLock {
    pub(super) fn take(data_dir: &Path) -> Result<Self, PrivateError> {
        let path = data_dir.join("cotyl.lock");
        let mut file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(io("open the lock file", &path))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(std::fs::TryLockError::WouldBlock) => {
                let mut text = String::new();
                let pid = file
                    .read_to_string(&mut text)
                    .ok()
                    .and_then(|_| text.trim().parse().ok());
                return Err(PrivateError::InUse {
                    data_dir: data_dir.to_owned(),
                    pid,
                });
            }
            Err(std::fs::TryLockError::Error(error)) => return Err(io("lock", &path)(error)),
        }
        let written = file
            .set_len(0)
            .and_then(|()| file.rewind())
            .and_then(|()| writeln!(file, "{}", std::process::id()));
        written.map_err(io("write the lock file", &path))?;
        Ok(Self { _file: file })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fingerprints_are_fnv_1a() {
        // Published test vectors of the hash's authors: draft-eastlake-fnv, 64-bit FNV-1a of "",
        // "a" and "foobar" (from memory).
        assert_eq!(fingerprint(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fingerprint(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fingerprint(b"foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn socket_folders_are_short_and_plain() {
        let longest = SOCKET_PATH_BYTES - "/.s.PGSQL.5432".len();
        let folder = |length: usize| PathBuf::from(format!("/{}", "d".repeat(length - 1)));
        assert!(fits(&folder(longest)));
        assert!(!fits(&folder(longest + 1)));
        assert!(fits(Path::new("/with a space")));
        assert!(!fits(Path::new("/with, comma")));
        assert!(!fits(Path::new("relative")));
    }
}
