//! The rules that hold for a plan as a whole.

use crate::problem::Share;

use super::ledger::{Index, Ledger};
use super::{Findings, ViolationKind};

pub(super) fn places(index: &Index, ledger: &Ledger, findings: &mut Findings) {
    for (n, (station, held)) in index.problem.stations.iter().zip(&ledger.held).enumerate() {
        let over = held
            .iter()
            .position(|&count| count > i128::from(station.places));
        if let Some(slot) = over {
            let date = index.date(index.site_of_class[index.class_of_station[n]], slot);
            let (count, places) = (held[slot], station.places);
            let message = format!(
                "{} on {date}: {count} containers in {places} places",
                station.id
            );
            findings.add(ViolationKind::Places, message);
        }
    }
}

/// A count of tenths, written as a decimal number.
pub(crate) fn tenths(count: i128) -> String {
    if count % 10 == 0 {
        (count / 10).to_string()
    } else {
        format!("{}.{}", count / 10, count % 10)
    }
}

pub(super) fn weeks(index: &Index, ledger: &Ledger, findings: &mut Findings) {
    let problem = index.problem;
    let batches = ledger.batches_by_week(index);
    let at = |limit: &Option<Vec<Option<i64>>>, week: usize| {
        limit.as_ref().and_then(|limit| limit[week]).map(i128::from)
    };
    for (n, site) in problem.sites.iter().enumerate() {
        for (week, label) in problem.weeks.iter().enumerate() {
            let have = ledger.minutes10[n][week];
            if let Some(limit) = at(&site.minutes, week).filter(|_| problem.rules.minutes)
                && have > 10 * limit
            {
                let message = format!(
                    "{} in {label}: {} minutes of work, {limit} at hand",
                    site.id,
                    tenths(have)
                );
                findings.add(ViolationKind::Minutes, message);
            }
            let have = ledger.mixing_dl[n][week];
            if let Some(limit) = at(&site.mixing_dl, week).filter(|_| problem.rules.mixing)
                && have > limit
            {
                let (have, limit) = (tenths(have), tenths(limit));
                let message = format!(
                    "{} in {label}: {have} litres to mix, {limit} can be",
                    site.id
                );
                findings.add(ViolationKind::Mixing, message);
            }
            let have = batches[n][week];
            if let Some(limit) = at(&site.most_sowings, week).filter(|_| problem.rules.most_sowings)
                && have > limit
            {
                let message = format!(
                    "{} in {label}: {have} batches sown, at most {limit}",
                    site.id
                );
                findings.add(ViolationKind::MostSowings, message);
            }
        }
    }
}

pub(super) fn batches(index: &Index, ledger: &Ledger, findings: &mut Findings) {
    if !index.problem.rules.smallest_sowing {
        return;
    }
    for (&(class, entry, slot), &count) in &ledger.batches {
        let growth = &index.problem.classes[class].crops[entry];
        if count < i128::from(growth.smallest_sowing) {
            let date = index.date(index.site_of_class[class], slot);
            let message = format!(
                "{} in {} on {date}: {count} containers sown, at least {}",
                growth.crop, index.problem.classes[class].id, growth.smallest_sowing
            );
            findings.add(ViolationKind::SmallestSowing, message);
        }
    }
}

pub(super) fn supplies(index: &Index, ledger: &Ledger, findings: &mut Findings) {
    let problem = index.problem;
    for (n, item) in problem.consumables.iter().enumerate() {
        let mut left = i128::from(item.stock);
        let mut ran_out = false;
        for (week, label) in problem.weeks.iter().enumerate() {
            let got = ledger.bought[n][week];
            if got > 0 && week < item.lead_weeks {
                let message = format!(
                    "{} in {label}: bought for week {week}, cannot arrive before week {}",
                    item.id, item.lead_weeks
                );
                findings.add(ViolationKind::PurchaseTooEarly, message);
            }
            if got > i128::from(item.most_per_week) {
                let message = format!(
                    "{} in {label}: {got} units bought, at most {}",
                    item.id, item.most_per_week
                );
                findings.add(ViolationKind::PurchaseTooLarge, message);
            }
            left += got - ledger.used[n][week];
            if problem.rules.stock && left < 0 && !ran_out {
                ran_out = true;
                let message = format!("{} in {label}: {} units are lacking", item.id, -left);
                findings.add(ViolationKind::Stock, message);
            }
        }
    }
}

/// For each run of weeks of a share: its first week, the harvest of the crop and of all the crops.
pub(crate) fn share_runs(index: &Index, ledger: &Ledger, share: usize) -> Vec<(usize, i128, i128)> {
    let share = &index.problem.shares[share];
    let (mut one, mut all) = (
        vec![0; index.problem.weeks.len()],
        vec![0; index.problem.weeks.len()],
    );
    for (&(site, crop, week), &dg) in &ledger.harvest {
        let Some(week) = week else { continue };
        if !share.sites.contains(&index.problem.sites[site].id) {
            continue;
        }
        let crop = &index.problem.crops[crop];
        if share.crops.contains(crop) {
            all[week] += dg;
        }
        if share.crop == *crop {
            one[week] += dg;
        }
    }
    let last = (index.problem.weeks.len() + 1).saturating_sub(share.weeks);
    (share.from_week..last)
        .map(|week| {
            let run = week..week + share.weeks;
            (week, one[run.clone()].iter().sum(), all[run].iter().sum())
        })
        .collect()
}

/// Whether a crop's part of a harvest is within a share's limits.
pub(crate) fn share_holds(share: &Share, one: i128, all: i128) -> bool {
    share
        .min_permille
        .is_none_or(|least| 1000 * one >= i128::from(least) * all)
        && share
            .max_permille
            .is_none_or(|most| 1000 * one <= i128::from(most) * all)
}

pub(super) fn shares(index: &Index, ledger: &Ledger, findings: &mut Findings) {
    for (n, share) in index.problem.shares.iter().enumerate() {
        for (week, one, all) in share_runs(index, ledger, n) {
            if !share_holds(share, one, all) {
                let label = &index.problem.weeks[week];
                let (one, all) = (tenths(one), tenths(all));
                let message = format!(
                    "{}: {one} of {all} g in the {} weeks from {label}",
                    share.crop, share.weeks
                );
                findings.add(ViolationKind::Share, message);
            }
        }
    }
}
