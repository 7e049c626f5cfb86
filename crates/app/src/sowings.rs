//! Sowings: from a plan or by hand.

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use cotyl_calendar::SiteZone;
use cotyl_domain::sowing::SowingState;
use cotyl_domain::{Actor, Operation, Refusal};
use cotyl_store::growing;
use cotyl_store::sowings::{self, Sowing, SowingEvent, SowingFields, SowingFilter, SowingView};
use cotyl_store::tasks::{self, TaskFilter, TaskPage};
use cotyl_store::{Page, Tx};
use cotyl_work::RuleBook;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::growing::Ground;
use crate::input::{Problems, require_version};
use crate::site_work::rule_book;
use crate::tasks::TaskForMember;
use crate::{App, Caller, Changed, Error, Result};

/// How far from today a sowing made by hand may be.
const MOST_DAYS_AWAY: TimeDelta = TimeDelta::days(400);
/// How long a sowing may stand from its first day to its last cut.
const MOST_DAYS_STANDING: TimeDelta = TimeDelta::days(700);

/// A sowing made by hand. What is left out is reckoned by the growth rules.
#[derive(Debug, Clone, Serialize)]
pub struct HandSowing {
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// Containers.
    pub containers: i32,
    /// The day on which it is to be sown.
    pub sow_on: NaiveDate,
    /// Days on which it is to be cut.
    pub planned_cuts: Option<Vec<NaiveDate>>,
}

/// A sowing with its tasks, for one member.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct SowingDetail {
    /// The sowing with its names and cuts.
    pub view: SowingView,
    /// All its tasks, in the order in which they are due.
    pub tasks: Vec<TaskForMember>,
}

/// A sowing to be written down with all its days.
#[derive(Debug, Clone)]
pub struct NewSowing {
    /// Its site.
    pub site_id: Uuid,
    /// Its station.
    pub station_id: Uuid,
    /// Its crop.
    pub crop_id: Uuid,
    /// The plan it comes from; `None` when made by hand.
    pub plan_id: Option<Uuid>,
    /// Containers.
    pub containers: i32,
    /// The day on which it is to be sown.
    pub sow_on: NaiveDate,
    /// The places are free again from this day.
    pub free_on: NaiveDate,
    /// Days on which it is to be cut.
    pub planned_cuts: Vec<NaiveDate>,
    /// Expected fresh weight of the whole sowing, one figure a planned cut.
    pub expected_milligrams: Vec<i64>,
}

impl App {
    /// Writes down a sowing made by hand.
    ///
    /// # Errors
    /// [`Error::Invalid`] for fields that cannot be accepted, [`Refusal::StationFull`].
    pub async fn create_sowing(&self, caller: &Caller, input: &HandSowing) -> Result<SowingDetail> {
        let operation = Operation::CreateSowing;
        self.write_once(operation, caller, async |tx, actor| {
            let ground = ground_by_hand(tx, actor, input).await?;
            let new = self.days_by_hand(&ground, input)?;
            let rules = rule_book(tx).await?;
            let sowing = self.add_planned_sowing(tx, caller, &rules, &new).await?;
            self.audit_sowing(tx, operation, caller, sowing.id, input)
                .await?;
            self.sowing_detail(tx, actor, sowing.id).await
        })
        .await
    }

    /// A page of sowings within the reach of the member.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn list_sowings(
        &self,
        caller: &Caller,
        filter: &SowingFilter,
        page: Page,
    ) -> Result<Vec<SowingView>> {
        self.read(Operation::ListSowings, caller, async |tx, actor| {
            let filter = SowingFilter {
                sites: Operation::ListSowings
                    .reach(actor)
                    .site_filter()
                    .map(<[Uuid]>::to_vec),
                ..filter.clone()
            };
            Ok(sowings::list(tx, &filter, page).await?)
        })
        .await
    }

    /// One sowing with its tasks and cuts.
    ///
    /// # Errors
    /// [`Error::NotFound`] when there is none of this id within the reach of the member.
    pub async fn read_sowing(&self, caller: &Caller, id: Uuid) -> Result<SowingDetail> {
        self.read(Operation::ReadSowing, caller, async |tx, actor| {
            self.sowing_detail(tx, actor, id).await
        })
        .await
    }

    /// Changes the note of a sowing and, while it is planned, how many containers it has.
    ///
    /// # Errors
    /// [`Error::Stale`], [`Refusal::WrongState`], [`Refusal::StationFull`].
    pub async fn change_sowing(
        &self,
        caller: &Caller,
        id: Uuid,
        expected: Option<i64>,
        containers: i32,
        note: &str,
    ) -> Result<SowingDetail> {
        let operation = Operation::ChangeSowing;
        let mut problems = Problems::new();
        problems.within("/containers", containers.into(), 1, 10_000);
        problems.text("/note", note, 0, 1000);
        problems.finish()?;
        self.write(operation, caller, async |tx, actor| {
            let mut sowing = lock(tx, actor, operation, id).await?;
            require_version(expected, sowing.version)?;
            if containers != sowing.containers && sowing.state.0 != SowingState::Planned {
                return Err(Refusal::WrongState {
                    what: "the sowing".into(),
                    state: sowing.state.0.as_str().into(),
                    step: "given another number of containers".into(),
                }
                .into());
            }
            sowing.note = note.trim().to_owned();
            let ground = Ground::load(tx, sowing.station_id, sowing.crop_id).await?;
            let today = ground.day_of(self.clock().now());
            let sowing = self
                .set_containers(tx, caller, &sowing, containers, today)
                .await?;
            self.move_sowing(tx, caller, sowing, &ground).await?;
            let became = json!({"containers": containers, "note": note});
            self.audit_sowing(tx, operation, caller, id, &became)
                .await?;
            self.sowing_detail(tx, actor, id).await
        })
        .await
    }

    /// The days of a sowing made by hand: those given, or those that growth expects.
    fn days_by_hand(&self, ground: &Ground, input: &HandSowing) -> Result<NewSowing> {
        let mut problems = Problems::new();
        problems.within("/containers", input.containers.into(), 1, 10_000);
        let today = ground.day_of(self.clock().now());
        check_days(&mut problems, ground, input, today);
        problems.finish()?;
        let (planned_cuts, expected_milligrams) = match &input.planned_cuts {
            Some(cuts) => {
                let weights = ground.expected_on(input.sow_on, cuts, input.containers)?;
                (cuts.clone(), weights)
            }
            None => ground
                .expected(input.sow_on, input.containers)?
                .into_iter()
                .unzip(),
        };
        let cleaning = Days::new(u64::from(ground.profile.cleaning_days) + 1);
        let free_on = planned_cuts
            .last()
            .and_then(|last| last.checked_add_days(cleaning))
            .ok_or_else(|| {
                Error::field(
                    "/planned_cuts",
                    "none-expected",
                    "no cut is to be expected at this station from this day: it is too cold, too warm or too dark, \
                     or the site is closed for too long; name the days to sow it all the same",
                )
            })?;
        Ok(NewSowing {
            site_id: input.site_id,
            station_id: input.station_id,
            crop_id: input.crop_id,
            plan_id: None,
            containers: input.containers,
            sow_on: input.sow_on,
            free_on,
            planned_cuts,
            expected_milligrams,
        })
    }

    /// Gives a sowing another number of containers, with its expected weights in proportion. An entry
    /// keeps those of before, so that what was expected at an instant can be told again.
    pub(crate) async fn set_containers(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing: &Sowing,
        containers: i32,
        on: NaiveDate,
    ) -> Result<Sowing> {
        let mut changed = sowing.clone();
        changed.containers = containers;
        for weight in &mut changed.expected_milligrams {
            *weight = weight.saturating_mul(containers.into()) / i64::from(sowing.containers);
        }
        let changed = sowings::update(tx, &changed).await?;
        if containers != sowing.containers {
            let detail = json!({
                "containers": {"from": sowing.containers, "to": containers},
                "expected_milligrams": {"from": sowing.expected_milligrams, "to": changed.expected_milligrams},
            });
            self.note_sowing_event(tx, caller, &changed, "moved", on, detail)
                .await?;
        }
        Ok(changed)
    }

    /// A sowing as the member sees it.
    pub(crate) async fn sowing_detail(
        &self,
        tx: &mut Tx,
        actor: &Actor,
        id: Uuid,
    ) -> Result<SowingDetail> {
        let view = sowings::get(tx, id)
            .await?
            .filter(|view| {
                Operation::ReadSowing
                    .reach(actor)
                    .covers_site(view.sowing.site_id)
            })
            .ok_or(Error::NotFound("sowing"))?;
        let filter = TaskFilter {
            sowing_id: Some(id),
            ..TaskFilter::default()
        };
        let mut tasks = tasks::list(tx, &filter, TaskPage::ALL)
            .await?
            .into_iter()
            .map(|task| self.task_for(actor, task))
            .collect::<Result<Vec<_>>>()?;
        self.tell_room(tx, actor, &mut tasks).await?;
        self.tell_alongside(tx, &mut tasks).await?;
        Ok(SowingDetail { view, tasks })
    }

    pub(crate) async fn audit_sowing(
        &self,
        tx: &mut Tx,
        operation: Operation,
        caller: &Caller,
        id: Uuid,
        became: &impl Serialize,
    ) -> Result<()> {
        let changed = Changed { noun: "sowing", id };
        self.audit(tx, operation, caller, changed, became).await
    }

    /// Writes down a sowing, its `planned` entry and its tasks.
    ///
    /// # Errors
    /// [`cotyl_domain::Refusal::StationFull`] when the station has too few places on some day.
    pub(crate) async fn add_planned_sowing(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        rules: &RuleBook,
        new: &NewSowing,
    ) -> Result<Sowing> {
        let ground = Ground::load(tx, new.station_id, new.crop_id).await?;
        let fields = SowingFields {
            site_id: new.site_id,
            station_id: new.station_id,
            crop_id: new.crop_id,
            plan_id: new.plan_id,
            containers: new.containers,
            sow_on: new.sow_on,
            free_on: new.free_on,
            planned_cuts: &new.planned_cuts,
            expected_milligrams: &new.expected_milligrams,
        };
        let sowing = sowings::insert(tx, self.new_id(), &fields).await?;
        let detail = json!({
            "containers": sowing.containers, "sow_on": sowing.sow_on, "free_on": sowing.free_on,
            "planned_cuts": sowing.planned_cuts, "expected_milligrams": sowing.expected_milligrams,
        });
        let today = ground.day_of(self.clock().now());
        self.note_sowing_event(tx, caller, &sowing, "planned", today, detail)
            .await?;
        self.add_sowing_work(tx, &sowing, &ground, rules).await?;
        Ok(sowing)
    }

    /// Adds an entry to the history of a sowing.
    pub(crate) async fn note_sowing_event(
        &self,
        tx: &mut Tx,
        caller: &Caller,
        sowing: &Sowing,
        kind: &str,
        happened_on: NaiveDate,
        detail: Value,
    ) -> Result<SowingEvent> {
        let event = SowingEvent {
            id: self.new_id(),
            sowing_id: sowing.id,
            kind: kind.to_owned(),
            happened_on,
            recorded_at: self.clock().now(),
            member_id: caller.doer(),
            detail,
        };
        sowings::insert_event(tx, &event).await?;
        Ok(event)
    }
}

/// Whether a sowing was not over yet at an instant. It was over from
/// the day of its end on, on that day itself from the instant at which that was written down.
pub(crate) async fn stood_at(
    tx: &mut Tx,
    sowing: &Sowing,
    zone: SiteZone,
    at: DateTime<Utc>,
) -> Result<bool> {
    let day = zone.today(at);
    let ended_on = sowing.cleared_on.or(sowing.lost_on);
    Ok(match ended_on {
        None => !sowing.state.0.is_over(),
        Some(ended_on) if day == ended_on => sowings::over_recorded_at(tx, sowing.id)
            .await?
            .is_some_and(|recorded_at| at < recorded_at),
        Some(ended_on) => day < ended_on,
    })
}

/// A sowing held for a change, when the member reaches it.
pub(crate) async fn lock(
    tx: &mut Tx,
    actor: &Actor,
    operation: Operation,
    id: Uuid,
) -> Result<Sowing> {
    let sowing = sowings::lock(tx, id)
        .await?
        .filter(|sowing| {
            Operation::ReadSowing
                .reach(actor)
                .covers_site(sowing.site_id)
        })
        .ok_or(Error::NotFound("sowing"))?;
    if !operation.reach(actor).covers_site(sowing.site_id) {
        return Err(Error::Forbidden(operation));
    }
    Ok(sowing)
}

/// Crop, station and site of a sowing made by hand, when they belong together and are in use.
async fn ground_by_hand(tx: &mut Tx, actor: &Actor, input: &HandSowing) -> Result<Ground> {
    let (site, station, crop) =
        growing::known(tx, input.site_id, input.station_id, input.crop_id).await?;
    let mut problems = Problems::new();
    let unknown = "there is no such record in this co-operative";
    problems.require(site, "/site_id", "unknown", unknown);
    problems.require(station, "/station_id", "unknown", unknown);
    problems.require(crop, "/crop_id", "unknown", unknown);
    problems.finish()?;
    if !Operation::CreateSowing
        .reach(actor)
        .covers_site(input.site_id)
    {
        return Err(Error::Forbidden(Operation::CreateSowing));
    }
    let place = growing::place(tx, input.station_id, input.crop_id)
        .await?
        .ok_or(Error::NotFound("station or crop"))?;
    let mut problems = Problems::new();
    let retired = "is out of use";
    problems.require(
        place.site_id == input.site_id,
        "/station_id",
        "other-site",
        "must be a station of the site",
    );
    problems.require(!place.site_retired, "/site_id", "retired", retired);
    problems.require(!place.station_retired, "/station_id", "retired", retired);
    problems.require(!place.crop_retired, "/crop_id", "retired", retired);
    let method = place.method.clone();
    let ground = Ground::of(place)?;
    problems.require(
        ground.profile.methods.iter().any(|suits| match suits {
            cotyl_growth::GrowingMethod::Passive => method == "passive",
            cotyl_growth::GrowingMethod::Aerated => method == "aerated",
        }),
        "/station_id",
        "method",
        "the crop is not grown by the method of this station",
    );
    problems.finish()?;
    Ok(ground)
}

fn check_days(problems: &mut Problems, ground: &Ground, input: &HandSowing, today: NaiveDate) {
    let open = |day: NaiveDate| day < today || ground.calendar.is_open_on(day);
    let closed = "the site is closed on that day";
    let away = input.sow_on.signed_duration_since(today).abs();
    if away > MOST_DAYS_AWAY {
        problems.add(
            "/sow_on",
            "range",
            format!("must be within 400 days of today, {today}"),
        );
        return;
    }
    problems.require(open(input.sow_on), "/sow_on", "closed", closed);
    let Some(cuts) = &input.planned_cuts else {
        return;
    };
    let most = ground.profile.cut_milligrams.len();
    if cuts.is_empty() || cuts.len() > most {
        problems.add(
            "/planned_cuts",
            "length",
            format!("must name 1 to {most} days for this crop, or be left out"),
        );
    }
    let mut before = input.sow_on;
    for (index, &cut) in cuts.iter().enumerate().take(most) {
        let pointer = format!("/planned_cuts/{index}");
        if cut <= before {
            problems.add(pointer, "order", format!("must be after {before}"));
        } else if cut - input.sow_on > MOST_DAYS_STANDING {
            problems.add(pointer, "range", "must be within 700 days of the sowing");
        } else if !open(cut) {
            problems.add(pointer, "closed", closed);
        }
        before = cut.max(before);
    }
}
