//! Closures from a file.

use cotyl_domain::Operation;
use cotyl_store::closures::{self, ClosureFields};
use cotyl_store::references::Reference;
use uuid::Uuid;

use super::Imported;
use super::names::Names;
use super::table::{Column, Line, Table, required};
use crate::closures::check;
use crate::input::Problems;
use crate::{App, Caller, Result};

const COLUMNS: [Column; 4] = [
    required("site"),
    required("first_day"),
    required("last_day"),
    required("reason"),
];
const DAY: &str = "a day such as 2026-12-24";

impl App {
    /// Closures from a file with the columns site, first_day, last_day and reason.
    ///
    /// # Errors
    /// [`crate::Error::Invalid`] with every problem of every line; then nothing is kept.
    pub async fn import_closures(&self, caller: &Caller, file: &[u8]) -> Result<Imported> {
        let mut found = Problems::new();
        let table = Table::open(file, &COLUMNS)?;
        let lines = table.lines(&mut found)?;
        self.write_once(Operation::ImportClosures, caller, async |tx, _| {
            let mut problems = found.clone();
            let sites = Names::read(tx, Reference::Site, "site", &lines).await?;
            let mut closures = Vec::with_capacity(lines.len());
            for line in &lines {
                let site_id = sites.id(line, &mut problems);
                closures.extend(closure(line, site_id, &mut problems)?);
            }
            problems.finish()?;
            let mut ids = Vec::with_capacity(closures.len());
            for fields in &closures {
                let closure = closures::insert(tx, self.new_id(), fields).await?;
                self.audit_closure(tx, Operation::ImportClosures, caller, &closure)
                    .await?;
                ids.push(closure.id);
            }
            Ok(Imported { ids })
        })
        .await
    }
}

fn closure(
    line: &Line<'_>,
    site_id: Option<Uuid>,
    problems: &mut Problems,
) -> Result<Option<ClosureFields>> {
    let first_day = line.parse(problems, "first_day", DAY);
    let last_day = line.parse(problems, "last_day", DAY);
    let (Some(first_day), Some(last_day)) = (first_day, last_day) else {
        return Ok(None);
    };
    let fields = ClosureFields {
        site_id: site_id.unwrap_or_default(),
        first_day,
        last_day,
        reason: line.text("reason").to_owned(),
    };
    line.note(problems, check(&fields))?;
    Ok(site_id.map(|_| fields))
}
