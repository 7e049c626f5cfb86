//! Reading a season's goods.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use cotyl_calendar::SiteZone;
use cotyl_store::levels::ready_batches;
use cotyl_store::{Page, Tx, sites, supply};

use super::{SeasonGoods, SiteGoods};
use crate::shopping_list::{Cupboard, DoseRows, Found, Shelf, SiteToday, dose};
use crate::{Error, Result};

/// What the acid or base of a site is to be worked out from, when the transaction has ended.
pub(in super::super) struct DoseToCome {
    site_id: uuid::Uuid,
    rows: Option<DoseRows>,
    shelf: Shelf,
}

/// Reads what is kept at the sites in use until the last day of a season; `None` for a co-operative that
/// has no stock item.
pub(in super::super) async fn read(
    tx: &mut Tx,
    until: NaiveDate,
    limits: bool,
    now: DateTime<Utc>,
) -> Result<Option<(SeasonGoods, Vec<DoseToCome>)>> {
    let cupboard = Cupboard::load(tx).await?;
    if cupboard.items.is_empty() {
        return Ok(None);
    }
    let (mut stores, mut doses) = (Vec::new(), Vec::new());
    for site in sites::list(tx, false, Page::ALL).await? {
        let zone: SiteZone = site.fields.zone.parse().map_err(Error::internal)?;
        let site = SiteToday {
            today: zone.today(now),
            late_days: 0,
            until,
            site,
            zone,
        };
        let site_id = site.site.id;
        let first_days = supply::first_days(tx, site_id, site.zone.name()).await?;
        let store = SiteGoods {
            site_id: site_id.to_string(),
            lots: supply::lots(tx, site_id).await?,
            orders: supply::orders(tx, site_id).await?,
            kept: first_days.iter().map(|(item_id, _)| *item_id).collect(),
            mixed: ready_batches(tx, site_id).await?,
            standing: site.standing(tx, now).await?,
            dose: None,
        };
        doses.push(DoseToCome {
            site_id,
            rows: match &cupboard.recipe {
                Some(recipe) => DoseRows::load(tx, recipe, site_id).await?,
                None => None,
            },
            shelf: Shelf {
                lots: store.lots.clone(),
                orders: store.orders.clone(),
                issued: Vec::new(),
                first_days: Vec::new(),
            },
        });
        stores.push(store);
    }
    let goods = SeasonGoods {
        limits,
        cupboard,
        sites: stores,
        keys: BTreeMap::new(),
    };
    Ok(Some((goods, doses)))
}

impl SeasonGoods {
    /// Works out the acid or base of every site; of one where that comes to nothing none is reckoned with.
    pub(in super::super) fn dose(&mut self, doses: &[DoseToCome]) {
        for to_come in doses {
            let found = dose(
                to_come.rows.as_ref(),
                &self.cupboard,
                &to_come.shelf,
                to_come.site_id,
            );
            let site_id = to_come.site_id.to_string();
            let site = self.sites.iter_mut().find(|site| site.site_id == site_id);
            if let (Some(site), Found::Dose(dose) | Found::PastMost(dose, _)) = (site, found) {
                site.dose = Some(dose);
            }
        }
    }
}
