//! What is learned of a crop from the record of sowings, and what a coordinator decides about it.

use chrono::Datelike;
use cotyl_domain::Operation;
use cotyl_store::learning::{self, Choice, ChoiceFields};
use cotyl_store::references::Reference;
use cotyl_store::{Tx, season};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::plans::learned::{quantity, read};
use crate::plans::learned_figures::{LearnedFigure, figures};
use crate::plans::season::Season;
use crate::{App, Caller, Changed, Error, Result};

/// What is learned of a crop.
#[derive(Debug, Clone)]
pub struct CropLearning {
    /// Figures by station.
    pub figures: Vec<LearnedFigure>,
    /// What holds of the coordinators' decisions.
    pub choices: Vec<Choice>,
}

impl App {
    /// What is learned of a crop at every station where it may grow.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has no such crop in use.
    pub async fn read_learning(&self, caller: &Caller, crop_id: Uuid) -> Result<CropLearning> {
        let now = self.clock().now();
        let today = now.date_naive();
        let monday = today - chrono::Days::new(u64::from(today.weekday().num_days_from_monday()));
        let (rows, (records, choices), kept) = self
            .read(Operation::ReadLearning, caller, async |tx, _| {
                let rows = season::load(tx, monday, monday).await?;
                let learned_from = read(tx, now).await?;
                let mut kept = learning::choices(tx).await?;
                kept.retain(|choice| choice.fields.crop_id == crop_id);
                Ok((rows, learned_from, kept))
            })
            .await?;
        let season = Season::of_rows(rows, monday, 1, now).map_err(Error::internal)?;
        // estimating takes a while: away from the request threads
        let figures = tokio::task::spawn_blocking(move || {
            let id = crop_id.to_string();
            let crop = season.crops.iter().find(|crop| crop.id == id);
            crop.map(|crop| figures(&season, crop, &records, &choices))
        })
        .await
        .map_err(Error::internal)?
        .ok_or(Error::NotFound("crop"))?
        .map_err(Error::internal)?;
        Ok(CropLearning {
            figures,
            choices: kept,
        })
    }

    /// Holds a figure at a value, or forgets old sowings.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`Error::NotFound`] for an unknown crop.
    pub async fn choose_learning(&self, caller: &Caller, fields: &ChoiceFields) -> Result<Choice> {
        check(fields)?;
        self.write_once(Operation::ChooseLearning, caller, async |tx, _| {
            let mut problems = Problems::new();
            if let Some(station_id) = fields.station_id {
                problems
                    .refers(tx, "/station_id", Reference::Station, station_id)
                    .await?;
            }
            problems.finish()?;
            cotyl_store::crops::get(tx, fields.crop_id)
                .await?
                .ok_or(Error::NotFound("crop"))?;
            let choice = learning::insert(tx, self.new_id(), fields).await?;
            self.audit_choice(tx, Operation::ChooseLearning, caller, &choice)
                .await?;
            Ok(choice)
        })
        .await
    }

    /// Takes a decision back.
    ///
    /// # Errors
    /// [`Error::NotFound`]; [`Error::Stale`] when it was changed since `expected`.
    pub async fn drop_learning_choice(
        &self,
        caller: &Caller,
        crop_id: Uuid,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<Choice> {
        self.write(Operation::DropLearningChoice, caller, async |tx, _| {
            let choice = learning::lock(tx, id)
                .await?
                .filter(|choice| choice.fields.crop_id == crop_id)
                .ok_or(Error::NotFound("choice"))?;
            require_version(expected, choice.version)?;
            require_not_retired("the choice", &choice.retired_at)?;
            let choice = learning::retire(tx, id, self.clock().now()).await?;
            self.audit_choice(tx, Operation::DropLearningChoice, caller, &choice)
                .await?;
            Ok(choice)
        })
        .await
    }

    async fn audit_choice(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        choice: &Choice,
    ) -> Result<()> {
        let changed = Changed {
            noun: "learning choice",
            id: choice.id,
        };
        self.audit(tx, operation, caller, changed, &choice.fields)
            .await
    }
}

fn check(fields: &ChoiceFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.require(
        quantity(&fields.quantity).is_some(),
        "/quantity",
        "unknown",
        "must be days, grams or survival",
    );
    problems.require(
        fields.held_permille.is_some() != fields.forget_before.is_some(),
        "/held_permille",
        "one_of",
        "give either held_permille or forget_before",
    );
    let most = if fields.quantity == "survival" {
        1000
    } else {
        10_000
    };
    if let Some(permille) = fields.held_permille {
        problems.within("/held_permille", permille.into(), 1, most);
    }
    if let Some(day) = fields.forget_before {
        problems.day("/forget_before", day);
    }
    problems.text("/note", &fields.note, 0, 300);
    problems.finish()
}
