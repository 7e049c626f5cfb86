//! Who the caller is: what a device shows first.

use chrono::NaiveDate;
use cotyl_calendar::SiteZone;
use cotyl_domain::{Actor, Operation, Qualification};
use cotyl_store::cooperatives::{self, Cooperative};
use cotyl_store::members::{self, Member};
use cotyl_store::{Tx, sites};

use crate::{App, Caller, Error, Result};

/// The caller with what they may do.
#[derive(Debug, Clone)]
pub struct Me {
    /// The member.
    pub member: Member,
    /// Their co-operative.
    pub cooperative: Cooperative,
    /// Their qualifications, past and future ones too.
    pub qualifications: Vec<Qualification>,
    /// The day at their site, on which a qualification holds or not.
    pub today: NaiveDate,
}

impl App {
    /// The caller.
    ///
    /// # Errors
    /// Those of the database.
    pub async fn read_me(&self, caller: &Caller) -> Result<Me> {
        self.read(Operation::ReadMe, caller, async |tx, actor| {
            let member = members::get(tx, actor.member_id)
                .await?
                .ok_or(Error::NotFound("member"))?;
            let cooperative = cooperatives::get(tx, actor.cooperative_id)
                .await?
                .ok_or(Error::NotFound("co-operative"))?;
            Ok(Me {
                member,
                cooperative,
                qualifications: actor.qualifications.clone(),
                today: self.day_of(tx, actor).await?,
            })
        })
        .await
    }

    /// The day at one of the actor's sites; without one, at the co-operative's oldest; without any, by UTC.
    async fn day_of(&self, tx: &mut Tx, actor: &Actor) -> Result<NaiveDate> {
        let now = self.clock().now();
        let zone = sites::zone_among(tx, &actor.sites()).await?;
        match zone {
            Some(name) => Ok(name
                .parse::<SiteZone>()
                .map_err(|fault| Error::internal(fault.to_string()))?
                .today(now)),
            None => Ok(now.date_naive()),
        }
    }
}
