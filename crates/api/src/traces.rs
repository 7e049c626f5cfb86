//! Traces: from a lot to every delivery, and from a tray back to everything that went into it.

use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use cotyl_app::records;
use cotyl_app::traces::{self as app, Direction, MOST_RECORDS, Suspect, TraceOf, TraceWanted};
use cotyl_domain::quantity::{Amount, Mass, StockDimension, Volume};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::Signed;
use crate::problem::{Problem, ReadProblems};
use crate::respond::Answer;
use crate::serve::ApiState;
use crate::stock_items::dimension;

/// Records of a trace when nothing else is asked for.
const USUAL_RECORDS: i64 = 2_000;

/// A lot in a trace.
#[derive(Debug, Serialize, ToSchema)]
pub struct TracedLot {
    /// The lot.
    pub id: Uuid,
    /// The supplier's code.
    pub code: String,
    /// Its item.
    pub stock_item_id: Uuid,
    /// Name of the item.
    pub stock_item_name: String,
    /// `seed`, `medium`, `cup`, `fertiliser`, `adjuster` or `other`.
    #[schema(example = "seed")]
    pub category: String,
    /// What was received.
    pub quantity: Amount,
    /// When.
    pub received_on: NaiveDate,
    /// The last day on which it may be used.
    pub expires_on: Option<NaiveDate>,
    /// What was drawn of it without saying for which sowing or batch: nothing tells what became of it. `null` while a
    /// stock-taking that hides the ledger is open, for those who might count.
    pub untied: Option<Amount>,
}

/// A batch of solution in a trace.
#[derive(Debug, Serialize, ToSchema)]
pub struct TracedBatch {
    /// The batch.
    pub id: Uuid,
    /// What is written on its container.
    pub code: String,
    /// Where it was mixed.
    pub site_id: Uuid,
    /// Name of its recipe.
    pub recipe_name: String,
    /// Its volume.
    pub volume: Volume,
    /// `mixing`, `ready`, `in_use`, `used_up` or `discarded`.
    #[schema(example = "in_use")]
    pub state: String,
    /// When it was begun.
    pub begun_at: DateTime<Utc>,
}

/// A station in a trace.
#[derive(Debug, Serialize, ToSchema)]
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

/// A sowing in a trace.
#[derive(Debug, Serialize, ToSchema)]
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
    /// `planned`, `sown`, `sprouted`, `cutting`, `cleared` or `lost`.
    #[schema(example = "cutting")]
    pub state: String,
    /// When it was to be sown.
    pub sow_on: NaiveDate,
    /// When it was.
    pub sown_on: Option<NaiveDate>,
}

/// What a member did to a record of a trace.
#[derive(Debug, Serialize, ToSchema)]
pub struct TracedWork {
    /// `sown`, `sprouted`, `drawn`, `mixed`, `dosed`, `poured`, `cut` or `handed_over`.
    #[schema(example = "cut")]
    pub kind: String,
    /// `sowing`, `batch`, `cut` or `delivery`.
    #[schema(example = "cut")]
    pub record_kind: String,
    /// The record.
    pub record_id: Uuid,
    /// Who.
    pub member_id: Uuid,
    /// Their name, for those who may know it.
    pub member_name: Option<String>,
    /// When.
    pub at: DateTime<Utc>,
}

/// A cut in a trace: a tray.
#[derive(Debug, Serialize, ToSchema)]
pub struct TracedCut {
    /// The cut.
    pub id: Uuid,
    /// The sowing.
    pub sowing_id: Uuid,
    /// What is written on the tray.
    #[schema(example = "261005-KXRT")]
    pub tray_code: String,
    /// The local day.
    pub cut_on: NaiveDate,
    /// Weight as it was first written down.
    pub first_weight: Mass,
    /// Weight with its corrections.
    pub weight: Mass,
    /// What of it is in deliveries, those too that are left out here; `null` for recipients.
    pub delivered: Option<Mass>,
}

/// A delivery in a trace.
#[derive(Debug, Serialize, ToSchema)]
pub struct TracedDelivery {
    /// The delivery.
    pub id: Uuid,
    /// Where it was packed.
    pub site_id: Uuid,
    /// Who receives it.
    pub recipient_id: Uuid,
    /// `packed`, `handed_over`, `confirmed` or `withdrawn`.
    #[schema(example = "handed_over")]
    pub state: String,
    /// The local day of packing.
    pub packed_on: NaiveDate,
    /// When it was handed over.
    pub handed_over_at: Option<DateTime<Utc>>,
    /// Who took it.
    pub received_by: Option<String>,
    /// What of it comes from the cuts of the trace, with corrections; all of it where the trace starts with it.
    pub weight: Mass,
    /// All of it.
    pub total: Mass,
}

/// A recipient in a trace.
#[derive(Debug, Serialize, ToSchema)]
pub struct TracedRecipient {
    /// The recipient.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// What came to it from the cuts of the trace, packed or handed over.
    pub weight: Mass,
}

/// How much went from one record to another, and when.
#[derive(Debug, Serialize, ToSchema)]
pub struct TraceEdge {
    /// `lot`, `batch`, `station`, `sowing`, `cut` or `delivery`.
    #[schema(example = "lot")]
    pub from_kind: String,
    /// Whence.
    pub from_id: Uuid,
    /// `batch`, `station`, `sowing`, `cut`, `delivery` or `recipient`.
    #[schema(example = "sowing")]
    pub to_kind: String,
    /// Whither.
    pub to_id: Uuid,
    /// `recorded`, or `same_station` for solution that was poured at a station without saying for which sowing:
    /// it counts for every sowing that stood there on that day.
    #[schema(example = "recorded")]
    pub basis: String,
    /// How much: a weight, a volume, pieces or, of a station, containers; `null` where only the station is known,
    /// and of lots while a stock-taking that hides the ledger is open.
    pub amount: Option<Amount>,
    /// When first.
    pub first_at: Option<DateTime<Utc>>,
    /// When last.
    pub last_at: Option<DateTime<Utc>>,
}

/// A trace: lists of records, and edges between them with weights and times.
#[derive(Debug, Serialize, ToSchema)]
pub struct Trace {
    /// With what it starts.
    pub of: &'static str,
    /// The record.
    pub id: Uuid,
    /// What people call it.
    pub name: String,
    /// Lots of seed, medium, fertiliser and anything else that was drawn for its sowings and batches.
    pub lots: Vec<TracedLot>,
    /// Batches of solution.
    pub batches: Vec<TracedBatch>,
    /// Stations where its sowings stood.
    pub stations: Vec<TracedStation>,
    /// Sowings.
    pub sowings: Vec<TracedSowing>,
    /// Who did what; empty for recipients.
    pub work: Vec<TracedWork>,
    /// Cuts.
    pub cuts: Vec<TracedCut>,
    /// Deliveries.
    pub deliveries: Vec<TracedDelivery>,
    /// Recipients.
    pub recipients: Vec<TracedRecipient>,
    /// How much went from one record to another, and when.
    pub edges: Vec<TraceEdge>,
    /// Whether there are more records than `limit`, so that some are missing here, deliveries too.
    pub cut_short: bool,
    /// Whether the caller sees their own sites or recipients only, so that what lies elsewhere is left out.
    pub narrowed: bool,
}

fn lot(lot: records::TracedLot) -> TracedLot {
    let amount = |base_units| Amount::of(dimension(&lot.dimension), base_units);
    TracedLot {
        quantity: amount(lot.quantity),
        untied: lot.untied.map(amount),
        id: lot.id,
        code: lot.code,
        stock_item_id: lot.stock_item_id,
        stock_item_name: lot.stock_item_name,
        category: lot.category,
        received_on: lot.received_on,
        expires_on: lot.expires_on,
    }
}

fn recipients(deliveries: &[records::TracedDelivery]) -> Vec<TracedRecipient> {
    let mut found: Vec<(Uuid, &str, i64)> = Vec::new();
    for delivery in deliveries {
        match found.iter_mut().find(|one| one.0 == delivery.recipient_id) {
            Some(one) => one.2 += delivery.milligrams,
            None => found.push((
                delivery.recipient_id,
                &delivery.recipient_name,
                delivery.milligrams,
            )),
        }
    }
    found.sort_by_key(|one| one.1.to_lowercase());
    found
        .into_iter()
        .map(|(id, name, milligrams)| TracedRecipient {
            id,
            name: name.to_owned(),
            weight: Mass::of_milligrams(milligrams),
        })
        .collect()
}

fn edge(edge: records::Edge) -> TraceEdge {
    let dimension = StockDimension::parse(&edge.dimension);
    TraceEdge {
        amount: dimension
            .zip(edge.quantity)
            .map(|(dimension, quantity)| Amount::of(dimension, quantity)),
        from_kind: edge.from_kind,
        from_id: edge.from_id,
        to_kind: edge.to_kind,
        to_id: edge.to_id,
        basis: edge.basis,
        first_at: edge.first_at,
        last_at: edge.last_at,
    }
}

impl Trace {
    fn of(of: TraceOf, trace: app::Trace) -> Self {
        let (names, for_recipient) = (trace.names_members, trace.is_for_recipient);
        Self {
            of: of.as_str(),
            id: trace.start.id,
            name: trace.start.name,
            lots: trace.lots.into_iter().map(lot).collect(),
            batches: trace.batches.into_iter().map(Into::into).collect(),
            stations: trace.stations.into_iter().map(Into::into).collect(),
            sowings: trace.sowings.into_iter().map(Into::into).collect(),
            work: trace.work.into_iter().map(|one| work(one, names)).collect(),
            cuts: trace
                .cuts
                .into_iter()
                .map(|one| cut(one, for_recipient))
                .collect(),
            recipients: recipients(&trace.deliveries),
            deliveries: trace.deliveries.into_iter().map(Into::into).collect(),
            edges: trace.edges.into_iter().map(edge).collect(),
            cut_short: trace.is_cut_short,
            narrowed: trace.is_narrowed,
        }
    }
}

impl From<records::TracedBatch> for TracedBatch {
    fn from(batch: records::TracedBatch) -> Self {
        Self {
            id: batch.id,
            code: batch.code,
            site_id: batch.site_id,
            recipe_name: batch.recipe_name,
            volume: Volume::of_microlitres(batch.microlitres),
            state: batch.state,
            begun_at: batch.begun_at,
        }
    }
}

impl From<records::TracedStation> for TracedStation {
    fn from(station: records::TracedStation) -> Self {
        Self {
            id: station.id,
            name: station.name,
            site_id: station.site_id,
            site_name: station.site_name,
        }
    }
}

impl From<records::TracedSowing> for TracedSowing {
    fn from(sowing: records::TracedSowing) -> Self {
        Self {
            id: sowing.id,
            station_id: sowing.station_id,
            site_id: sowing.site_id,
            crop_id: sowing.crop_id,
            crop_name: sowing.crop_name,
            containers: sowing.containers,
            state: sowing.state,
            sow_on: sowing.sow_on,
            sown_on: sowing.sown_on,
        }
    }
}

impl From<records::TracedDelivery> for TracedDelivery {
    fn from(delivery: records::TracedDelivery) -> Self {
        Self {
            id: delivery.id,
            site_id: delivery.site_id,
            recipient_id: delivery.recipient_id,
            state: delivery.state,
            packed_on: delivery.packed_on,
            handed_over_at: delivery.handed_over_at,
            received_by: delivery.received_by,
            weight: Mass::of_milligrams(delivery.milligrams),
            total: Mass::of_milligrams(delivery.total_milligrams),
        }
    }
}

fn work(work: records::TracedWork, names_members: bool) -> TracedWork {
    TracedWork {
        kind: work.kind,
        record_kind: work.record_kind,
        record_id: work.record_id,
        member_id: work.member_id,
        member_name: names_members.then_some(work.member_name),
        at: work.at,
    }
}

fn cut(cut: records::TracedCut, for_recipient: bool) -> TracedCut {
    TracedCut {
        id: cut.id,
        sowing_id: cut.sowing_id,
        tray_code: cut.tray_code,
        cut_on: cut.cut_on,
        first_weight: Mass::of_milligrams(cut.first_milligrams),
        weight: Mass::of_milligrams(cut.milligrams),
        delivered: (!for_recipient).then(|| Mass::of_milligrams(cut.delivered_milligrams)),
    }
}

/// What is traced.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct TraceQuery {
    /// With what it starts: `lot`, `batch`, `station`, `sowing`, `member`, `cut` or `delivery`.
    #[param(example = "cut")]
    pub of: String,
    /// The record.
    pub id: Option<Uuid>,
    /// Of a cut instead of its id: what is written on the tray.
    #[param(example = "261005-KXRT")]
    pub tray_code: Option<String>,
    /// `forward` to deliveries, `back` to lots, or `both`, which is meant when it is left out.
    pub direction: Option<String>,
    /// Of a station or a member: from this day; from the beginning when left out.
    pub first_day: Option<NaiveDate>,
    /// Of a station or a member: to this day; until now when left out. A member's day counts in every time zone.
    pub last_day: Option<NaiveDate>,
    /// Most records, 1 to 10000; 2000 when left out.
    #[param(minimum = 1, maximum = 10000)]
    pub limit: Option<i64>,
}

/// The kind of record of that name.
///
/// # Errors
/// A problem of the field.
pub fn trace_of(pointer: &str, name: &str) -> Result<TraceOf, Problem> {
    TraceOf::parse(name).ok_or_else(|| {
        let detail = "must be lot, batch, station, sowing, member, cut or delivery";
        Problem::field(pointer, "unknown", detail)
    })
}

fn direction(name: Option<&str>) -> Result<Direction, Problem> {
    match name {
        None | Some("both") => Ok(Direction::Both),
        Some("forward") => Ok(Direction::Forward),
        Some("back") => Ok(Direction::Back),
        Some(_) => Err(Problem::field(
            "direction",
            "unknown",
            "must be forward, back or both",
        )),
    }
}

/// Trace produce
///
/// From a lot of seed, medium or fertiliser, a batch of solution, a station, a sowing, a member's work or a cut
/// forward to every delivery and recipient, and from a delivered tray back to all of these, with weights and
/// times as they stand with all corrections. What was brought back, withdrawn or corrected to nothing does not
/// count. Members of a site see what lies there; recipients see their own deliveries, without who did the work.
#[utoipa::path(
    tag = "deliveries", operation_id = "read_trace", params(TraceQuery),
    responses((status = 200, description = "The trace", body = Trace), ReadProblems)
)]
#[get("/traces")]
pub async fn read_trace(
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<TraceQuery>,
) -> Answer {
    let of = trace_of("of", &query.of)?;
    let wanted = TraceWanted {
        suspect: Suspect {
            of,
            id: query.id,
            tray_code: query.tray_code.clone(),
            first_day: query.first_day,
            last_day: query.last_day,
        },
        direction: direction(query.direction.as_deref())?,
        most: query.limit.unwrap_or(USUAL_RECORDS.min(MOST_RECORDS)),
    };
    let trace = state.app.read_trace(&caller, &wanted).await?;
    Ok(HttpResponse::Ok().json(Trace::of(of, trace)))
}
