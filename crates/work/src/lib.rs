//! Work that comes by itself: from what stands at a site to the tasks it should have.
//!
//! [`Rule`]s are data: a sound default each, of which a co-operative changes what it likes. [`derive`]
//! reads the facts of a site and says which tasks are wanted, each under an occasion that stays the
//! same however often it is asked. [`reconcile`] compares them with the tasks that are there.
//! [`closure_warnings`] says what will suffer while a site is closed, and [`HeldFor`] when whoever holds
//! a task is reminded of it; [`alongside`] which tasks are one errand for whoever comes.
//!
//! Nothing here reads a clock or keeps anything: the same facts give the same work, so that no tick
//! can be lost and none counts twice.

mod alongside;
mod closing;
mod defaults;
mod derive;
mod facts;
mod placing;
mod portion;
mod reconcile;
mod reminder;
mod rule;
mod site_work;
mod sowing_work;
mod urgency;
mod wanted;

pub use alongside::{Errand, Finishing, Hold, TaskFacts, alongside};
pub use closing::{Closing, ClosureWarning, closure_warnings};
pub use derive::{Derived, HORIZON_DAYS, derive, derive_sowing};
pub use facts::{
    BatchFacts, CropMinutes, CropRange, CutFacts, LiquidFacts, PledgeFacts, ReadingFacts,
    RecipientFacts, SiteFacts, SolutionFacts, SowingFacts, SowingStage, StationFacts, StockFacts,
};
pub use portion::{Portion, keep_apart};
pub use reconcile::{Changes, Present, is_derived, is_step, reconcile};
pub use reminder::{HeldFor, LEAST_REMINDED_AHEAD, MOST_REMINDED_AHEAD, REMINDED_AHEAD, Reminder};
pub use rule::{Event, Fault, Labour, Rule, RuleBook, RuleChange, RuleKey, SpareDays};
pub use urgency::Suffers;
pub use wanted::{Placing, Subject, WantedTask, Wish};
