//! What every kind of record that can be retired is read and retired by.

/// Writes `get`, `lock` and `retire` for a record with its table.
macro_rules! record_access {
    ($record:ty, $table:literal, $noun:literal) => {
        #[doc = concat!("One ", $noun, ".")]
        ///
        /// # Errors
        /// Those of the database.
        pub async fn get(tx: &mut $crate::Tx, id: uuid::Uuid) -> $crate::Result<Option<$record>> {
            let cooperative_id = tx.cooperative_id();
            Ok(sqlx::query_as(concat!(
                "select * from ",
                $table,
                " where cooperative_id = $1 and id = $2"
            ))
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?)
        }

        #[doc = concat!("One ", $noun, ", held against other writers until the transaction ends.")]
        ///
        /// # Errors
        /// Those of the database.
        pub async fn lock(tx: &mut $crate::Tx, id: uuid::Uuid) -> $crate::Result<Option<$record>> {
            let cooperative_id = tx.cooperative_id();
            Ok(sqlx::query_as(concat!(
                "select * from ",
                $table,
                " where cooperative_id = $1 and id = $2 for no key update"
            ))
            .bind(cooperative_id)
            .bind(id)
            .fetch_optional(tx.connection())
            .await?)
        }

        #[doc = concat!("Takes a ", $noun, " out of use.")]
        ///
        /// # Errors
        /// Those of the database.
        pub async fn retire(
            tx: &mut $crate::Tx,
            id: uuid::Uuid,
            now: chrono::DateTime<chrono::Utc>,
        ) -> $crate::Result<$record> {
            let cooperative_id = tx.cooperative_id();
            Ok(sqlx::query_as(concat!(
                "update ",
                $table,
                " set retired_at = $3 where cooperative_id = $1 and id = $2 returning *"
            ))
            .bind(cooperative_id)
            .bind(id)
            .bind(now)
            .fetch_one(tx.connection())
            .await?)
        }
    };
}

pub(crate) use record_access;
