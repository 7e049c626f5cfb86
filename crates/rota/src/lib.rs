//! Who does which task of the coming days.
//!
//! [`fits`] says whether the tasks of one member can all be done in their time. [`assign`] gives tasks
//! to members by their free time, what they may do, and how many tasks they may hold: first as many
//! places as can be covered, the most urgent class before the next, then the fairest spread of minutes,
//! which is the smallest sum of the squares of everybody's minutes. It is solved exactly, by branch and
//! bound, or up to a work limit with the bound that was reached. [`check`] looks over an answer without
//! sharing code with the search, and [`why`] says what keeps members from a task.
//!
//! A task may be interrupted: its minutes are done in any of the stretches it is open in. A task at a
//! fixed time is one whose window is just as long as the work. Way between sites takes no time here.
//!
//! Times are whole minutes from any common start; nothing here reads a clock.

mod bound;
mod check;
mod flow;
mod problem;
mod reason;
mod schedule;
mod search;
mod state;
#[cfg(feature = "testing")]
pub mod testing;

pub use check::check;
pub use problem::{Answer, Held, Member, Problem, Span, Task};
pub use reason::{Hindrance, hindrance, why};
pub use schedule::{Work, fits, in_both, length};
pub use search::{WORK_LIMIT, assign};
