//! Time zones, daylight saving, opening hours, closures, ISO weeks and recurrence; no I/O.
//!
//! Instants are UTC. Wall times belong to a [`SiteZone`]; the opening hours and closures of a site
//! make a [`SiteCalendar`]. Nothing here reads a clock: the present is an argument.

mod closure;
mod delivery;
mod faults;
mod hours;
mod iso_week;
mod quiet;
mod recurrence;
mod site;
mod zone;

pub use closure::{Closure, LONGEST_REASON_BYTES};
pub use delivery::delivery_week;
pub use faults::{FieldFault, HoursFault};
pub use hours::{MOST_PERIODS_A_DAY, OpenPeriod, OpeningHours, PeriodText, TimeOfDay};
pub use iso_week::{IsoWeek, IsoWeekError};
pub use quiet::QuietHours;
pub use recurrence::{
    MOST_AT_ONCE, MOST_COUNT, MOST_DATES, MOST_EXAMINED, MOST_INTERVAL, MOST_PER_DAY,
    MOST_RULE_CHARACTERS, MOST_YEARS, Occurrence, Recurrence, RecurrenceFault,
};
pub use site::{Flexibility, SEARCH_DAYS, SiteCalendar, TaskWindow};
pub use zone::{Interval, OffsetChange, Passes, SiteZone, ZONE_DATA_VERSION, ZoneError};
