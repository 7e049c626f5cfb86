//! Errors of use cases: an outside for the member, an inside for the log.

use cotyl_domain::{FieldProblem, Operation, Refusal};
use cotyl_store::Transient;
use serde_json::Value;

/// What use cases return.
pub type Result<T> = std::result::Result<T, Error>;

/// Why a use case did nothing.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// There is no such record, or none that the member may know of.
    #[error("no such {0}")]
    NotFound(&'static str),
    /// The member's roles do not reach into the operation.
    #[error("your roles do not allow {}", .0.as_str())]
    Forbidden(Operation),
    /// The member's roles reach into the operation, but not into this kind of it.
    #[error("your roles do not allow {} of the kind {kind}", .operation.as_str())]
    ForbiddenKind {
        /// The operation.
        operation: Operation,
        /// The kind, as the request names it.
        kind: &'static str,
    },
    /// Nobody is signed in, or no longer.
    #[error("{0}")]
    Unauthenticated(&'static str),
    /// A rule of the domain stands against it.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// Fields of the input cannot be accepted.
    #[error("{} of the request cannot be accepted", if .0.len() == 1 { "a field" } else { "fields" })]
    Invalid(Vec<FieldProblem>),
    /// The record is not as the caller last saw it.
    #[error("the record was changed since you read it; its version is now {current}")]
    Stale {
        /// The version now.
        current: i64,
    },
    /// Too many attempts in a short time.
    #[error("too many attempts; try again in {seconds} seconds")]
    Throttled {
        /// Seconds to wait.
        seconds: u64,
    },
    /// The database or a worker is out of reach; the same request may succeed later.
    #[error("the service is not available at the moment")]
    Unavailable(#[source] cotyl_store::Error),
    /// The transaction lost against others, again and again.
    #[error("too many others are changing the same records at the moment")]
    Contended(#[source] cotyl_store::Error),
    /// What had been worked out before the transaction rests on records that were changed meanwhile.
    #[error("what this rests on was changed at the same moment; send it again")]
    Overtaken,
    /// A fault of this program.
    #[error("internal error")]
    Internal(#[source] Box<dyn std::error::Error + Send + Sync>),
}

impl Error {
    /// A fault of this program.
    pub fn internal(cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        Self::Internal(cause.into())
    }

    /// One field that cannot be accepted.
    pub fn field(
        pointer: impl Into<String>,
        code: &'static str,
        detail: impl Into<String>,
    ) -> Self {
        Self::Invalid(vec![FieldProblem::new(pointer, code, detail)])
    }
}

impl Transient for Error {
    fn is_transient(&self) -> bool {
        matches!(self, Self::Contended(_))
    }
}

impl From<cotyl_store::Error> for Error {
    fn from(error: cotyl_store::Error) -> Self {
        match error {
            cotyl_store::Error::Transient(_) => Self::Contended(error),
            cotyl_store::Error::Unavailable(_) => Self::Unavailable(error),
            cotyl_store::Error::Constraint {
                ref name,
                ref detail,
                ..
            } => match named(name, detail.as_deref()) {
                Some(known) => known,
                None => Self::internal(error),
            },
            other => Self::internal(other),
        }
    }
}

fn taken(what: &str) -> Error {
    Error::Refused(Refusal::Taken { what: what.into() })
}

fn unknown(pointer: &str, what: &str) -> Error {
    Error::field(
        pointer,
        "unknown",
        format!("there is no such {what} in this co-operative"),
    )
}

/// The meaning of a constraint of the database. One that is missing here is a fault of this program.
fn named(constraint: &str, detail: Option<&str>) -> Option<Error> {
    let figure = |name: &str| -> i64 {
        detail
            .and_then(|text| serde_json::from_str::<Value>(text).ok())
            .and_then(|value| value.get(name).and_then(Value::as_i64))
            .unwrap_or_default()
    };
    if let Some(what) = taken_once(constraint) {
        return Some(taken(what));
    }
    Some(match constraint {
        "station_places" => Error::Refused(Refusal::StationFull {
            used: figure("used"),
            places: figure("places"),
        }),
        "cut_balance" => Error::Refused(Refusal::MoreThanCut {
            delivered_milligrams: figure("delivered_milligrams"),
            cut_milligrams: figure("cut_milligrams"),
        }),
        "delivery_line_of_poor_cut" => Error::Refused(Refusal::PoorCut),
        "delivery_withdrawn" | "delivery_withdrawn_weight" => Error::Refused(Refusal::WrongState {
            what: "the delivery".into(),
            state: "withdrawn".into(),
            step: "changed".into(),
        }),
        "delivery_dispute_open_once" => Error::Refused(Refusal::DisputeOpen),
        "claims_held_at_once" => Error::Refused(Refusal::ClaimLimit {
            who: "this member".into(),
            most: figure("most"),
        }),
        "claim_place_held_once" => Error::Refused(Refusal::TaskHeld),
        "claim_once_per_member" => Error::Refused(Refusal::AlreadyYours),
        "closure_site"
        | "recurring_task_site"
        | "station_site"
        | "member_group_site"
        | "role_grant_site"
        | "delivery_site"
        | "stock_order_site"
        | "stock_count_site"
        | "movement_from_site" => unknown("/site_id", "site"),
        "station_container_kind" | "container_supply_container_kind" => {
            unknown("/container_kind_id", "container kind")
        }
        "station_outage_station"
        | "sowing_station"
        | "recurring_task_station"
        | "learning_choice_station"
        | "station_learning_choice_station" => unknown("/station_id", "station"),
        "crop_crop_group" | "pledge_crop_group" => unknown("/crop_group_id", "crop group"),
        "pledge_crop" | "sowing_crop" | "learning_choice_crop" | "stock_item_crop" => {
            unknown("/crop_id", "crop")
        }
        "pledge_recipient" | "role_grant_recipient" | "delivery_recipient" => {
            unknown("/recipient_id", "recipient")
        }
        "member_group_led_by" => unknown("/led_by", "member"),
        "qualification_member" | "role_grant_member" => unknown("/member_id", "member"),
        "cut_sowing" | "movement_sowing" | "level_reading_sowing" => {
            unknown("/sowing_id", "sowing")
        }
        "delivery_line_cut" => unknown("/cut_id", "cut"),
        "recall_notice_assigned_to" => unknown("/member_id", "member"),
        _ => return in_the_cupboard(constraint),
    })
}

/// What is there once only, and is there already.
fn taken_once(constraint: &str) -> Option<&'static str> {
    Some(match constraint {
        "member_email_taken" => "this e-mail address",
        "site_name_taken" => "a site of this name",
        "member_group_name_taken" => "a group of this name",
        "container_kind_name_taken" => "a container kind of this name",
        "station_name_taken" => "a station of this name at this site",
        "crop_group_name_taken" => "a crop group of this name",
        "crop_name_taken" => "a crop of this name",
        "recipient_name_taken" => "a recipient of this name",
        "learning_veto_once" => "the veto of this figure",
        "learning_choice_held_once" | "station_learning_choice_held_once" => {
            "a value for this figure"
        }
        "term_name_taken" => "a term of this name",
        "delivery_dispute_answered_once" => "the answer to this dispute",
        "cold_reading_corrected_once" => "the correction of this reading",
        "cut_tray_code_taken" => "this tray code",
        "task_rule_once" => "a change of this rule",
        _ => return None,
    })
}

/// The same for what is kept and moved.
fn in_the_cupboard(constraint: &str) -> Option<Error> {
    Some(match constraint {
        "stock_item_name_taken" => taken("a stock item of this name"),
        "stock_item_of_crop_taken" => taken("the seed of this crop"),
        "stock_item_of_product_taken" => taken("the stock item of this product"),
        "container_supply_taken" => taken("what this container kind takes of this item"),
        "stock_count_open_once" => Error::Refused(Refusal::CountOpen),
        "stock_never_negative" | "stock_never_was_negative" => {
            Error::Refused(Refusal::StoreBelowNothing)
        }
        "movement_reversed_once" | "movement_reverses_exactly" => {
            Error::Refused(Refusal::NotReversible {
                why: "this movement is reversed already".into(),
            })
        }
        "movement_to_site" => unknown("/to_site_id", "site"),
        "stock_item_product" => unknown("/product_id", "product"),
        "container_supply_item" | "stock_order_item" | "lot_item" => {
            unknown("/stock_item_id", "stock item")
        }
        "lot_order" => unknown("/stock_order_id", "order"),
        "movement_lot" | "count_line_lot" | "store_lot_lot" => unknown("/lot_id", "lot"),
        "movement_batch" => unknown("/batch_id", "batch"),
        _ => return of_solution(constraint),
    })
}

/// The meaning of a constraint of nutrient solution.
fn of_solution(constraint: &str) -> Option<Error> {
    Some(match constraint {
        "product_name_taken" => taken("a product of this name"),
        "source_water_name_taken" => taken("a source water of this name at this site"),
        "recipe_name_taken" => taken("a recipe of this name"),
        "recipe_usual_once" => taken("the place of the usual recipe"),
        "batch_code_taken" => taken("this batch code"),
        "batch_entry_withdrawn_once" => taken("the withdrawal of this entry"),
        "source_water_site" | "batch_site" => unknown("/site_id", "site"),
        "batch_recipe" => unknown("/recipe_id", "recipe"),
        "batch_source_water" => unknown("/source_water_id", "source water"),
        "batch_entry_product" => unknown("/product_id", "product"),
        "reading_corrected_once" => taken("the correction of this reading"),
        "batch_entry_station" => unknown("/station_id", "station"),
        "batch_entry_sowing" => unknown("/sowing_id", "sowing"),
        _ => return None,
    })
}
