//! Use cases: authorise, open the transaction, call the cores, record and enqueue.
//!
//! Knows no HTTP. A use case is a method of [`App`], one file each; simple nouns keep their five in one.

pub mod alongside;
pub mod assignments;
mod audit_log;
pub mod availability;
pub mod batches;
pub mod calendar_feeds;
mod calendars;
mod caller;
pub mod chemistry;
mod claim_rules;
pub mod closure_warnings;
mod closures;
pub mod cold_readings;
pub mod completion;
mod container_kinds;
pub mod container_supplies;
mod crop_groups;
pub mod crops;
pub mod cuts;
pub mod deliveries;
mod error;
pub mod fair_share;
pub mod finish_together;
pub mod found;
mod groups;
mod growing;
pub mod hand_made_tasks;
pub mod imports;
pub mod input;
pub mod invitations;
pub mod jobs;
pub mod keys;
pub mod late_work;
mod learned_growth;
pub mod learning;
pub mod learning_vetoes;
mod ledger;
mod left_out;
pub mod levels;
mod links;
pub mod lots;
pub mod me;
mod member_roles;
mod members;
pub mod movements;
pub mod notices;
mod outages;
mod password_resets;
pub mod passwords;
pub mod plans;
mod pledges;
pub mod products;
mod qualifications;
pub mod readings;
pub mod recalls;
pub mod recipes;
mod recipients;
pub mod recurring_tasks;
mod references;
mod report_settings;
pub mod reports;
pub mod rota;
pub mod shopping_list;
pub mod sign_in;
pub mod site_work;
pub mod sites;
pub mod source_waters;
pub mod sowing_events;
pub mod sowing_steps;
pub mod sowings;
pub mod station_learning;
mod stations;
pub mod stock;
pub mod stock_counts;
pub mod stock_items;
pub mod stock_orders;
pub mod task_holds;
pub mod task_rules;
pub mod task_work;
pub mod tasks;
mod terms;
mod together;
pub mod top_ups;
pub mod totals;
pub mod traces;
mod withheld;
mod work_effects;
pub mod work_groups;
pub mod work_now;
pub mod work_reports;
mod work_settings;

use std::sync::{Arc, Mutex};

use cotyl_domain::{Actor, Clock, Operation};
use cotyl_store::{Store, Tx, idempotency};
use serde::Serialize;
use serde::de::DeserializeOwned;
use uuid::Uuid;
use uuid::timestamp::context::ContextV7;

pub use audit_log::Changed;
pub use caller::{Caller, Idempotency, Visitor};
/// The rules of nutrient solutions, for those above this crate.
pub use cotyl_solution as solution;
pub use cotyl_store::Page;
/// The rules of work that comes by itself, for those above this crate.
pub use cotyl_work as work;
pub use error::{Error, Result};

/// Records as they are kept, for those above this crate.
pub mod records {
    pub use crate::crops::{Crop, CropFields, Starter, StationDays};
    pub use cotyl_calendar::IsoWeek;
    pub use cotyl_growth::learning::Measured;
    pub use cotyl_growth::{CropProfile, GrowingMethod};
    pub use cotyl_store::audit::{AuditEntry, AuditLine};
    pub use cotyl_store::batches::{Batch, BatchEntry, BatchFilter, BatchMovement};
    pub use cotyl_store::claims::Claim;
    pub use cotyl_store::closures::{Closure, ClosureFields, ClosureFilter};
    pub use cotyl_store::cold_readings::{ColdReading, ColdReadingFilter};
    pub use cotyl_store::container_kinds::{ContainerKind, ContainerKindFields};
    pub use cotyl_store::container_supplies::{ContainerSupply, ContainerSupplyFilter};
    pub use cotyl_store::cooperatives::Cooperative;
    pub use cotyl_store::crop_groups::{CropGroup, CropGroupFields};
    pub use cotyl_store::crops::CropFilter;
    pub use cotyl_store::cuts::{Cut, CutCorrection, CutFilter};
    pub use cotyl_store::deliveries::{Delivery, DeliveryCorrection, DeliveryLine};
    pub use cotyl_store::disputes::{Dispute, DisputeLine};
    pub use cotyl_store::groups::{Group, GroupFields};
    pub use cotyl_store::learning::{Choice, ChoiceFields};
    pub use cotyl_store::learning_vetoes::{Veto, VetoFields};
    pub use cotyl_store::ledger::{BalanceFilter, Movement, MovementFilter};
    pub use cotyl_store::levels::{LevelReading, ReadyBatch};
    pub use cotyl_store::lots::{Lot, LotFields, LotFilter};
    pub use cotyl_store::members::Member;
    pub use cotyl_store::outages::{Outage, OutageFields};
    pub use cotyl_store::plans::{Plan, PlanFields};
    pub use cotyl_store::pledges::{Pledge, PledgeFields, PledgeFilter};
    pub use cotyl_store::products::{Product, ProductFields};
    pub use cotyl_store::qualifications::{Qualification, QualificationFields};
    pub use cotyl_store::readings::{Reading, ReadingFilter};
    pub use cotyl_store::recalls::{AffectedDelivery, Notice, Recall, RecallEntry};
    pub use cotyl_store::recipes::{Recipe, RecipeFields};
    pub use cotyl_store::recipients::{Recipient, RecipientFields};
    pub use cotyl_store::recurring_tasks::{Exception, RecurringTask, RecurringTaskFields};
    pub use cotyl_store::reports::{AmendmentRow, DisputeRow, ReportSettings};
    pub use cotyl_store::sites::{Site, SiteFields};
    pub use cotyl_store::source_waters::{SourceWater, SourceWaterFields};
    pub use cotyl_store::sowings::{CutSoFar, Sowing, SowingEvent, SowingFilter, SowingView};
    pub use cotyl_store::station_learning::{StationChoice, StationChoiceFields};
    pub use cotyl_store::stations::{Station, StationFields, StationFilter};
    pub use cotyl_store::stock_counts::{
        CountedLot, StockCount, StockCountFields, StockCountFilter,
    };
    pub use cotyl_store::stock_items::{StockItem, StockItemFilter};
    pub use cotyl_store::stock_orders::{StockOrder, StockOrderFilter};
    pub use cotyl_store::tasks::{Moment, Task, TaskFilter, TaskPage};
    pub use cotyl_store::terms::{Term, TermFields};
    pub use cotyl_store::traces::details::{
        Edge, TracedBatch, TracedCut, TracedDelivery, TracedLot, TracedSowing, TracedStation,
        TracedWork,
    };
    pub use cotyl_store::work_reports::{WorkReport, WorkReportFilter};
    pub use cotyl_store::work_settings::WorkSettings;
}

/// The application: a database, a clock, keys and settings.
#[derive(Clone)]
pub struct App {
    store: Store,
    clock: Arc<dyn Clock>,
    keys: keys::KeyRing,
    passwords: passwords::Passwords,
    telling: notices::Telling,
    left_out: left_out::LeftOut,
}

impl App {
    /// An application over a migrated database.
    ///
    /// # Errors
    /// When the signing keys cannot be read or made.
    pub async fn start(
        store: Store,
        clock: Arc<dyn Clock>,
        passwords: passwords::Passwords,
    ) -> Result<Self> {
        let keys = keys::KeyRing::load(&store, clock.as_ref()).await?;
        Ok(Self {
            store,
            clock,
            keys,
            passwords,
            telling: notices::Telling::default(),
            left_out: left_out::LeftOut::default(),
        })
    }

    /// The same application over database connections of its own, at most `most`, for one thread.
    #[must_use]
    pub fn with_own_connections(&self, most: u32) -> Self {
        Self {
            store: self.store.with_own_connections(most),
            ..self.clone()
        }
    }

    /// The database.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// The clock.
    pub fn clock(&self) -> &dyn Clock {
        self.clock.as_ref()
    }

    /// A new identifier, in the order of time.
    pub(crate) fn new_id(&self) -> Uuid {
        new_id(self.clock.as_ref())
    }

    /// Reads for a member: the operation must be open to them; `body` narrows it to what they reach.
    pub(crate) async fn read<R>(
        &self,
        operation: Operation,
        caller: &Caller,
        body: impl AsyncFnOnce(&mut Tx, &Actor) -> Result<R>,
    ) -> Result<R> {
        self.store
            .read(caller.scope(), async |tx| {
                let actor = authorise(tx, operation)?;
                body(tx, &actor).await
            })
            .await
    }

    /// Writes for a member, all or nothing; may be run again when it lost against another write.
    pub(crate) async fn write<R>(
        &self,
        operation: Operation,
        caller: &Caller,
        body: impl AsyncFn(&mut Tx, &Actor) -> Result<R>,
    ) -> Result<R> {
        self.store
            .write(operation.as_str(), caller.scope(), async |tx| {
                let actor = authorise(tx, operation)?;
                body(tx, &actor).await
            })
            .await
    }

    /// Writes for a member and keeps the answer under the request's idempotency key, if it has one:
    /// repeated, the request has one effect and one answer.
    pub(crate) async fn write_once<R: Serialize + DeserializeOwned>(
        &self,
        operation: Operation,
        caller: &Caller,
        body: impl AsyncFn(&mut Tx, &Actor) -> Result<R>,
    ) -> Result<R> {
        let Some(once) = &caller.idempotency else {
            return self.write(operation, caller, body).await;
        };
        self.write(operation, caller, async |tx, actor| {
            let begun = idempotency::begin(
                tx,
                actor.member_id,
                &once.key,
                operation.as_str(),
                &once.request_hash,
                self.clock.now(),
            )
            .await?;
            match begun {
                idempotency::Begun::Answered(answer) => {
                    serde_json::from_value(answer).map_err(Error::internal)
                }
                idempotency::Begun::OtherRequest => {
                    Err(Error::Refused(cotyl_domain::Refusal::KeyReused))
                }
                idempotency::Begun::New => {
                    let answer = body(tx, actor).await?;
                    let kept = serde_json::to_value(&answer).map_err(Error::internal)?;
                    idempotency::finish(tx, actor.member_id, &once.key, &kept).await?;
                    Ok(answer)
                }
            }
        })
        .await
    }
}

/// A new identifier (UUID version 7) in the order of the clock's time, and of making within one tick.
pub(crate) fn new_id(clock: &dyn Clock) -> Uuid {
    static ORDER: Mutex<ContextV7> = Mutex::new(ContextV7::new());
    let now = clock.now();
    let seconds = u64::try_from(now.timestamp()).unwrap_or_default();
    Uuid::new_v7(uuid::Timestamp::from_unix(
        &ORDER,
        seconds,
        now.timestamp_subsec_nanos(),
    ))
}

fn authorise(tx: &mut Tx, operation: Operation) -> Result<Actor> {
    let actor = tx
        .take_actor()
        .ok_or(Error::Unauthenticated("this sign-in has ended"))?;
    if !operation.is_open_to(&actor) {
        return Err(Error::Forbidden(operation));
    }
    Ok(actor)
}
