//! What recalls hold back of deliveries that are packed, for whoever reads them before the hand-over is tried.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use cotyl_domain::DeliveryState;
use cotyl_store::Tx;
use cotyl_store::deliveries::{self, Delivery};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::Result;
use crate::withheld::{HeldBack, Withheld};

/// The recalls that hold a packed delivery back; none for one that is not packed any more.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct WithheldBy {
    /// Those that hold back anything of it, or all of it.
    pub all: BTreeSet<Uuid>,
    /// Those that hold back what is in a line, by line; lines that nothing holds back are left out, and so are those
    /// with nothing in them.
    pub lines: BTreeMap<Uuid, BTreeSet<Uuid>>,
}

/// What is held back of some deliveries; those of which nothing is are left out. It is found for all of them at once.
pub(super) async fn of_packed(
    tx: &mut Tx,
    deliveries: &[Delivery],
) -> Result<HashMap<Uuid, WithheldBy>> {
    let packed = deliveries.iter();
    let packed = packed.filter(|delivery| delivery.state == DeliveryState::Packed.as_str());
    let packed: Vec<Uuid> = packed.map(|delivery| delivery.id).collect();
    let mut found: HashMap<Uuid, WithheldBy> = HashMap::new();
    if packed.is_empty() {
        return Ok(found);
    }
    let withheld = Withheld::load(tx).await?;
    if withheld.is_empty() {
        return Ok(found);
    }
    for id in &packed {
        if let Some(held) = withheld.of_delivery(*id) {
            found.entry(*id).or_default().all.extend(held.by());
        }
    }
    let lines = deliveries::filled_lines(tx, &packed).await?;
    let mut cuts: Vec<Uuid> = lines.iter().map(|line| line.cut_id).collect();
    cuts.sort_unstable();
    cuts.dedup();
    let cuts = withheld.of_cuts(tx, &cuts).await?;
    for line in lines {
        let whole = withheld.of_delivery(line.delivery_id);
        let held = whole.into_iter().chain(cuts.get(&line.cut_id));
        let by: BTreeSet<Uuid> = held.flat_map(HeldBack::by).collect();
        if !by.is_empty() {
            let delivery = found.entry(line.delivery_id).or_default();
            delivery.all.extend(&by);
            delivery.lines.insert(line.line_id, by);
        }
    }
    Ok(found)
}
