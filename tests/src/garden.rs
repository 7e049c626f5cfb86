//! A co-operative ready for growing, put straight into the database: for tests of what comes after
//! the describing.

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::{Api, PASSWORD};

pub const COORDINATOR: &str = "coordinator@example.org";
pub const LEAD: &str = "lead@example.org";
pub const VOLUNTEER: &str = "volunteer@example.org";
pub const READER: &str = "reader@example.org";
/// A lead and volunteer at the other site only.
pub const ELSEWHERE: &str = "elsewhere@example.org";

/// Everything in it, with everyone signed in under their address.
pub struct Garden {
    pub cooperative_id: Uuid,
    pub site_id: Uuid,
    pub other_site_id: Uuid,
    pub container_kind_id: Uuid,
    /// 8 places, passive, at the site
    pub station_id: Uuid,
    pub crop_group_id: Uuid,
    /// leaf lettuce from the starter set
    pub crop_id: Uuid,
    pub recipient_id: Uuid,
    pub pledge_id: Uuid,
    /// behind the interface, in system scope
    pub pool: PgPool,
}

/// A pool that row-level security lets through, for looking behind the interface.
pub async fn system_pool(api: &Api) -> PgPool {
    sqlx::postgres::PgPoolOptions::new()
        .max_connections(2)
        .connect_with(api.bed.options.clone().options([("cotyl.system", "on")]))
        .await
        .unwrap()
}

impl Garden {
    pub async fn plant(api: &Api) -> Self {
        let cooperative_id = api.found("Green Jars", COORDINATOR).await;
        let pool = system_pool(api).await;
        let [
            site_id,
            other_site_id,
            container_kind_id,
            station_id,
            crop_group_id,
            crop_id,
            recipient_id,
            pledge_id,
        ] = std::array::from_fn(|_| Uuid::now_v7());
        let hours: Vec<Value> = ["monday", "tuesday", "wednesday", "thursday", "friday"]
            .map(|day| json!({"weekday": day, "opens": "08:00", "closes": "16:00"}))
            .into();
        for (id, name) in [(site_id, "North school"), (other_site_id, "South hall")] {
            sqlx::query("insert into site (id, cooperative_id, name, zone, opening_hours, weekly_minutes) values ($1, $2, $3, 'America/New_York', $4, 600)")
                .bind(id).bind(cooperative_id).bind(name).bind(json!(hours))
                .execute(&pool).await.unwrap();
        }
        sqlx::query("insert into container_kind (id, cooperative_id, name, volume_microlitres, fill_microlitres, refill_limit_microlitres, plants_per_container)
                     values ($1, $2, 'Jar', 4000000, 3500000, 2500000, 1)")
            .bind(container_kind_id).bind(cooperative_id)
            .execute(&pool).await.unwrap();
        let environment = json!([{"first_week": 1, "last_week": 53, "temperature_celsius": 21.0, "daily_light_mol": 15.0}]);
        sqlx::query("insert into station (id, cooperative_id, site_id, container_kind_id, name, method, places, environment)
                     values ($1, $2, $3, $4, 'Bench', 'passive', 8, $5)")
            .bind(station_id).bind(cooperative_id).bind(site_id).bind(container_kind_id).bind(environment)
            .execute(&pool).await.unwrap();
        sqlx::query(
            "insert into crop_group (id, cooperative_id, name) values ($1, $2, 'Salad greens')",
        )
        .bind(crop_group_id)
        .bind(cooperative_id)
        .execute(&pool)
        .await
        .unwrap();
        let starter = cotyl_growth::starter_crops().unwrap().remove(0);
        sqlx::query("insert into crop (id, cooperative_id, crop_group_id, name, profile, sources) values ($1, $2, $3, $4, $5, $6)")
            .bind(crop_id).bind(cooperative_id).bind(crop_group_id).bind(&starter.name)
            .bind(serde_json::to_value(&starter.profile).unwrap()).bind(serde_json::to_value(&starter.sources).unwrap())
            .execute(&pool).await.unwrap();
        sqlx::query("insert into recipient (id, cooperative_id, name, kind, delivery_weekdays) values ($1, $2, 'Corner pantry', 'pantry', '{3,5}')")
            .bind(recipient_id).bind(cooperative_id)
            .execute(&pool).await.unwrap();
        sqlx::query("insert into pledge (id, cooperative_id, recipient_id, crop_group_id, weekly_milligrams, first_monday, last_monday, priority)
                     values ($1, $2, $3, $4, 300000, '2026-10-19', '2026-12-14', 1)")
            .bind(pledge_id).bind(cooperative_id).bind(recipient_id).bind(crop_group_id)
            .execute(&pool).await.unwrap();
        let garden = Self {
            cooperative_id,
            site_id,
            other_site_id,
            container_kind_id,
            station_id,
            crop_group_id,
            crop_id,
            recipient_id,
            pledge_id,
            pool,
        };
        garden
            .join(api, LEAD, &[("lead", Some(site_id), None)])
            .await;
        garden
            .join(api, VOLUNTEER, &[("volunteer", Some(site_id), None)])
            .await;
        garden
            .join(api, READER, &[("reader", None, Some(recipient_id))])
            .await;
        garden
            .join(
                api,
                ELSEWHERE,
                &[
                    ("lead", Some(other_site_id), None),
                    ("volunteer", Some(other_site_id), None),
                ],
            )
            .await;
        garden
    }

    /// Adds a member with roles (role, site, recipient) and signs them in.
    pub async fn join(
        &self,
        api: &Api,
        email: &str,
        grants: &[(&str, Option<Uuid>, Option<Uuid>)],
    ) -> Uuid {
        let member_id = Uuid::now_v7();
        sqlx::query("insert into member (id, cooperative_id, name, email, password_hash)
                     select $1, $2, $3, $3, password_hash from member where cooperative_id = $2 and email = $4")
            .bind(member_id).bind(self.cooperative_id).bind(email).bind(COORDINATOR)
            .execute(&self.pool).await.unwrap();
        for (role, site_id, recipient_id) in grants {
            sqlx::query("insert into role_grant (id, cooperative_id, member_id, role, site_id, recipient_id) values ($1, $2, $3, $4, $5, $6)")
                .bind(Uuid::now_v7()).bind(self.cooperative_id).bind(member_id).bind(role).bind(site_id).bind(recipient_id)
                .execute(&self.pool).await.unwrap();
        }
        api.sign_in(email, PASSWORD).await.expect(201);
        member_id
    }
}
