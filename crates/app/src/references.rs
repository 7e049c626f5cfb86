//! Records that a field of the input refers to.

use cotyl_store::Tx;
use cotyl_store::references::{Reference, hold};
use uuid::Uuid;

use crate::Result;
use crate::input::Problems;

impl Problems {
    /// The record exists in the co-operative and is in use; it stays so until the transaction ends.
    pub(crate) async fn refers(
        &mut self,
        tx: &mut Tx,
        pointer: &str,
        reference: Reference,
        id: Uuid,
    ) -> Result<()> {
        let noun = reference.noun();
        match hold(tx, reference, id).await? {
            Some(false) => {}
            Some(true) => self.add(pointer, "retired", format!("this {noun} is retired")),
            None => self.add(
                pointer,
                "unknown",
                format!("there is no such {noun} in this co-operative"),
            ),
        }
        Ok(())
    }
}
