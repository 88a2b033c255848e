//! The tables, and how older ones become the present ones: numbered texts, each run once and in a
//! transaction of its own. What has been released is never edited.

use super::StoreError;
use tokio_postgres::Client;

/// The first makes an empty database version 1, and so on.
const MIGRATIONS: &[&str] = &[include_str!("sql/1.sql")];

/// The version of the tables that this program reads and writes.
pub const VERSION: usize = MIGRATIONS.len();

/// Two receivers that start at once take turns: any number that nobody else locks by.
const LOCK: i64 = 0x536C_6B57;

/// Brings the tables to the present version. A newer version's are left alone and can't be used.
pub(super) async fn migrate(client: &mut Client) -> Result<usize, StoreError> {
    let first = client.transaction().await?;
    first.execute("SELECT pg_advisory_xact_lock($1)", &[&LOCK]).await?;
    first
        .batch_execute(
            "CREATE SCHEMA IF NOT EXISTS fleet;
             CREATE TABLE IF NOT EXISTS fleet.migrations (
                 number integer PRIMARY KEY, done timestamptz NOT NULL DEFAULT now())",
        )
        .await?;
    first.commit().await?;
    loop {
        let turn = client.transaction().await?;
        turn.execute("SELECT pg_advisory_xact_lock($1)", &[&LOCK]).await?;
        let row = turn.query_one("SELECT coalesce(max(number), 0) FROM fleet.migrations", &[]).await?;
        let done: i32 = row.try_get(0)?;
        let at = usize::try_from(done).unwrap_or(0);
        if at > VERSION {
            return Err(StoreError::Newer { found: done, known: VERSION });
        }
        let Some(next) = MIGRATIONS.get(at) else { return Ok(at) };
        turn.batch_execute(next).await?;
        turn.execute("INSERT INTO fleet.migrations (number) VALUES ($1)", &[&(done + 1)]).await?;
        turn.commit().await?;
    }
}
