//! What all crops at a station have in common by the record of sowings, and what a coordinator decides
//! about it.

use cotyl_domain::Operation;
use cotyl_store::station_learning::{self, StationChoice, StationChoiceFields};
use cotyl_store::{Tx, season, stations};
use uuid::Uuid;

use crate::input::{Problems, require_not_retired, require_version};
use crate::plans::learned::{quantity, read};
use crate::plans::learned_figures::{StationFigure, station_figures};
use crate::plans::season::Season;
use crate::{App, Caller, Changed, Error, Result};

/// What is learned of a station.
#[derive(Debug, Clone)]
pub struct StationLearning {
    /// Days, grams and survival.
    pub figures: Vec<StationFigure>,
    /// What holds of the coordinators' decisions.
    pub choices: Vec<StationChoice>,
}

impl App {
    /// What all crops at a station have in common.
    ///
    /// # Errors
    /// [`Error::NotFound`] when the co-operative has no such station.
    pub async fn read_station_learning(
        &self,
        caller: &Caller,
        station_id: Uuid,
    ) -> Result<StationLearning> {
        let now = self.clock().now();
        let monday = now.date_naive().week(chrono::Weekday::Mon).first_day();
        let (rows, (records, choices), kept) = self
            .read(Operation::ReadStationLearning, caller, async |tx, _| {
                let rows = season::load(tx, monday, monday).await?;
                let learned_from = read(tx, now).await?;
                let mut kept = station_learning::choices(tx).await?;
                kept.retain(|choice| choice.fields.station_id == station_id);
                Ok((rows, learned_from, kept))
            })
            .await?;
        let season = Season::of_rows(rows, monday, 1, now).map_err(Error::internal)?;
        // estimating takes a while: away from the request threads
        let figures = tokio::task::spawn_blocking(move || {
            let id = station_id.to_string();
            let station = season.stations.iter().find(|station| station.id == id);
            station.map(|station| station_figures(&season, station, &records, &choices))
        })
        .await
        .map_err(Error::internal)?
        .ok_or(Error::NotFound("station"))?
        .map_err(Error::internal)?;
        Ok(StationLearning {
            figures,
            choices: kept,
        })
    }

    /// Holds a station's part of a figure at a value, or forgets old sowings there.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted; [`Error::NotFound`] for an unknown
    /// station.
    pub async fn choose_station_learning(
        &self,
        caller: &Caller,
        fields: &StationChoiceFields,
    ) -> Result<StationChoice> {
        check(fields)?;
        self.write_once(Operation::ChooseStationLearning, caller, async |tx, _| {
            stations::get(tx, fields.station_id)
                .await?
                .ok_or(Error::NotFound("station"))?;
            let choice = station_learning::insert(tx, self.new_id(), fields).await?;
            self.audit_station_choice(tx, Operation::ChooseStationLearning, caller, &choice)
                .await?;
            Ok(choice)
        })
        .await
    }

    /// Takes a decision about a station back.
    ///
    /// # Errors
    /// [`Error::NotFound`]; [`Error::Stale`] when it was changed since `expected`.
    pub async fn drop_station_learning_choice(
        &self,
        caller: &Caller,
        station_id: Uuid,
        id: Uuid,
        expected: Option<i64>,
    ) -> Result<StationChoice> {
        self.write(
            Operation::DropStationLearningChoice,
            caller,
            async |tx, _| {
                let choice = station_learning::lock(tx, id)
                    .await?
                    .filter(|choice| choice.fields.station_id == station_id)
                    .ok_or(Error::NotFound("choice"))?;
                require_version(expected, choice.version)?;
                require_not_retired("the choice", &choice.retired_at)?;
                let choice = station_learning::retire(tx, id, self.clock().now()).await?;
                let operation = Operation::DropStationLearningChoice;
                self.audit_station_choice(tx, operation, caller, &choice)
                    .await?;
                Ok(choice)
            },
        )
        .await
    }

    async fn audit_station_choice(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        choice: &StationChoice,
    ) -> Result<()> {
        let changed = Changed {
            noun: "station learning choice",
            id: choice.id,
        };
        self.audit(tx, operation, caller, changed, &choice.fields)
            .await
    }
}

fn check(fields: &StationChoiceFields) -> Result<()> {
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
    problems.require(
        fields.quantity != "survival" || fields.held_permille.is_none(),
        "/held_permille",
        "not_of_survival",
        "shares of different crops have none in common; hold survival for a crop at the station",
    );
    if let Some(permille) = fields.held_permille {
        problems.within("/held_permille", permille.into(), 1, 10_000);
    }
    if let Some(day) = fields.forget_before {
        problems.day("/forget_before", day);
    }
    problems.text("/note", &fields.note, 0, 300);
    problems.finish()
}
