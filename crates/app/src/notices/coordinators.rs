//! What coordinators are told: weeks at risk, and what is to be ordered.

use chrono::{Days, NaiveDate};
use cotyl_calendar::{IsoWeek, SiteZone};
use cotyl_store::notices::{self as store, StockLook};
use cotyl_store::{Scope, Tx};
use uuid::Uuid;

use super::is_up;
use crate::plans::answer::PlanWeek;
use crate::shopping_list::ShoppingItem;
use crate::{App, Error, Result};

/// A week whose pledge is met in fewer seasons of a thousand is at risk.
const SAFE_PERMILLE: i64 = 800;
/// Days before the last day to order on which it is told.
const DAYS_TO_ORDER: u64 = 3;
/// Most weeks that one mail names.
const MOST_NAMED: usize = 20;

impl App {
    /// Tells coordinators which weeks of a plan that is adopted are at risk, if any are.
    pub(crate) async fn tell_weeks_at_risk(
        &self,
        tx: &mut Tx,
        plan_id: Uuid,
        weeks: &[PlanWeek],
    ) -> Result<()> {
        let lines: Vec<String> = weeks.iter().filter_map(at_risk).collect();
        if lines.is_empty() {
            return Ok(());
        }
        let more = lines.len().saturating_sub(MOST_NAMED);
        let mut named = lines[..lines.len().min(MOST_NAMED)].join("\n");
        if more > 0 {
            named.push_str(&format!("\nand {more} more"));
        }
        let body = format!(
            "In the plan that was adopted, these weekly pledges may not be met:\n\n{named}\n\nThe plan says why, and what would mend it.\n"
        );
        let subject = "Weeks at risk in the plan";
        self.tell_coordinators(
            tx,
            "week_at_risk",
            &format!("plan:{plan_id}"),
            subject,
            &body,
        )
        .await
    }

    /// Writes down what is to be ordered soon: in every co-operative once a day, at the first look from
    /// the morning on by the clock of its oldest site; of each item at most once a week. How many
    /// co-operatives were looked at.
    ///
    /// It goes by what was kept, never by the hour in which it is called: called late, several times, or
    /// twice at once, it leaves out no day on which it is called and tells nothing twice. A co-operative that
    /// cannot be read is left out until the next call; the others do not wait for it.
    ///
    /// # Errors
    /// [`Error::Unavailable`].
    pub async fn write_low_stock(&self) -> Result<usize> {
        let all = self
            .store()
            .read(Scope::System, async |tx| {
                Ok::<_, Error>(store::stock_looks(tx).await?)
            })
            .await?;
        let mut looked_at = 0;
        let mut look = self.left_out.look("low stock", self.clock().now());
        for last in all {
            let told = self.write_low_stock_of(&last).await;
            // before its hour nothing of it is read, which does not say that it can be
            if !matches!(told, Ok(false)) {
                looked_at += usize::from(look.brought(last.cooperative_id, told)?);
            }
        }
        look.end();
        Ok(looked_at)
    }

    /// Looks at one co-operative, if that is to be done; whether it was.
    async fn write_low_stock_of(&self, last: &StockLook) -> Result<bool> {
        let now = self.clock().now();
        let zone: SiteZone = last.zone.parse().map_err(Error::internal)?;
        let today = zone.today(now);
        if !is_up(zone, now) || last.looked_on.is_some_and(|day| day >= today) {
            return Ok(false);
        }
        let scope = Scope::Cooperative(last.cooperative_id);
        let supplies = self
            .store()
            .read(scope, async |tx| self.supplies_of_all(tx).await)
            .await?;
        self.store()
            .write("write_low_stock", scope, async |tx| {
                if !store::looked_at_stock(tx, today).await? {
                    return Ok::<_, Error>(false);
                }
                for item in &supplies {
                    self.tell_if_low(tx, item, today).await?;
                }
                Ok(true)
            })
            .await
    }

    async fn tell_if_low(&self, tx: &mut Tx, item: &ShoppingItem, today: NaiveDate) -> Result<()> {
        let order_by = item.purchase.as_ref().map(|purchase| purchase.order_by);
        let soon = order_by.is_some_and(|day| day <= today + Days::new(DAYS_TO_ORDER));
        if !soon && !item.is_due_by_record() {
            return Ok(());
        }
        let week = IsoWeek::of(today).map_err(Error::internal)?;
        let (name, site) = (&item.item.name, &item.site_name);
        let about = format!("stock:{}:{}:{week}", item.site_id, item.item.id);
        let by = order_by.map_or_else(
            || "It is down to its reorder point.".to_owned(),
            |day| format!("To be in time it is ordered by {day}."),
        );
        let body = format!(
            "{name} at {site} runs low. {by}\n\nThe shopping list says how much is needed.\n"
        );
        let subject = format!("Low on {name} at {site}");
        self.tell_coordinators(tx, "low_stock", &about, &subject, &body)
            .await
    }
}

/// The week in words, when its pledge may not be met.
fn at_risk(week: &PlanWeek) -> Option<String> {
    let unlikely = week
        .chance
        .as_ref()
        .is_some_and(|chance| chance.met_permille < SAFE_PERMILLE);
    if week.short_milligrams() == 0 && !unlikely {
        return None;
    }
    let name = IsoWeek::of(week.monday).map_or_else(|_| week.monday.to_string(), |w| w.to_string());
    let chance = week
        .chance
        .as_ref()
        .map(|chance| format!(", met in {} of 100 seasons", chance.met_permille / 10))
        .unwrap_or_default();
    Some(format!(
        "{name}: {} for {}{chance}",
        week.what, week.recipient_name
    ))
}
