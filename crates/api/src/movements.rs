//! Movements of the ledger.

use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use cotyl_app::movements::{Drawn, MovementFields, MovementWish};
use cotyl_app::records;
use cotyl_domain::FieldProblem;
use cotyl_domain::quantity::Amount;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::extract::{Signed, SignedBody, page};
use crate::problem::{Problem, ReadProblems, WriteProblems};
use crate::respond::{Answer, Listed, listed, one_more, record};
use crate::serve::ApiState;
use crate::stock_items::dimension;

/// What a member may record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum MovementInputKind {
    /// Draw for use: `site_id`, `amount`, and `stock_item_id` or `lot_id`; perhaps `sowing_id`.
    Issue,
    /// Move to the store of another site: the same with `to_site_id`. Leads and coordinators only.
    Transfer,
    /// Throw away: `site_id`, `lot_id`, `amount`, `reason`. Leads and coordinators only.
    Spoil,
    /// Undo a movement, once: `movement_id`, `reason`. Leads and coordinators only.
    Reverse,
}

/// What is told about a movement.
#[derive(Debug, Deserialize, ToSchema)]
#[schema(example = json!({
    "kind": "issue", "site_id": "01920000-0000-7000-8000-000000000001",
    "stock_item_id": "01920000-0000-7000-8000-000000000002", "amount": {"value": "100", "unit": "g"}
}))]
pub struct MovementInput {
    /// What happened.
    pub kind: MovementInputKind,
    /// From whose store.
    pub site_id: Option<Uuid>,
    /// Of a transfer: to whose store.
    pub to_site_id: Option<Uuid>,
    /// Of what. Without `lot_id` it is taken from the lot that expires first, and the next when one is not
    /// enough.
    pub stock_item_id: Option<Uuid>,
    /// From this lot.
    pub lot_id: Option<Uuid>,
    /// How much.
    pub amount: Option<Amount>,
    /// Of an issue: for which sowing.
    pub sowing_id: Option<Uuid>,
    /// Of an issue: whether the named lot may be past its last day; the reason is needed then.
    #[serde(default)]
    pub expired_accepted: bool,
    /// Of a reversal: the movement that is undone.
    pub movement_id: Option<Uuid>,
    /// When it happened, within the last 7 days; now when left out.
    pub happened_at: Option<DateTime<Utc>>,
    /// Why, at most 300 characters.
    #[serde(default)]
    pub reason: String,
}

impl TryFrom<MovementInput> for MovementFields {
    type Error = Problem;

    fn try_from(input: MovementInput) -> Result<Self, Problem> {
        use MovementInputKind::{Issue, Reverse, Spoil, Transfer};
        let kind = input.kind;
        let missing = |pointer: &str| Problem::field(pointer, "missing", "is needed for this kind");
        let foreign: Vec<FieldProblem> = [
            ("/site_id", input.site_id.is_some(), kind != Reverse),
            ("/to_site_id", input.to_site_id.is_some(), kind == Transfer),
            (
                "/stock_item_id",
                input.stock_item_id.is_some(),
                kind != Reverse,
            ),
            ("/lot_id", input.lot_id.is_some(), kind != Reverse),
            ("/amount", input.amount.is_some(), kind != Reverse),
            ("/sowing_id", input.sowing_id.is_some(), kind == Issue),
            ("/expired_accepted", input.expired_accepted, kind == Issue),
            ("/movement_id", input.movement_id.is_some(), kind == Reverse),
        ]
        .into_iter()
        .filter(|(_, given, belongs)| *given && !belongs)
        .map(|(pointer, ..)| {
            FieldProblem::new(
                pointer,
                "other",
                "does not belong to this kind; leave it out",
            )
        })
        .collect();
        if !foreign.is_empty() {
            return Err(cotyl_app::Error::Invalid(foreign).into());
        }
        let drawn = || -> Result<Drawn, Problem> {
            Ok(Drawn {
                site_id: input.site_id.ok_or_else(|| missing("/site_id"))?,
                stock_item_id: input.stock_item_id,
                lot_id: input.lot_id,
                amount: input.amount.clone().ok_or_else(|| missing("/amount"))?,
            })
        };
        let wish = match kind {
            Issue => MovementWish::Issue {
                drawn: drawn()?,
                sowing_id: input.sowing_id,
                expired_accepted: input.expired_accepted,
            },
            Transfer => MovementWish::Transfer {
                drawn: drawn()?,
                to_site_id: input.to_site_id.ok_or_else(|| missing("/to_site_id"))?,
            },
            Spoil => MovementWish::Spoil { drawn: drawn()? },
            Reverse => MovementWish::Reverse {
                movement_id: input.movement_id.ok_or_else(|| missing("/movement_id"))?,
            },
        };
        Ok(Self {
            wish,
            happened_at: input.happened_at,
            reason: input.reason,
        })
    }
}

/// What a movement is.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum MovementKind {
    /// A lot came.
    Receive,
    /// Drawn for use.
    Issue,
    /// Moved to the store of another site.
    Transfer,
    /// Thrown away.
    Spoil,
    /// Found, or missed, by a stock-taking.
    CountDifference,
    /// Undoes another.
    Reverse,
}

/// One end of a movement.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StockPlace {
    /// Where lots come from.
    Supplier,
    /// The store of a site.
    Store,
    /// What was drawn.
    InUse,
    /// What was thrown away.
    Spoiled,
    /// What stock-takings missed or found.
    CountDifference,
}

/// A movement. It never changes; a mistake is undone by another that names it.
#[derive(Debug, Serialize, ToSchema)]
pub struct Movement {
    /// The movement.
    pub id: Uuid,
    /// What happened.
    pub kind: MovementKind,
    /// Of what.
    pub lot_id: Uuid,
    /// The lot's code.
    pub lot_code: String,
    /// The item of the lot.
    pub stock_item_id: Uuid,
    /// Its name.
    pub stock_item_name: String,
    /// Whence.
    pub from_place: StockPlace,
    /// The site of the store whence.
    pub from_site_id: Option<Uuid>,
    /// Whither.
    pub to_place: StockPlace,
    /// The site of the store whither.
    pub to_site_id: Option<Uuid>,
    /// How much.
    pub amount: Amount,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// When the server heard of it.
    pub recorded_at: DateTime<Utc>,
    /// Who recorded it.
    pub member_id: Uuid,
    /// Why.
    pub reason: String,
    /// The movement that it undoes.
    pub reverses_id: Option<Uuid>,
    /// The movement that undid it.
    pub reversed_by: Option<Uuid>,
    /// The sowing it was drawn for.
    pub sowing_id: Option<Uuid>,
    /// The batch it was drawn for.
    pub batch_id: Option<Uuid>,
    /// The line of a stock-taking that showed it.
    pub count_line_id: Option<Uuid>,
}

fn place(name: &str) -> StockPlace {
    match name {
        "supplier" => StockPlace::Supplier,
        "store" => StockPlace::Store,
        "in_use" => StockPlace::InUse,
        "spoiled" => StockPlace::Spoiled,
        _ => StockPlace::CountDifference,
    }
}

impl From<records::Movement> for Movement {
    fn from(movement: records::Movement) -> Self {
        Self {
            id: movement.id,
            kind: match movement.kind.as_str() {
                "receive" => MovementKind::Receive,
                "issue" => MovementKind::Issue,
                "transfer" => MovementKind::Transfer,
                "spoil" => MovementKind::Spoil,
                "reverse" => MovementKind::Reverse,
                _ => MovementKind::CountDifference,
            },
            lot_id: movement.lot_id,
            lot_code: movement.lot_code,
            stock_item_id: movement.stock_item_id,
            stock_item_name: movement.stock_item_name,
            from_place: place(&movement.from_place),
            from_site_id: movement.from_site_id,
            to_place: place(&movement.to_place),
            to_site_id: movement.to_site_id,
            amount: Amount::of(dimension(&movement.dimension), movement.quantity),
            happened_at: movement.happened_at,
            recorded_at: movement.recorded_at,
            member_id: movement.member_id,
            reason: movement.reason,
            reverses_id: movement.reverses_id,
            reversed_by: movement.reversed_by,
            sowing_id: movement.sowing_id,
            batch_id: movement.batch_id,
            count_line_id: movement.count_line_id,
        }
    }
}

/// What was recorded at once.
#[derive(Debug, Serialize, ToSchema)]
pub struct Movements {
    /// One movement for each lot, in the order of taking.
    pub movements: Vec<Movement>,
}

/// Which movements are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct MovementsQuery {
    /// Most records, 1 to 200; 50 when left out.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// The cursor that the page before gave in `next`.
    pub after: Option<String>,
    /// Of this stock item only.
    pub stock_item_id: Option<Uuid>,
    /// Of this lot only.
    pub lot_id: Option<Uuid>,
    /// Into or out of the store of this site only.
    pub site_id: Option<Uuid>,
    /// Drawn for this sowing only.
    pub sowing_id: Option<Uuid>,
    /// Drawn for this batch only.
    pub batch_id: Option<Uuid>,
    /// Happened at this instant or later.
    pub from: Option<DateTime<Utc>>,
    /// Happened before this instant.
    pub to: Option<DateTime<Utc>>,
}

/// List movements
///
/// While a stock-taking that hides the ledger is open at a site, those who might count there do not see its
/// movements.
#[utoipa::path(
    tag = "stock", operation_id = "list_movements", params(MovementsQuery),
    responses((status = 200, description = "A page of movements", body = Listed<Movement>), ReadProblems)
)]
#[get("/movements")]
pub async fn list_movements(
    request: HttpRequest,
    state: Data<ApiState>,
    Signed(caller): Signed,
    query: Query<MovementsQuery>,
) -> Answer {
    let page = page(query.limit, query.after.as_deref())?;
    let filter = records::MovementFilter {
        stock_item_id: query.stock_item_id,
        lot_id: query.lot_id,
        site_id: query.site_id,
        sowing_id: query.sowing_id,
        batch_id: query.batch_id,
        from: query.from,
        to: query.to,
        hidden_sites: Vec::new(),
    };
    let movements = state
        .app
        .list_movements(&caller, &filter, one_more(page))
        .await?;
    Ok(listed(&request, page, movements, |m| m.id, Movement::from))
}

/// Draw, move, throw away, or undo
///
/// Volunteers draw; the rest takes a role that receives lots. A store never holds less than nothing, now or at
/// any time since the movement. While a stock-taking that hides the ledger is open at the site, those who might
/// count there are told that there is not enough without how much there is, and name the lot where an amount would
/// come from more than one.
#[utoipa::path(
    tag = "stock", operation_id = "record_movement", request_body = MovementInput,
    responses((status = 201, description = "Recorded", body = Movements), WriteProblems)
)]
#[post("/movements")]
pub async fn record_movement(state: Data<ApiState>, signed: SignedBody<MovementInput>) -> Answer {
    let fields: MovementFields = signed.body.try_into()?;
    let movements = state.app.record_movement(&signed.caller, &fields).await?;
    Ok(HttpResponse::Created().json(Movements {
        movements: movements.into_iter().map(Into::into).collect(),
    }))
}

/// Read a movement
#[utoipa::path(
    tag = "stock", operation_id = "read_movement",
    responses((status = 200, description = "The movement", body = Movement), ReadProblems)
)]
#[get("/movements/{movement_id}")]
pub async fn read_movement(
    state: Data<ApiState>,
    Signed(caller): Signed,
    movement_id: Path<Uuid>,
) -> Answer {
    let movement = state.app.read_movement(&caller, *movement_id).await?;
    // it changes once, when it is undone
    let version = 1 + i64::from(movement.reversed_by.is_some());
    Ok(record(version, &Movement::from(movement)))
}
