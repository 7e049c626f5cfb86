//! Records that others refer to, held so that they cannot be retired at the same moment.

use uuid::Uuid;

use crate::{Result, Tx};

/// What a field may refer to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reference {
    /// A site.
    Site,
    /// A container kind.
    ContainerKind,
    /// A crop group.
    CropGroup,
    /// A crop.
    Crop,
    /// A station.
    Station,
    /// A recipient.
    Recipient,
    /// A product.
    Product,
    /// A recipe.
    Recipe,
    /// A source water.
    SourceWater,
    /// A stock item.
    StockItem,
}

impl Reference {
    /// The noun in words.
    pub fn noun(self) -> &'static str {
        match self {
            Self::Site => "site",
            Self::ContainerKind => "container kind",
            Self::CropGroup => "crop group",
            Self::Crop => "crop",
            Self::Station => "station",
            Self::Recipient => "recipient",
            Self::Product => "product",
            Self::Recipe => "recipe",
            Self::SourceWater => "source water",
            Self::StockItem => "stock item",
        }
    }
}

macro_rules! hold_one {
    ($table:literal) => {
        concat!(
            "select retired_at is not null from ",
            $table,
            " where cooperative_id = $1 and id = $2 for share"
        )
    };
}

macro_rules! find_named {
    ($table:literal) => {
        concat!(
            "select asked.name, r.id from unnest($2::text[]) as asked (name) join ",
            $table,
            " r on lower(r.name) = lower(asked.name)
               where r.cooperative_id = $1 and r.retired_at is null"
        )
    };
}

/// Whether the record is retired; nothing when the co-operative has none of this id. Whoever retires
/// it waits until this transaction ends.
///
/// # Errors
/// Those of the database.
pub async fn hold(tx: &mut Tx, reference: Reference, id: Uuid) -> Result<Option<bool>> {
    let cooperative_id = tx.cooperative_id();
    let query = match reference {
        Reference::Site => hold_one!("site"),
        Reference::ContainerKind => hold_one!("container_kind"),
        Reference::CropGroup => hold_one!("crop_group"),
        Reference::Crop => hold_one!("crop"),
        Reference::Station => hold_one!("station"),
        Reference::Recipient => hold_one!("recipient"),
        Reference::Product => hold_one!("product"),
        Reference::Recipe => hold_one!("recipe"),
        Reference::SourceWater => hold_one!("source_water"),
        Reference::StockItem => hold_one!("stock_item"),
    };
    Ok(sqlx::query_scalar(query)
        .bind(cooperative_id)
        .bind(id)
        .fetch_optional(tx.connection())
        .await?)
}

/// The records in use of these names, whatever their case, each with the name as it was asked for.
/// Names of nothing are left out.
///
/// # Errors
/// Those of the database.
pub async fn named(
    tx: &mut Tx,
    reference: Reference,
    names: &[String],
) -> Result<Vec<(String, Uuid)>> {
    let cooperative_id = tx.cooperative_id();
    let query = match reference {
        Reference::Site => find_named!("site"),
        Reference::ContainerKind => find_named!("container_kind"),
        Reference::CropGroup => find_named!("crop_group"),
        Reference::Crop => find_named!("crop"),
        Reference::Station => find_named!("station"),
        Reference::Recipient => find_named!("recipient"),
        Reference::Product => find_named!("product"),
        Reference::Recipe => find_named!("recipe"),
        Reference::SourceWater => find_named!("source_water"),
        Reference::StockItem => find_named!("stock_item"),
    };
    Ok(sqlx::query_as(query)
        .bind(cooperative_id)
        .bind(names)
        .fetch_all(tx.connection())
        .await?)
}
