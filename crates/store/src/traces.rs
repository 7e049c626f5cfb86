//! Traces: what a lot, batch, sowing or cut came to, and what a delivery came from.
//!
//! What was drawn and brought back, poured and withdrawn, or put into a delivery and corrected to nothing does not
//! count. Solution that was poured at a station without saying for which sowing counts for every sowing that stood
//! there on that day.

pub mod details;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::{Result, Tx};

/// A record in a trace.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, sqlx::FromRow)]
pub struct Point {
    /// `lot`, `batch`, `sowing`, `cut` or `delivery`.
    pub kind: String,
    /// The record.
    pub id: Uuid,
}

/// What a trace may show.
#[derive(Debug, Clone, Copy)]
pub struct Within<'a> {
    /// Batches, sowings and what comes of them at these sites; everywhere when `None`.
    pub sites: Option<&'a [Uuid]>,
    /// Deliveries from these sites; from everywhere when `None`.
    pub delivering_sites: Option<&'a [Uuid]>,
    /// Deliveries to these recipients, wherever they come from.
    pub recipients: &'a [Uuid],
    /// Most records.
    pub most: i64,
}

impl Within<'_> {
    /// At every site and to every recipient.
    pub const fn everywhere(most: i64) -> Self {
        Self {
            sites: None,
            delivering_sites: None,
            recipients: &[],
            most,
        }
    }
}

/// The movements that count: drawn for something and not brought back.
macro_rules! drawn {
    () => {
        "m.cooperative_id = $1 and m.kind = 'issue' and num_nonnulls(m.sowing_id, m.batch_id) > 0
         and not exists (select from movement u where u.cooperative_id = m.cooperative_id and u.reverses_id = m.id)"
    };
}

/// The uses of batches that count.
macro_rules! used {
    () => {
        "e.cooperative_id = $1 and e.kind = 'use'
         and not exists (select from batch_entry w where w.cooperative_id = e.cooperative_id and w.withdraws_id = e.id)"
    };
}

/// Whether a sowing stood at the station of a use on its day.
macro_rules! stood {
    () => {
        "e.sowing_id is null and s.station_id = e.station_id
         and s.sown_on <= (e.happened_at at time zone site.zone)::date
         and coalesce(s.cleared_on, s.lost_on, 'infinity') >= (e.happened_at at time zone site.zone)::date"
    };
}

/// What a line weighs with its corrections.
macro_rules! line_weight {
    () => {
        "(l.milligrams + coalesce((select sum(k.change_milligrams) from delivery_correction k
            where k.cooperative_id = l.cooperative_id and k.delivery_line_id = l.id), 0))::bigint"
    };
}

/// Whether a delivery may be shown.
macro_rules! shown_delivery {
    () => {
        "($5::uuid[] is null or d.site_id = any($5) or d.recipient_id = any($6))"
    };
}

/// What some records came to, themselves included.
///
/// # Errors
/// Those of the database.
pub async fn forward(tx: &mut Tx, from: &[Point], within: Within<'_>) -> Result<Vec<Point>> {
    run(
        tx,
        concat!(
            "with recursive reached (kind, id) as (
               select * from unnest($2::text[], $3::uuid[])
               union
               select n.kind, n.id from reached r cross join lateral (
                 select 'batch' as kind, b.id
                   from movement m join batch b on b.cooperative_id = m.cooperative_id and b.id = m.batch_id
                  where r.kind = 'lot' and m.lot_id = r.id and ",
            drawn!(),
            "       and ($4::uuid[] is null or b.site_id = any($4))
                 union all
                 select 'sowing', s.id
                   from movement m join sowing s on s.cooperative_id = m.cooperative_id and s.id = m.sowing_id
                  where r.kind = 'lot' and m.lot_id = r.id and ",
            drawn!(),
            "       and ($4::uuid[] is null or s.site_id = any($4))
                 union all
                 select 'sowing', s.id
                   from batch_entry e join sowing s on s.cooperative_id = e.cooperative_id and s.id = e.sowing_id
                  where r.kind = 'batch' and e.batch_id = r.id and ",
            used!(),
            "       and ($4::uuid[] is null or s.site_id = any($4))
                 union all
                 select 'sowing', s.id
                   from batch_entry e
                   join sowing s on s.cooperative_id = e.cooperative_id and s.station_id = e.station_id
                   join site on site.cooperative_id = s.cooperative_id and site.id = s.site_id
                  where r.kind = 'batch' and e.batch_id = r.id and ",
            used!(),
            "       and ",
            stood!(),
            "       and ($4::uuid[] is null or s.site_id = any($4))
                 union all
                 select 'cut', c.id from cut c where r.kind = 'sowing' and c.cooperative_id = $1 and c.sowing_id = r.id
                 union all
                 select 'delivery', d.id
                   from delivery_line l join delivery d on d.cooperative_id = l.cooperative_id and d.id = l.delivery_id
                  where r.kind = 'cut' and l.cooperative_id = $1 and l.cut_id = r.id and ",
            line_weight!(),
            "       > 0 and ",
            shown_delivery!(),
            "  ) n
             )
             select kind, id from reached limit $7"
        ),
        from,
        within,
    )
    .await
}

/// What a record `r` came from.
macro_rules! came_from {
    () => {
        concat!(
            "select 'cut' as kind, l.cut_id as id
                   from delivery_line l join delivery d on d.cooperative_id = l.cooperative_id and d.id = l.delivery_id
                  where r.kind = 'delivery' and l.cooperative_id = $1 and l.delivery_id = r.id and ",
            line_weight!(),
            "       > 0 and ",
            shown_delivery!(),
            "    union all
                 select 'sowing', s.id
                   from cut c join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
                  where r.kind = 'cut' and c.cooperative_id = $1 and c.id = r.id
                    and ($4::uuid[] is null or s.site_id = any($4))
                 union all
                 select 'lot', m.lot_id from movement m where r.kind = 'sowing' and m.sowing_id = r.id and ",
            drawn!(),
            "    union all
                 select 'batch', b.id
                   from batch_entry e join batch b on b.cooperative_id = e.cooperative_id and b.id = e.batch_id
                  where r.kind = 'sowing' and e.sowing_id = r.id and ",
            used!(),
            "    union all
                 select 'batch', e.batch_id
                   from sowing s
                   join site on site.cooperative_id = s.cooperative_id and site.id = s.site_id
                   join batch_entry e on e.cooperative_id = s.cooperative_id and e.station_id = s.station_id
                  where r.kind = 'sowing' and s.cooperative_id = $1 and s.id = r.id and ",
            used!(),
            "       and ",
            stood!(),
            "    union all
                 select 'lot', m.lot_id from movement m where r.kind = 'batch' and m.batch_id = r.id and ",
            drawn!(),
        )
    };
}

/// What some records came from, themselves included.
///
/// # Errors
/// Those of the database.
pub async fn back(tx: &mut Tx, from: &[Point], within: Within<'_>) -> Result<Vec<Point>> {
    run(
        tx,
        concat!(
            "with recursive reached (kind, id) as (
               select * from unnest($2::text[], $3::uuid[])
               union
               select n.kind, n.id from reached r cross join lateral (
                 ",
            came_from!(),
            "  ) n
             )
             select kind, id from reached limit $7"
        ),
        from,
        within,
    )
    .await
}

/// Which of some suspect records each of some cuts came from, the cut itself included. It is found from the sowings of
/// the cuts, each once, so that it costs no more when a lot went into very much else.
///
/// # Errors
/// Those of the database.
pub async fn suspect_origins(
    tx: &mut Tx,
    cuts: &[Uuid],
    suspect: &[&Point],
) -> Result<Vec<(Uuid, Point)>> {
    #[derive(sqlx::FromRow)]
    struct Origin {
        cut_id: Uuid,
        #[sqlx(flatten)]
        point: Point,
    }
    let cooperative_id = tx.cooperative_id();
    let kinds: Vec<&str> = suspect.iter().map(|point| point.kind.as_str()).collect();
    let ids: Vec<Uuid> = suspect.iter().map(|point| point.id).collect();
    let found: Vec<Origin> = sqlx::query_as(concat!(
        "with recursive reached (sowing_id, kind, id) as (
           select distinct c.sowing_id, $3::text, c.sowing_id from cut c where c.cooperative_id = $1 and c.id = any($2)
           union
           select r.sowing_id, n.kind, n.id from reached r cross join lateral (
             ",
        came_from!(),
        "  ) n
         ), suspect (kind, id) as (
           select * from unnest($7::text[], $8::uuid[])
         )
         select c.id as cut_id, s.kind, s.id
           from suspect s join reached r on r.kind = s.kind and r.id = s.id
           join cut c on c.cooperative_id = $1 and c.sowing_id = r.sowing_id and c.id = any($2)
         union all
         select s.id, s.kind, s.id from suspect s where s.kind = 'cut' and s.id = any($2)"
    ))
    .bind(cooperative_id)
    .bind(cuts)
    .bind("sowing")
    // everywhere
    .bind(None::<&[Uuid]>)
    .bind(None::<&[Uuid]>)
    .bind(&[] as &[Uuid])
    .bind(kinds)
    .bind(ids)
    .fetch_all(tx.connection())
    .await?;
    let pair = |origin: Origin| (origin.cut_id, origin.point);
    Ok(found.into_iter().map(pair).collect())
}

async fn run(
    tx: &mut Tx,
    statement: &'static str,
    from: &[Point],
    within: Within<'_>,
) -> Result<Vec<Point>> {
    let cooperative_id = tx.cooperative_id();
    let kinds: Vec<&str> = from.iter().map(|point| point.kind.as_str()).collect();
    let ids: Vec<Uuid> = from.iter().map(|point| point.id).collect();
    Ok(sqlx::query_as(statement)
        .bind(cooperative_id)
        .bind(kinds)
        .bind(ids)
        .bind(within.sites)
        .bind(within.delivering_sites)
        .bind(within.recipients)
        .bind(within.most)
        .fetch_all(tx.connection())
        .await?)
}

/// What a member did in a time that may have come into food: sown, drawn, mixed, poured, cut, handed over.
///
/// # Errors
/// Those of the database.
pub async fn touched_by(
    tx: &mut Tx,
    member_id: Uuid,
    (begin, end): (DateTime<Utc>, DateTime<Utc>),
    within: Within<'_>,
) -> Result<Vec<Point>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(concat!(
        "select kind, id from (
           select 'sowing' as kind, v.sowing_id as id from sowing_event v
            where v.cooperative_id = $1 and v.member_id = $2 and v.kind in ('sown', 'sprouted') and v.recorded_at between $3 and $8
           union
           select case when m.batch_id is null then 'sowing' else 'batch' end, coalesce(m.batch_id, m.sowing_id) from movement m
            where m.member_id = $2 and m.happened_at between $3 and $8 and ",
        drawn!(),
        "  union
           select 'batch', b.id from batch b where b.cooperative_id = $1 and b.begun_by = $2 and b.begun_at between $3 and $8
           union
           select case when e.kind = 'use' and e.sowing_id is not null then 'sowing' else 'batch' end,
                  case when e.kind = 'use' and e.sowing_id is not null then e.sowing_id else e.batch_id end from batch_entry e
            where e.cooperative_id = $1 and e.member_id = $2 and e.happened_at between $3 and $8 and e.kind in ('dose', 'use')
              and not exists (select from batch_entry w where w.cooperative_id = e.cooperative_id and w.withdraws_id = e.id)
           union
           select 'cut', c.id from cut c where c.cooperative_id = $1 and c.member_id = $2 and c.recorded_at between $3 and $8
           union
           select 'delivery', d.id from delivery d
            where d.cooperative_id = $1 and d.handed_over_by = $2 and d.handed_over_at between $3 and $8 and ",
        shown_delivery!(),
        ") done
          where $4::uuid[] is null
             or case kind when 'sowing' then exists (select from sowing s where s.cooperative_id = $1 and s.id = done.id and s.site_id = any($4))
                          when 'batch' then exists (select from batch b where b.cooperative_id = $1 and b.id = done.id and b.site_id = any($4))
                          when 'cut' then exists (select from cut c join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
                                                   where c.cooperative_id = $1 and c.id = done.id and s.site_id = any($4))
                          else true end
          limit $7"
    ))
    .bind(cooperative_id)
    .bind(member_id)
    .bind(begin)
    .bind(within.sites)
    .bind(within.delivering_sites)
    .bind(within.recipients)
    .bind(within.most)
    .bind(end)
    .fetch_all(tx.connection())
    .await?)
}

/// Sowings that stood at a station on some of the days.
///
/// # Errors
/// Those of the database.
pub async fn stood_at(
    tx: &mut Tx,
    station_id: Uuid,
    (first_day, last_day): (NaiveDate, NaiveDate),
    most: i64,
) -> Result<Vec<Point>> {
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(
        "select 'sowing' as kind, id from sowing
          where cooperative_id = $1 and station_id = $2 and sown_on <= $4
            and coalesce(cleared_on, lost_on, 'infinity') >= $3 order by id limit $5",
    )
    .bind(cooperative_id)
    .bind(station_id)
    .bind(first_day)
    .bind(last_day)
    .bind(most)
    .fetch_all(tx.connection())
    .await?)
}

/// A record from which a trace may start.
#[derive(Debug, Clone, PartialEq, Eq, sqlx::FromRow)]
pub struct Start {
    /// The record.
    pub id: Uuid,
    /// What people call it.
    pub name: String,
    /// Sites that it lies or lay at; none for a member.
    pub sites: Vec<Uuid>,
    /// Recipients who got it, where it is a cut or a delivery.
    pub recipients: Vec<Uuid>,
}

/// The record of a kind and id, or a cut by the code on its tray.
///
/// # Errors
/// Those of the database.
pub async fn start(
    tx: &mut Tx,
    kind: &str,
    id: Option<Uuid>,
    tray_code: Option<&str>,
) -> Result<Option<Start>> {
    let statement = match kind {
        "lot" => {
            "select l.id, i.name || ' ' || l.code as name,
                    array(select s.site_id from store_lot s where s.cooperative_id = l.cooperative_id and s.lot_id = l.id) as sites,
                    '{}'::uuid[] as recipients
               from lot l join stock_item i on i.cooperative_id = l.cooperative_id and i.id = l.stock_item_id
              where l.cooperative_id = $1 and l.id = $2 and $3::text is null"
        }
        "batch" => {
            "select id, code as name, array[site_id] as sites, '{}'::uuid[] as recipients from batch
              where cooperative_id = $1 and id = $2 and $3::text is null"
        }
        "station" => {
            "select id, name, array[site_id] as sites, '{}'::uuid[] as recipients from station
              where cooperative_id = $1 and id = $2 and $3::text is null"
        }
        "sowing" => {
            "select s.id, c.name || ' ' || s.sow_on as name, array[s.site_id] as sites, '{}'::uuid[] as recipients
               from sowing s join crop c on c.cooperative_id = s.cooperative_id and c.id = s.crop_id
              where s.cooperative_id = $1 and s.id = $2 and $3::text is null"
        }
        "member" => {
            "select id, name, '{}'::uuid[] as sites, '{}'::uuid[] as recipients from member
              where cooperative_id = $1 and id = $2 and $3::text is null"
        }
        "cut" => {
            concat!(
                "select c.id, c.tray_code as name, array[s.site_id] as sites,
                    array(select d.recipient_id from delivery_line l
                            join delivery d on d.cooperative_id = l.cooperative_id and d.id = l.delivery_id
                           where l.cooperative_id = c.cooperative_id and l.cut_id = c.id and ",
                line_weight!(),
                "        > 0) as recipients
               from cut c join sowing s on s.cooperative_id = c.cooperative_id and s.id = c.sowing_id
              where c.cooperative_id = $1 and ($2::uuid is null or c.id = $2) and ($3::text is null or c.tray_code = $3)
                and num_nonnulls($2, $3) > 0"
            )
        }
        _ => {
            "select d.id, r.name || ' ' || d.packed_on as name, array[d.site_id] as sites, array[d.recipient_id] as recipients
               from delivery d join recipient r on r.cooperative_id = d.cooperative_id and r.id = d.recipient_id
              where d.cooperative_id = $1 and d.id = $2 and $3::text is null"
        }
    };
    let cooperative_id = tx.cooperative_id();
    Ok(sqlx::query_as(statement)
        .bind(cooperative_id)
        .bind(id)
        .bind(tray_code)
        .fetch_optional(tx.connection())
        .await?)
}
