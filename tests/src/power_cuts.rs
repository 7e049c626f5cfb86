//! Cutting the power of a server at moments close to the one that matters.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::binary::{Serving, signal};

/// Chooses when to cut. What came too early moves the next cuts later, what came too late moves
/// them earlier, so that they close in on the moment something takes effect on a machine of any
/// speed, and however busy it is.
pub struct Aim {
    /// Cuts fall between none and twice of this after the beginning.
    around: Duration,
    random: ChaCha8Rng,
}

impl Aim {
    /// `first_guess` is how long it took once; it only has to be some time at all.
    pub fn new(first_guess: Duration, seed: u64) -> Self {
        Self {
            around: first_guess.max(Duration::from_millis(1)),
            random: ChaCha8Rng::seed_from_u64(seed),
        }
    }

    /// How long to wait before the next cut.
    pub fn pause(&mut self) -> Duration {
        self.around.mul_f64(self.random.random_range(0.0..2.0))
    }

    /// Learns what the last cut met: `done` if what it was to cut off was through already.
    pub fn learn(&mut self, done: bool) {
        self.around = self.around.mul_f64(if done { 0.7 } else { 1.0 / 0.7 });
    }
}

/// The folder of the server's own PostgreSQL.
pub fn postgresql(folder: &Path) -> PathBuf {
    folder.join("postgresql")
}

/// Kills the server; PostgreSQL before it if asked, without any chance to tidy up.
pub fn cut(server: &Serving, folder: &Path, postgresql_first: bool) {
    if postgresql_first {
        let file = postgresql(folder).join("cluster/postmaster.pid");
        let pid = std::fs::read_to_string(file).unwrap();
        signal(pid.lines().next().unwrap().parse().unwrap(), "KILL");
    }
    server.signal("KILL");
}
