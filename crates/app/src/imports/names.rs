//! Records that the lines of a file refer to by name.

use std::collections::{BTreeMap, BTreeSet};

use cotyl_store::Tx;
use cotyl_store::references::{Reference, hold, named};
use uuid::Uuid;

use super::table::Line;
use crate::Result;
use crate::input::Problems;

/// The records that a column names, held until the transaction ends.
pub(super) struct Names {
    reference: Reference,
    column: &'static str,
    ids: BTreeMap<String, Uuid>,
}

impl Names {
    /// Looks up every name in a column.
    pub(super) async fn read(
        tx: &mut Tx,
        reference: Reference,
        column: &'static str,
        lines: &[Line<'_>],
    ) -> Result<Self> {
        let asked: BTreeSet<&str> = lines.iter().map(|line| line.text(column)).collect();
        let asked: Vec<String> = asked.into_iter().map(str::to_owned).collect();
        let mut ids: BTreeMap<String, Uuid> =
            named(tx, reference, &asked).await?.into_iter().collect();
        let held: BTreeSet<Uuid> = ids.values().copied().collect();
        for id in held {
            // retired since it was found a moment ago
            if hold(tx, reference, id).await? != Some(false) {
                ids.retain(|_, known| *known != id);
            }
        }
        Ok(Self {
            reference,
            column,
            ids,
        })
    }

    /// The record that a line names; noted as a problem when there is none.
    pub(super) fn id(&self, line: &Line<'_>, problems: &mut Problems) -> Option<Uuid> {
        let name = line.text(self.column);
        let id = self.ids.get(name).copied();
        if id.is_none() {
            let shown: String = name.chars().take(200).collect();
            problems.add(
                line.pointer(self.column),
                "unknown",
                format!(
                    "there is no {} of the name {shown:?} in this co-operative",
                    self.reference.noun()
                ),
            );
        }
        id
    }
}
