//! What a trace shows of its records, and how much went from one to the next when.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Result, Tx};

/// The records of a trace by kind.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ids {
    /// Lots.
    pub lots: Vec<Uuid>,
    /// Batches.
    pub batches: Vec<Uuid>,
    /// Sowings.
    pub sowings: Vec<Uuid>,
    /// Cuts.
    pub cuts: Vec<Uuid>,
    /// Deliveries.
    pub deliveries: Vec<Uuid>,
    /// Those of the deliveries that count whole, whichever cuts are in them.
    pub whole_deliveries: Vec<Uuid>,
}

/// A lot.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct TracedLot {
    /// The lot.
    pub id: Uuid,
    /// The supplier's code.
    pub code: String,
    /// Its item.
    pub stock_item_id: Uuid,
    /// Name of the item.
    pub stock_item_name: String,
    /// Category of the item.
    pub category: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// Base units received.
    pub quantity: i64,
    /// When it came.
    pub received_on: NaiveDate,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// Base units drawn without saying for what: a trace does not know what became of it.
    pub untied: Option<i64>,
}

/// A batch.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct TracedBatch {
    /// The batch.
    pub id: Uuid,
    /// What is written on its container.
    pub code: String,
    /// Where it was mixed.
    pub site_id: Uuid,
    /// Name of its recipe now.
    pub recipe_name: String,
    /// Its volume.
    pub microlitres: i64,
    /// Where it stands.
    pub state: String,
    /// When it was begun.
    pub begun_at: DateTime<Utc>,
}

/// A station.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct TracedStation {
    /// The station.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Its site.
    pub site_id: Uuid,
    /// Name of the site.
    pub site_name: String,
}

/// A sowing.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct TracedSowing {
    /// The sowing.
    pub id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its site.
    pub site_id: Uuid,
    /// The crop.
    pub crop_id: Uuid,
    /// Its name.
    pub crop_name: String,
    /// Containers.
    pub containers: i32,
    /// Where it stands.
    pub state: String,
    /// When it was to be sown.
    pub sow_on: NaiveDate,
    /// When it was.
    pub sown_on: Option<NaiveDate>,
}

/// A cut.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct TracedCut {
    /// The cut.
    pub id: Uuid,
    /// The sowing.
    pub sowing_id: Uuid,
    /// What is written on the tray.
    pub tray_code: String,
    /// The local day.
    pub cut_on: NaiveDate,
    /// Weight as it was first written down.
    pub first_milligrams: i64,
    /// Weight with its corrections.
    pub milligrams: i64,
    /// What of it is in deliveries, all of them.
    pub delivered_milligrams: i64,
}

/// A delivery.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct TracedDelivery {
    /// The delivery.
    pub id: Uuid,
    /// Where it was packed.
    pub site_id: Uuid,
    /// Who receives it.
    pub recipient_id: Uuid,
    /// Name of the recipient.
    pub recipient_name: String,
    /// `packed`, `handed_over`, `confirmed` or `withdrawn`.
    pub state: String,
    /// The local day of packing.
    pub packed_on: NaiveDate,
    /// When it was handed over.
    pub handed_over_at: Option<DateTime<Utc>>,
    /// Who took it.
    pub received_by: Option<String>,
    /// What of it comes from the cuts of the trace, or all of it where the trace starts with it.
    pub milligrams: i64,
    /// All of it.
    pub total_milligrams: i64,
}

/// What somebody did to a record of a trace.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct TracedWork {
    /// `sown`, `sprouted`, `drawn`, `mixed`, `dosed`, `poured`, `cut` or `handed_over`.
    pub kind: String,
    /// Kind of the record: `sowing`, `batch`, `cut` or `delivery`.
    pub record_kind: String,
    /// The record.
    pub record_id: Uuid,
    /// Who.
    pub member_id: Uuid,
    /// Their name.
    pub member_name: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// How much went from one record to another.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct Edge {
    /// `lot`, `batch`, `station`, `sowing`, `cut` or `delivery`.
    pub from_kind: String,
    /// Whence.
    pub from_id: Uuid,
    /// `batch`, `station`, `sowing`, `cut`, `delivery` or `recipient`.
    pub to_kind: String,
    /// Whither.
    pub to_id: Uuid,
    /// `recorded`, or `same_station` for solution that was poured at a station where the sowing stood.
    pub basis: String,
    /// `mass`, `volume` or `count`.
    pub dimension: String,
    /// Base units; `None` where only the station is known.
    pub quantity: Option<i64>,
    /// When first.
    pub first_at: Option<DateTime<Utc>>,
    /// When last.
    pub last_at: Option<DateTime<Utc>>,
}

macro_rules! detail_query {
    ($(#[$doc:meta])* $name:ident, $row:ty, $statement:expr) => {
        $(#[$doc])*
        ///
        /// # Errors
        /// Those of the database.
        pub async fn $name(tx: &mut Tx, ids: &Ids) -> Result<Vec<$row>> {
            let cooperative_id = tx.cooperative_id();
            Ok(sqlx::query_as($statement)
                .bind(cooperative_id)
                .bind(&ids.lots)
                .bind(&ids.batches)
                .bind(&ids.sowings)
                .bind(&ids.cuts)
                .bind(&ids.deliveries)
                .bind(&ids.whole_deliveries)
                .fetch_all(tx.connection())
                .await?)
        }
    };
}

/// Every statement takes the same parameters; this names those that one of them does not use.
macro_rules! typed {
    ($statement:literal) => {
        concat!(
            "with given as (select $2::uuid[] as lots, $3::uuid[] as batches, $4::uuid[] as sowings, $5::uuid[] as cuts, $6::uuid[] as deliveries, $7::uuid[] as whole) ",
            $statement
        )
    };
}

detail_query!(
    /// Lots, by the day of their receipt.
    lots,
    TracedLot,
    typed!(
        "select l.id, l.code, l.stock_item_id, i.name as stock_item_name, i.category, i.dimension, l.quantity, l.received_on, l.expires_on,
                coalesce((select sum(m.quantity) from movement m
                           where m.cooperative_id = l.cooperative_id and m.lot_id = l.id and m.kind = 'issue' and num_nonnulls(m.sowing_id, m.batch_id) = 0
                             and not exists (select from movement u where u.cooperative_id = m.cooperative_id and u.reverses_id = m.id)), 0)::bigint as untied
           from lot l join stock_item i on i.cooperative_id = l.cooperative_id and i.id = l.stock_item_id
          where l.cooperative_id = $1 and l.id = any($2) order by l.received_on, l.id"
    )
);

detail_query!(
    /// Batches, in the order in which they were begun.
    batches,
    TracedBatch,
    typed!(
        "select b.id, b.code, b.site_id, r.name as recipe_name, b.microlitres, b.state, b.begun_at
           from batch b join recipe r on r.cooperative_id = b.cooperative_id and r.id = b.recipe_id
          where b.cooperative_id = $1 and b.id = any($3) order by b.begun_at, b.id"
    )
);

detail_query!(
    /// Stations of the sowings, and where the batches were poured.
    stations,
    TracedStation,
    typed!(
        "select t.id, t.name, t.site_id, site.name as site_name
           from station t join site on site.cooperative_id = t.cooperative_id and site.id = t.site_id
          where t.cooperative_id = $1 and t.id in (
            select station_id from sowing where cooperative_id = $1 and id = any($4)
            union
            select e.station_id from batch_entry e
             where e.cooperative_id = $1 and e.batch_id = any($3) and e.kind = 'use' and e.sowing_id is null
               and exists (select from sowing s where s.cooperative_id = e.cooperative_id and s.id = any($4) and s.station_id = e.station_id)
          ) order by site.name, t.name, t.id"
    )
);

detail_query!(
    /// Sowings, by their day.
    sowings,
    TracedSowing,
    typed!(
        "select s.id, s.station_id, s.site_id, s.crop_id, c.name as crop_name, s.containers, s.state, s.sow_on, s.sown_on
           from sowing s join crop c on c.cooperative_id = s.cooperative_id and c.id = s.crop_id
          where s.cooperative_id = $1 and s.id = any($4) order by coalesce(s.sown_on, s.sow_on), s.id"
    )
);

detail_query!(
    /// Cuts, by their day.
    cuts,
    TracedCut,
    typed!(
        "select c.id, c.sowing_id, c.tray_code, c.cut_on, c.milligrams as first_milligrams, b.milligrams, b.delivered_milligrams
           from cut c join cut_balance b on b.cut_id = c.id
          where c.cooperative_id = $1 and c.id = any($5) order by c.cut_on, c.id"
    )
);

detail_query!(
    /// Deliveries, in the order of their packing.
    deliveries,
    TracedDelivery,
    typed!(
        "select d.id, d.site_id, d.recipient_id, r.name as recipient_name, d.state, d.packed_on, d.handed_over_at, d.received_by,
                w.milligrams, w.total_milligrams
           from delivery d
           join recipient r on r.cooperative_id = d.cooperative_id and r.id = d.recipient_id
          cross join lateral (
            select coalesce(sum(x.milligrams) filter (where x.cut_id = any($5) or d.id = any($7)), 0)::bigint as milligrams,
                   coalesce(sum(x.milligrams), 0)::bigint as total_milligrams
              from (select l.cut_id, l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                      where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0) as milligrams
                      from delivery_line l where l.cooperative_id = d.cooperative_id and l.delivery_id = d.id) x) w
          where d.cooperative_id = $1 and d.id = any($6) order by d.packed_on, d.id"
    )
);

detail_query!(
    /// Who did what to the records, in the order of time.
    work,
    TracedWork,
    typed!(
        "select w.kind, w.record_kind, w.record_id, w.member_id, m.name as member_name, w.at
           from (
             select v.kind, 'sowing' as record_kind, v.sowing_id as record_id, v.member_id, v.recorded_at as at
               from sowing_event v where v.cooperative_id = $1 and v.sowing_id = any($4) and v.kind in ('sown', 'sprouted')
             union all
             select 'drawn', case when v.batch_id is null then 'sowing' else 'batch' end, coalesce(v.batch_id, v.sowing_id), v.member_id, v.happened_at
               from movement v where v.cooperative_id = $1 and v.kind = 'issue' and v.lot_id = any($2)
                and (v.sowing_id = any($4) or v.batch_id = any($3))
                and not exists (select from movement u where u.cooperative_id = v.cooperative_id and u.reverses_id = v.id)
             union all
             select 'mixed', 'batch', b.id, b.begun_by, b.begun_at from batch b where b.cooperative_id = $1 and b.id = any($3)
             union all
             select case e.kind when 'dose' then 'dosed' else 'poured' end, 'batch', e.batch_id, e.member_id, e.happened_at
               from batch_entry e
              where e.cooperative_id = $1 and e.batch_id = any($3)
                and (e.kind = 'dose' or e.kind = 'use' and (e.sowing_id = any($4) or e.sowing_id is null))
                and not exists (select from batch_entry x where x.cooperative_id = e.cooperative_id and x.withdraws_id = e.id)
             union all
             select 'cut', 'cut', c.id, c.member_id, c.recorded_at from cut c where c.cooperative_id = $1 and c.id = any($5)
             union all
             select 'handed_over', 'delivery', d.id, d.handed_over_by, d.handed_over_at from delivery d
              where d.cooperative_id = $1 and d.id = any($6) and d.handed_over_by is not null
           ) w join member m on m.cooperative_id = $1 and m.id = w.member_id
          order by w.at, w.record_id"
    )
);

detail_query!(
    /// How much went from one record of the trace to another, in the order of the steps and of time.
    edges,
    Edge,
    typed!(
        "select * from (
           select 1 as step, 'lot' as from_kind, m.lot_id as from_id, case when m.batch_id is null then 'sowing' else 'batch' end as to_kind,
                  coalesce(m.batch_id, m.sowing_id) as to_id, 'recorded' as basis, i.dimension, sum(m.quantity)::bigint as quantity,
                  min(m.happened_at) as first_at, max(m.happened_at) as last_at
             from movement m
             join lot l on l.cooperative_id = m.cooperative_id and l.id = m.lot_id
             join stock_item i on i.cooperative_id = l.cooperative_id and i.id = l.stock_item_id
            where m.cooperative_id = $1 and m.kind = 'issue' and m.lot_id = any($2) and (m.sowing_id = any($4) or m.batch_id = any($3))
              and not exists (select from movement u where u.cooperative_id = m.cooperative_id and u.reverses_id = m.id)
            group by m.lot_id, m.batch_id, m.sowing_id, i.dimension
           union all
           select 2, 'batch', e.batch_id, case when e.sowing_id is null then 'station' else 'sowing' end, coalesce(e.sowing_id, e.station_id), 'recorded',
                  'volume', sum(e.microlitres)::bigint, min(e.happened_at), max(e.happened_at)
             from batch_entry e
            where e.cooperative_id = $1 and e.kind = 'use' and e.batch_id = any($3)
              and (e.sowing_id = any($4) or e.sowing_id is null and exists (
                select from sowing s where s.cooperative_id = e.cooperative_id and s.id = any($4) and s.station_id = e.station_id))
              and not exists (select from batch_entry x where x.cooperative_id = e.cooperative_id and x.withdraws_id = e.id)
            group by e.batch_id, e.sowing_id, e.station_id
           union all
           select 2, 'batch', e.batch_id, 'sowing', s.id, 'same_station', 'volume', null, min(e.happened_at), max(e.happened_at)
             from batch_entry e
             join sowing s on s.cooperative_id = e.cooperative_id and s.id = any($4) and s.station_id = e.station_id
             join site on site.cooperative_id = s.cooperative_id and site.id = s.site_id
            where e.cooperative_id = $1 and e.kind = 'use' and e.batch_id = any($3) and e.sowing_id is null
              and s.sown_on <= (e.happened_at at time zone site.zone)::date
              and coalesce(s.cleared_on, s.lost_on, 'infinity') >= (e.happened_at at time zone site.zone)::date
              and not exists (select from batch_entry x where x.cooperative_id = e.cooperative_id and x.withdraws_id = e.id)
            group by e.batch_id, s.id
           union all
           select 3, 'station', s.station_id, 'sowing', s.id, 'recorded', 'count', s.containers::bigint, null, null
             from sowing s where s.cooperative_id = $1 and s.id = any($4)
           union all
           select 4, 'sowing', c.sowing_id, 'cut', c.id, 'recorded', 'mass', b.milligrams, c.recorded_at, c.recorded_at
             from cut c join cut_balance b on b.cut_id = c.id
            where c.cooperative_id = $1 and c.id = any($5) and c.sowing_id = any($4)
           union all
           select 5, 'cut', x.cut_id, 'delivery', x.delivery_id, 'recorded', 'mass', sum(x.milligrams)::bigint, min(x.recorded_at), max(x.recorded_at)
             from (select l.cut_id, l.delivery_id, l.recorded_at, l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                      where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0) as milligrams
                     from delivery_line l where l.cooperative_id = $1 and l.cut_id = any($5) and l.delivery_id = any($6)) x
            where x.milligrams > 0 group by x.cut_id, x.delivery_id
           union all
           select 6, 'delivery', d.id, 'recipient', d.recipient_id, 'recorded', 'mass', (
                    select coalesce(sum(l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
                      where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0)), 0)::bigint
                      from delivery_line l where l.cooperative_id = $1 and l.delivery_id = d.id
                       and (l.cut_id = any($5) or d.id = any($7))),
                  d.handed_over_at, d.handed_over_at
             from delivery d where d.cooperative_id = $1 and d.id = any($6) and d.state <> 'withdrawn'
         ) found order by step, first_at nulls last, from_id, to_id"
    )
);
