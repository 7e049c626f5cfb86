//! What the scale showed, and whether it can be true.

use cotyl_domain::Refusal;
use cotyl_domain::harvest::{PLAUSIBLE_FACTOR, most_plausible_milligrams};
use cotyl_domain::quantity::Mass;
use cotyl_store::Tx;
use cotyl_store::cuts::{self, Cut};
use serde::Serialize;
use uuid::Uuid;

use super::{CutCorrectionFields, CutFields, MOST_MILLIGRAMS, NewWeight};
use crate::input::Problems;
use crate::{Error, Result};

/// What the scale showed, in milligrams.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weighed {
    /// The greens alone.
    Net(i64),
    /// The tray with the greens in it, and the empty tray.
    WithTare {
        /// Both together.
        gross: i64,
        /// The empty tray.
        tare: i64,
    },
}

impl Weighed {
    /// The greens alone.
    pub fn net(self) -> i64 {
        match self {
            Self::Net(net) => net,
            Self::WithTare { gross, tare } => gross.saturating_sub(tare),
        }
    }

    pub(super) fn with_tare(self) -> Option<(i64, i64)> {
        match self {
            Self::Net(_) => None,
            Self::WithTare { gross, tare } => Some((gross, tare)),
        }
    }
}

pub(super) fn check(fields: &CutFields) -> Result<()> {
    let mut problems = Problems::new();
    let least = fields.quality.least_milligrams();
    let pointer = match fields.weighed {
        Weighed::Net(_) => "/weight",
        Weighed::WithTare { tare, .. } => {
            problems.require(
                (0..=MOST_MILLIGRAMS).contains(&tare),
                "/tare",
                "range",
                "must not be less than nothing, and at most 1000000 kg",
            );
            "/gross"
        }
    };
    let net = fields.weighed.net();
    if net < least || net > MOST_MILLIGRAMS {
        let nothing = if least == 0 {
            "must not be less than nothing"
        } else {
            "must be more than nothing, unless the quality is poor"
        };
        let without = if pointer == "/gross" {
            ", without the tare"
        } else {
            ""
        };
        problems.add(
            pointer,
            "range",
            format!("{nothing}{without}, and at most 1000000 kg"),
        );
    }
    problems.require(
        (0..=MOST_MILLIGRAMS).contains(&fields.waste_milligrams),
        "/waste",
        "range",
        "must not be less than nothing, and at most 1000000 kg",
    );
    if let Some(code) = &fields.tray_code {
        problems.text("/tray_code", code, 1, 40);
    }
    if let Some(reason) = &fields.weight_accepted_because {
        problems.text("/weight_accepted_because", reason, 1, 300);
    }
    problems.finish()
}

pub(super) fn check_correction(fields: &CutCorrectionFields) -> Result<()> {
    let mut problems = Problems::new();
    problems.text("/reason", &fields.reason, 1, 300);
    problems.require(
        fields.weight.is_some() || fields.waste_milligrams.is_some(),
        "/weight",
        "either",
        "give the weight as it should have been, or the change, or the waste",
    );
    problems.finish()
}

/// A group cuts where it works.
pub(super) async fn check_group(tx: &mut Tx, site_id: Uuid, group_id: Option<Uuid>) -> Result<()> {
    let Some(group_id) = group_id else {
        return Ok(());
    };
    match cuts::group_site(tx, group_id).await? {
        Some(site) if site == site_id => Ok(()),
        Some(_) => Err(Error::field(
            "/group_id",
            "other",
            "this group works at another site",
        )),
        None => Err(Error::field(
            "/group_id",
            "unknown",
            "there is no such group in use in this co-operative",
        )),
    }
}

/// The whole cut, with `more` milligrams on top, weighs no more than its containers plausibly give.
/// The caller holds the sowing or the cut.
pub(super) async fn require_plausible(
    tx: &mut Tx,
    sowing_id: Uuid,
    number: i32,
    more: i64,
    how: &'static str,
) -> Result<()> {
    let found = cuts::expectation(tx, sowing_id, number).await?;
    let most = most_plausible_milligrams(
        found.containers,
        found.profile_milligrams,
        found.planned_milligrams,
    );
    let weighed = found.so_far_milligrams.saturating_add(more);
    if weighed <= most {
        return Ok(());
    }
    Err(Refusal::ImplausibleWeight {
        number,
        weighed: Mass::of_milligrams(weighed),
        containers: found.containers,
        expected: Mass::of_milligrams(most / PLAUSIBLE_FACTOR),
        most: Mass::of_milligrams(most),
        how,
    }
    .into())
}

/// What a correction adds to the weight and to the waste of a cut.
pub(super) fn changes(cut: &Cut, fields: &CutCorrectionFields) -> Result<(i64, i64)> {
    let weight = match fields.weight {
        Some(weight) => change(cut.milligrams, weight)?,
        None => 0,
    };
    let waste = match fields.waste_milligrams {
        Some(waste) if !(0..=MOST_MILLIGRAMS).contains(&waste) => {
            return Err(Error::field(
                "/waste",
                "range",
                "must not be less than nothing, and at most 1000000 kg",
            ));
        }
        Some(waste) if waste == cut.waste_milligrams => {
            return Err(Error::field(
                "/waste",
                "same",
                "must change the waste; it is the same already",
            ));
        }
        Some(waste) => waste - cut.waste_milligrams,
        None => 0,
    };
    Ok((weight, waste))
}

/// What a correction adds to a weight, which may become nothing, never less.
pub(crate) fn change(now: i64, weight: NewWeight) -> Result<i64> {
    let (pointer, becomes) = match weight {
        NewWeight::To(milligrams) => ("/weight", Some(milligrams)),
        NewWeight::By(milligrams) => ("/change", now.checked_add(milligrams)),
    };
    match becomes {
        Some(becomes) if becomes == now => Err(Error::field(
            pointer,
            "same",
            "must change the weight; it is the same already",
        )),
        Some(becomes) if (0..=MOST_MILLIGRAMS).contains(&becomes) => Ok(becomes - now),
        _ => Err(Error::field(
            pointer,
            "range",
            "the weight must not become less than nothing or more than 1000000 kg",
        )),
    }
}
