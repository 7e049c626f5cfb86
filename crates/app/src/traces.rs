//! Traces: from a lot, batch, station, sowing, a member's work or a cut to every delivery, and back.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use cotyl_domain::permission::Reach;
use cotyl_domain::{Actor, Operation};
use cotyl_store::Tx;
use cotyl_store::recalls::Recall;
use cotyl_store::traces::details::{
    self, Edge, Ids, TracedBatch, TracedCut, TracedDelivery, TracedLot, TracedSowing,
    TracedStation, TracedWork,
};
use cotyl_store::traces::{self, Point, Start, Within};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::input::Problems;
use crate::lots::hidden_sites;
use crate::{App, Caller, Error, Result};

/// Most records of a trace that may be asked for.
pub const MOST_RECORDS: i64 = 10_000;

/// With what a trace starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TraceOf {
    /// A lot of seed, medium, fertiliser or anything else.
    Lot,
    /// A batch of solution.
    Batch,
    /// Everything that stood at a station.
    Station,
    /// A sowing.
    Sowing,
    /// Everything that a member sowed, drew, mixed, poured, cut or handed over.
    Member,
    /// A cut, which is a tray.
    Cut,
    /// A delivery.
    Delivery,
}

impl TraceOf {
    /// The name kept in the database and shown in the API.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Lot => "lot",
            Self::Batch => "batch",
            Self::Station => "station",
            Self::Sowing => "sowing",
            Self::Member => "member",
            Self::Cut => "cut",
            Self::Delivery => "delivery",
        }
    }

    /// The kind of that name.
    pub fn parse(name: &str) -> Option<Self> {
        [
            Self::Lot,
            Self::Batch,
            Self::Station,
            Self::Sowing,
            Self::Member,
            Self::Cut,
            Self::Delivery,
        ]
        .into_iter()
        .find(|of| of.as_str() == name)
    }
}

/// Which way a trace goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// To deliveries.
    Forward,
    /// To lots.
    Back,
    /// Both ways from its start.
    Both,
}

/// What is suspect, or asked about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Suspect {
    /// With what kind of record it starts.
    pub of: TraceOf,
    /// The record.
    pub id: Option<Uuid>,
    /// Of a cut instead: what is written on the tray.
    pub tray_code: Option<String>,
    /// Of a station or a member: from this day.
    pub first_day: Option<NaiveDate>,
    /// Of a station or a member: to this day.
    pub last_day: Option<NaiveDate>,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TraceWanted {
    /// With what it starts.
    pub suspect: Suspect,
    /// Which way it goes.
    pub direction: Direction,
    /// Most records.
    pub most: i64,
}

/// A trace.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trace {
    /// What it starts with.
    pub start: Start,
    /// Lots.
    pub lots: Vec<TracedLot>,
    /// Batches.
    pub batches: Vec<TracedBatch>,
    /// Stations.
    pub stations: Vec<TracedStation>,
    /// Sowings.
    pub sowings: Vec<TracedSowing>,
    /// Who did what; empty for readers.
    pub work: Vec<TracedWork>,
    /// Cuts.
    pub cuts: Vec<TracedCut>,
    /// Deliveries.
    pub deliveries: Vec<TracedDelivery>,
    /// How much went from one to another when.
    pub edges: Vec<Edge>,
    /// Whether there are more records than were asked for, so that deliveries may be missing.
    pub is_cut_short: bool,
    /// Whether what lies at other sites, or went to other recipients, was left out.
    pub is_narrowed: bool,
    /// Whether the caller may know the names of members.
    pub names_members: bool,
    /// Whether the caller is told for a recipient only, so that what others got stays with them.
    pub is_for_recipient: bool,
}

/// The records of a trace.
pub(crate) struct Followed {
    pub start: Start,
    pub ids: Ids,
    pub is_cut_short: bool,
}

impl App {
    /// Traces a record forward, back, or both ways.
    ///
    /// # Errors
    /// [`Error::Invalid`]; [`Error::NotFound`] for a record that is not in the caller's reach.
    pub async fn read_trace(&self, caller: &Caller, wanted: &TraceWanted) -> Result<Trace> {
        let mut problems = Problems::new();
        wanted.suspect.check(&mut problems, "");
        problems.within("limit", wanted.most, 1, MOST_RECORDS);
        problems.finish()?;
        self.read(Operation::ReadTrace, caller, async |tx, actor| {
            let reach = Operation::ReadTrace.reach(actor);
            let start = wanted.suspect.start(tx).await?;
            let is_for_recipient = require_reached(actor, &reach, &wanted.suspect, &start)?;
            let sites = (!reach.all && !is_for_recipient).then_some(reach.sites.as_slice());
            let within = Within {
                sites,
                delivering_sites: if is_for_recipient { Some(&[]) } else { sites },
                recipients: &reach.recipients,
                most: wanted.most,
            };
            let followed = follow(tx, wanted, start, within).await?;
            let ids = &followed.ids;
            let hides_amounts = !hidden_sites(tx, actor).await?.is_empty();
            let mut edges = details::edges(tx, ids).await?;
            let mut lots = details::lots(tx, ids).await?;
            if hides_amounts {
                // what was drawn of a lot tells whoever counts it what is left
                let of_lots = edges.iter_mut().filter(|edge| edge.from_kind == "lot");
                of_lots.for_each(|edge| edge.quantity = None);
                lots.iter_mut().for_each(|lot| lot.untied = None);
            }
            Ok(Trace {
                lots,
                batches: details::batches(tx, ids).await?,
                stations: details::stations(tx, ids).await?,
                sowings: details::sowings(tx, ids).await?,
                work: if is_for_recipient {
                    Vec::new()
                } else {
                    details::work(tx, ids).await?
                },
                cuts: details::cuts(tx, ids).await?,
                deliveries: details::deliveries(tx, ids).await?,
                edges,
                is_cut_short: followed.is_cut_short,
                is_narrowed: !reach.all,
                names_members: Operation::ListMembers.reach(actor).all,
                is_for_recipient,
                start: followed.start,
            })
        })
        .await
    }
}

/// Whether the record is in reach, and whether only as what a recipient got.
fn require_reached(actor: &Actor, reach: &Reach, suspect: &Suspect, start: &Start) -> Result<bool> {
    if reach.all
        || start
            .sites
            .iter()
            .any(|site_id| reach.covers_site(*site_id))
    {
        return Ok(false);
    }
    let of = suspect.of;
    let leads = Operation::ListMembers.reach(actor).all;
    if of == TraceOf::Member && (leads || start.id == actor.member_id) && !reach.sites.is_empty() {
        return Ok(false);
    }
    let mut recipients = start.recipients.iter();
    if recipients.any(|recipient_id| reach.covers_recipient(*recipient_id)) {
        return Ok(true);
    }
    Err(Error::NotFound(of.as_str()))
}

impl Suspect {
    /// Looks at the form of it; `under` is put before the pointers.
    pub(crate) fn check(&self, problems: &mut Problems, under: &str) {
        let at = |name: &str| format!("{under}{name}");
        let is_one = self.id.is_some() != self.tray_code.is_some();
        problems.require(
            is_one,
            &at("id"),
            "missing",
            "give the id of the record, or of a cut the tray_code instead",
        );
        problems.require(
            self.tray_code.is_none() || self.of == TraceOf::Cut,
            &at("tray_code"),
            "other",
            "only a cut has a tray code; give the id",
        );
        let has_days = self.first_day.is_some() || self.last_day.is_some();
        problems.require(
            !has_days || matches!(self.of, TraceOf::Station | TraceOf::Member),
            &at("first_day"),
            "other",
            "only a station and a member's work are narrowed to days",
        );
        for (name, day) in [("first_day", self.first_day), ("last_day", self.last_day)] {
            if let Some(day) = day {
                problems.day(&at(name), day);
            }
        }
        if let (Some(first), Some(last)) = (self.first_day, self.last_day) {
            problems.require(
                first <= last,
                &at("last_day"),
                "order",
                "must not be before first_day",
            );
        }
    }

    /// What a recall is drafted from.
    pub(crate) fn of_recall(recall: &Recall) -> Result<Self> {
        Ok(Self {
            of: TraceOf::parse(&recall.suspect_kind)
                .ok_or_else(|| Error::internal("a suspect of an unknown kind"))?,
            id: Some(recall.suspect_id),
            tray_code: None,
            first_day: recall.first_day,
            last_day: recall.last_day,
        })
    }

    pub(crate) async fn start(&self, tx: &mut Tx) -> Result<Start> {
        let of = self.of.as_str();
        traces::start(tx, of, self.id, self.tray_code.as_deref())
            .await?
            .ok_or(Error::NotFound(of))
    }

    /// The records with which a trace of it begins; `id` is that of its start.
    pub(crate) async fn points(
        &self,
        tx: &mut Tx,
        id: Uuid,
        within: Within<'_>,
    ) -> Result<Vec<Point>> {
        Ok(match self.of {
            TraceOf::Station => traces::stood_at(tx, id, self.days(), within.most).await?,
            TraceOf::Member => traces::touched_by(tx, id, self.instants(), within).await?,
            of => vec![Point {
                kind: of.as_str().to_owned(),
                id,
            }],
        })
    }

    /// First and last day, wide open where none is given.
    fn days(&self) -> (NaiveDate, NaiveDate) {
        let edge = |year, month, day| NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default();
        (
            self.first_day.unwrap_or_else(|| edge(1970, 1, 1)),
            self.last_day.unwrap_or_else(|| edge(9999, 12, 31)),
        )
    }

    /// From the first moment of the first day anywhere on earth to the last moment of the last day: work near
    /// midnight is rather included.
    fn instants(&self) -> (DateTime<Utc>, DateTime<Utc>) {
        let (first, last) = self.days();
        let midnight = |day: NaiveDate| day.and_time(chrono::NaiveTime::MIN).and_utc();
        (
            midnight(first) - TimeDelta::hours(14),
            midnight(last) + TimeDelta::hours(36),
        )
    }
}

/// Follows a record; reads one record more than is asked for, so that it is known when there are more.
pub(crate) async fn follow(
    tx: &mut Tx,
    wanted: &TraceWanted,
    start: Start,
    within: Within<'_>,
) -> Result<Followed> {
    let within = Within {
        most: within.most + 1,
        ..within
    };
    let from = wanted.suspect.points(tx, start.id, within).await?;
    let mut points = from.clone();
    if wanted.direction != Direction::Back {
        points.extend(traces::forward(tx, &from, within).await?);
    }
    if wanted.direction != Direction::Forward {
        points.extend(traces::back(tx, &from, within).await?);
    }
    points.sort_unstable();
    points.dedup();
    let most = usize::try_from(wanted.most).unwrap_or(usize::MAX);
    let is_cut_short = points.len() > most;
    points.truncate(most);
    let of_kind = |points: &[Point], kind: &str| -> Vec<Uuid> {
        let own = points.iter().filter(|point| point.kind == kind);
        own.map(|point| point.id).collect()
    };
    Ok(Followed {
        start,
        ids: Ids {
            lots: of_kind(&points, "lot"),
            batches: of_kind(&points, "batch"),
            sowings: of_kind(&points, "sowing"),
            cuts: of_kind(&points, "cut"),
            deliveries: of_kind(&points, "delivery"),
            whole_deliveries: of_kind(&from, "delivery"),
        },
        is_cut_short,
    })
}
