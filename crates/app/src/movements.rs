//! Movements that members record: drawing, moving between sites, throwing away, and undoing.

use chrono::{DateTime, Utc};
use cotyl_domain::quantity::Amount;
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::ledger::{self, Movement, MovementFilter, Place};
use cotyl_store::references::Reference;
use cotyl_store::stock_items::StockItem;
use cotyl_store::{Page, Tx, lots};
use serde::Serialize;
use uuid::Uuid;

use crate::input::Problems;
use crate::ledger::{Entry, IssueRequest, Wanted, item, read_amount, take, unknown, zone_of};
use crate::lots::hidden_sites;
use crate::{App, Caller, Changed, Error, Result};

/// What is drawn, moved or thrown away.
#[derive(Debug, Clone, Serialize)]
pub struct Drawn {
    /// From whose store.
    pub site_id: Uuid,
    /// Of what; may be left out where a lot is named.
    pub stock_item_id: Option<Uuid>,
    /// From this lot; left out, from the lot that expires first, and the next when one is not enough.
    pub lot_id: Option<Uuid>,
    /// How much.
    pub amount: Amount,
}

/// What is told about a movement.
#[derive(Debug, Clone, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MovementWish {
    /// Draws for use.
    Issue {
        /// What.
        drawn: Drawn,
        /// For which sowing.
        sowing_id: Option<Uuid>,
        /// Whether a named lot may be past its last day.
        expired_accepted: bool,
    },
    /// Moves to the store of another site.
    Transfer {
        /// What.
        drawn: Drawn,
        /// To whose store.
        to_site_id: Uuid,
    },
    /// Throws away; the lot must be named.
    Spoil {
        /// What.
        drawn: Drawn,
    },
    /// Undoes a movement, once.
    Reverse {
        /// Which.
        movement_id: Uuid,
    },
}

/// A movement to be recorded.
#[derive(Debug, Clone, Serialize)]
pub struct MovementFields {
    /// What happened.
    pub wish: MovementWish,
    /// When; now when left out.
    pub happened_at: Option<DateTime<Utc>>,
    /// Why; needed for what is thrown away or undone.
    pub reason: String,
}

impl App {
    /// Records a movement; one for each lot that it takes from.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Refusal::NotEnoughStock`], [`Refusal::LotExpired`],
    /// [`Refusal::NotReversible`], [`Refusal::StoreBelowNothing`]; [`Error::Forbidden`] for a volunteer who does
    /// more than draw, since only those who receive lots may move, throw away or undo.
    pub async fn record_movement(
        &self,
        caller: &Caller,
        fields: &MovementFields,
    ) -> Result<Vec<Movement>> {
        let mut problems = Problems::new();
        let needs_reason = matches!(
            fields.wish,
            MovementWish::Spoil { .. } | MovementWish::Reverse { .. }
        );
        problems.text("/reason", &fields.reason, usize::from(needs_reason), 300);
        problems.finish()?;
        self.write_once(Operation::RecordMovement, caller, async |tx, actor| {
            let made = match &fields.wish {
                MovementWish::Issue {
                    drawn,
                    sowing_id,
                    expired_accepted,
                } => {
                    self.draw(tx, actor, fields, drawn, *sowing_id, *expired_accepted)
                        .await?
                }
                MovementWish::Transfer { drawn, to_site_id } => {
                    self.transfer(tx, actor, fields, drawn, *to_site_id).await?
                }
                MovementWish::Spoil { drawn } => self.spoil(tx, actor, fields, drawn).await?,
                MovementWish::Reverse { movement_id } => {
                    self.reverse(tx, actor, fields, *movement_id).await?
                }
            };
            for movement in &made {
                let changed = Changed {
                    noun: "movement",
                    id: movement.id,
                };
                self.audit(tx, Operation::RecordMovement, caller, changed, movement)
                    .await?;
            }
            Ok(made)
        })
        .await
    }

    /// One movement. Those of a store whose ledger a blind stock-taking hides are hidden too.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none in the caller's reach.
    pub async fn read_movement(&self, caller: &Caller, id: Uuid) -> Result<Movement> {
        self.read(Operation::ReadMovement, caller, async |tx, actor| {
            let reach = Operation::ReadMovement.reach(actor);
            let hidden = hidden_sites(tx, actor).await?;
            let movement = ledger::get(tx, id).await?;
            movement
                .filter(|movement| {
                    let ends = || {
                        [movement.from_site_id, movement.to_site_id]
                            .into_iter()
                            .flatten()
                    };
                    ends().any(|site_id| reach.covers_site(site_id))
                        && !ends().any(|site_id| hidden.contains(&site_id))
                })
                .ok_or(Error::NotFound("movement"))
        })
        .await
    }

    /// A page of movements in the caller's reach, without those of a store whose ledger a blind stock-taking hides.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_movements(
        &self,
        caller: &Caller,
        filter: &MovementFilter,
        page: Page,
    ) -> Result<Vec<Movement>> {
        self.read(Operation::ListMovements, caller, async |tx, actor| {
            let reach = Operation::ListMovements.reach(actor);
            let filter = MovementFilter {
                hidden_sites: hidden_sites(tx, actor).await?,
                ..filter.clone()
            };
            Ok(ledger::list(tx, &filter, reach.site_filter(), page).await?)
        })
        .await
    }

    async fn draw(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        fields: &MovementFields,
        drawn: &Drawn,
        sowing_id: Option<Uuid>,
        expired_accepted: bool,
    ) -> Result<Vec<Movement>> {
        require_site(
            tx,
            actor,
            Operation::RecordMovement,
            "/site_id",
            drawn.site_id,
        )
        .await?;
        let item = item_of(tx, drawn).await?;
        let request = IssueRequest {
            site_id: drawn.site_id,
            stock_item_id: item.id,
            quantity: read_amount(&item, "/amount", &drawn.amount)?,
            lot_id: drawn.lot_id,
            expired_accepted,
            sowing_id,
            batch_id: None,
            happened_at: fields.happened_at,
            reason: fields.reason.clone(),
        };
        self.issue(tx, actor, &request).await
    }

    async fn transfer(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        fields: &MovementFields,
        drawn: &Drawn,
        to_site_id: Uuid,
    ) -> Result<Vec<Movement>> {
        require_keeper(tx, actor, "transfer", "/site_id", drawn.site_id).await?;
        let mut problems = Problems::new();
        problems
            .refers(tx, "/to_site_id", Reference::Site, to_site_id)
            .await?;
        problems.finish()?;
        if to_site_id == drawn.site_id {
            return Err(Error::field("/to_site_id", "same", "must be another site"));
        }
        self.take_out(tx, actor, fields, drawn, Place::store(to_site_id))
            .await
    }

    async fn spoil(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        fields: &MovementFields,
        drawn: &Drawn,
    ) -> Result<Vec<Movement>> {
        require_keeper(tx, actor, "spoil", "/site_id", drawn.site_id).await?;
        if drawn.lot_id.is_none() {
            return Err(Error::field(
                "/lot_id",
                "missing",
                "name the lot that is thrown away",
            ));
        }
        self.take_out(tx, actor, fields, drawn, Place::SPOILED)
            .await
    }

    /// Takes what may be past its last day out of a store: to that of another site, or away.
    async fn take_out(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        fields: &MovementFields,
        drawn: &Drawn,
        to: Place<'_>,
    ) -> Result<Vec<Movement>> {
        let stores: Vec<Uuid> = [Some(drawn.site_id), to.site_id]
            .into_iter()
            .flatten()
            .collect();
        let at = self.happened_at("/happened_at", fields.happened_at)?;
        let item = item_of(tx, drawn).await?;
        let wanted = Wanted {
            site_id: drawn.site_id,
            stores: &stores,
            item: &item,
            lot_id: drawn.lot_id,
            quantity: read_amount(&item, "/amount", &drawn.amount)?,
            at,
            expired_accepted: true,
        };
        let parts = take(tx, actor, &wanted).await?;
        let entry = Entry {
            kind: if to.site_id.is_some() {
                "transfer"
            } else {
                "spoil"
            },
            from: Place::store(drawn.site_id),
            to,
            parts: &parts,
            at,
            member_id: actor.member_id,
            reason: &fields.reason,
            reverses_id: None,
            sowing_id: None,
            batch_id: None,
        };
        self.keep_movements(tx, &entry).await
    }

    async fn reverse(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        fields: &MovementFields,
        movement_id: Uuid,
    ) -> Result<Vec<Movement>> {
        let undone = ledger::get(tx, movement_id)
            .await?
            .ok_or_else(|| unknown("/movement_id", "movement"))?;
        // the store that gives it back, or gets it back where it came from elsewhere
        if let Some(site_id) = undone.to_site_id.or(undone.from_site_id) {
            require_keeper(tx, actor, "reverse", "/movement_id", site_id).await?;
        }
        let stores: Vec<Uuid> = [undone.from_site_id, undone.to_site_id]
            .into_iter()
            .flatten()
            .collect();
        let lot = [undone.lot_id];
        ledger::lock_store(tx, &stores, ledger::Shelf::Lots(&lot)).await?;
        let not_reversible = |why: &str| Error::from(Refusal::NotReversible { why: why.into() });
        if undone.reverses_id.is_some() {
            return Err(not_reversible(
                "this movement is itself a reversal; record what happened anew",
            ));
        }
        if ledger::get(tx, movement_id)
            .await?
            .is_some_and(|movement| movement.reversed_by.is_some())
        {
            return Err(not_reversible("this movement is reversed already"));
        }
        let at = self.happened_at("/happened_at", fields.happened_at)?;
        if at < undone.happened_at {
            return Err(Error::field(
                "/happened_at",
                "order",
                format!("must not be before what it undoes, {}", undone.happened_at),
            ));
        }
        let entry = Entry {
            kind: "reverse",
            from: Place {
                name: &undone.to_place,
                site_id: undone.to_site_id,
            },
            to: Place {
                name: &undone.from_place,
                site_id: undone.from_site_id,
            },
            parts: &[(undone.lot_id, undone.quantity)],
            at,
            member_id: actor.member_id,
            reason: &fields.reason,
            reverses_id: Some(undone.id),
            sowing_id: undone.sowing_id,
            batch_id: undone.batch_id,
        };
        self.keep_movements(tx, &entry).await
    }
}

/// The item that is meant: the one named, or that of the lot.
async fn item_of(tx: &mut Tx, drawn: &Drawn) -> Result<StockItem> {
    let stock_item_id = match (drawn.stock_item_id, drawn.lot_id) {
        (Some(stock_item_id), _) => stock_item_id,
        (None, Some(lot_id)) => {
            let lot = lots::get(tx, lot_id, None).await?;
            lot.ok_or_else(|| unknown("/lot_id", "lot"))?.stock_item_id
        }
        (None, None) => {
            return Err(Error::field(
                "/stock_item_id",
                "missing",
                "name the stock item, or one of its lots",
            ));
        }
    };
    item(tx, stock_item_id).await
}

/// The site exists, and the actor is one of those who receive lots there: they alone may move, throw away and
/// undo.
async fn require_keeper(
    tx: &mut Tx,
    actor: &Actor,
    kind: &'static str,
    pointer: &str,
    site_id: Uuid,
) -> Result<()> {
    zone_of(tx, pointer, site_id).await?;
    if Operation::ReceiveLot.reach(actor).covers_site(site_id) {
        return Ok(());
    }
    Err(Error::ForbiddenKind {
        operation: Operation::RecordMovement,
        kind,
    })
}

/// The site exists, and the actor may do this there.
pub(crate) async fn require_site(
    tx: &mut Tx,
    actor: &Actor,
    operation: Operation,
    pointer: &str,
    site_id: Uuid,
) -> Result<()> {
    zone_of(tx, pointer, site_id).await?;
    if operation.reach(actor).covers_site(site_id) {
        Ok(())
    } else {
        Err(Error::Forbidden(operation))
    }
}
