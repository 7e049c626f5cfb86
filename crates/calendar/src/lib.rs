//! Time zones, daylight saving, opening hours, closures and ISO weeks; no I/O.
//!
//! Instants are UTC. Wall times belong to a [`SiteZone`]; the opening hours and closures of a site
//! make a [`SiteCalendar`]. Nothing here reads a clock: the present is an argument.

mod delivery;
mod hours;
mod iso_week;
mod site;
mod zone;

pub use delivery::delivery_week;
pub use hours::{
    Closure, FieldFault, HoursFault, LONGEST_REASON_BYTES, MOST_PERIODS_A_DAY, OpenPeriod,
    OpeningHours, PeriodText, TimeOfDay,
};
pub use iso_week::{IsoWeek, IsoWeekError};
pub use site::{Flexibility, SEARCH_DAYS, SiteCalendar, TaskWindow};
pub use zone::{Interval, Passes, SiteZone, ZONE_DATA_VERSION, ZoneError};
