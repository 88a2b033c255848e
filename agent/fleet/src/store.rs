//! The journal of a fleet in PostgreSQL. Proved packs flow in, a batch at a time and in one
//! transaction; when [`Store::take`] returns, what they hold is on the disk, and a receipt for each
//! says how far its site's epoch is whole. The same pack may come as often as it likes.
//!
//! Every number is stored once: the stretches of an epoch are read and written under a lock of its
//! row, and an event is inserted only if its number was in none of them. Partitions are weeks by
//! the time of receipt, made when they are needed and dropped when they are over ([`Store::tidy`]):
//! the sites' own times may be years off.

mod migrations;

pub use migrations::VERSION as TABLES;

use crate::VERSION;
use crate::event::FleetEvent;
use crate::pack::{EventReceipt, ProvedPack};
use crate::stretches::NumberStretches;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fmt;
use std::time::Duration;
use tokio_postgres::error::SqlState;
use tokio_postgres::tls::MakeTlsConnect;
use tokio_postgres::{Client, Config, Socket, Transaction};

/// A batch that takes longer is given up: the connection is dead, or the database is.
const PATIENCE: Duration = Duration::from_secs(30);

/// An open connection to the database.
pub struct Store {
    client: Client,
    /// The week for which a partition is there, as its name.
    week: String,
}

/// What became of a pack.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    /// For the site.
    pub receipt: EventReceipt,
    /// How many events were stored.
    pub stored: usize,
    /// What is worth saying about it.
    pub news: Vec<EventNews>,
}

/// What is worth saying about a site's events.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum EventNews {
    /// Its journal goes on under another epoch: it was begun anew, or went back in time.
    OtherEpoch {
        /// The number with which it begins.
        begins: u64,
    },
    /// Some are missing, and were asked for.
    Missing {
        /// The first of them.
        first: u64,
        /// The last of them.
        last: u64,
    },
    /// The site has them no more, or never had.
    Gone {
        /// How many.
        count: u64,
    },
}

/// Why the database did not do it.
#[derive(Debug)]
pub enum StoreError {
    /// Its tables were made by a later version of this program.
    Newer {
        /// The version of the tables.
        found: i32,
        /// The latest that is known here.
        known: usize,
    },
    /// It did not answer in time.
    Silent,
    /// What it says.
    Database(tokio_postgres::Error),
}

impl StoreError {
    /// Whether it is the data that the database can't take, and not the database that is unwell.
    pub fn is_of_the_data(&self) -> bool {
        let code = match self {
            Self::Database(error) => error.code().map(SqlState::code),
            Self::Newer { .. } | Self::Silent => None,
        };
        // Data exceptions, and limits of the program such as a row that is too large.
        code.is_some_and(|code| code.starts_with("22") || code.starts_with("54"))
    }
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Newer { found, known } => {
                write!(f, "its tables have version {found}, of a newer program; this one knows {known}")
            }
            Self::Silent => write!(f, "it does not answer"),
            Self::Database(error) => match error.as_db_error() {
                Some(said) => write!(f, "{}", said.message()),
                None => write!(f, "{error}"),
            },
        }
    }
}

impl std::error::Error for StoreError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            // What the server says stands in the words already.
            Self::Database(error) if error.as_db_error().is_some() => None,
            Self::Database(error) => std::error::Error::source(error),
            Self::Newer { .. } | Self::Silent => None,
        }
    }
}

impl From<tokio_postgres::Error> for StoreError {
    fn from(error: tokio_postgres::Error) -> Self {
        Self::Database(error)
    }
}

impl Store {
    /// Connects, and brings the tables to the present version.
    ///
    /// # Errors
    /// If the database can't be reached, doesn't let us in, or is a newer version's.
    pub async fn open<T>(config: &Config, tls: T) -> Result<Self, StoreError>
    where
        T: MakeTlsConnect<Socket>,
        T::Stream: Send + 'static,
    {
        let connected = tokio::time::timeout(PATIENCE, config.connect(tls)).await;
        let (mut client, connection) = connected.map_err(|_| StoreError::Silent)??;
        // It ends with its client.
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!("the connection to the fleet's database ended: {error}");
            }
        });
        let migrated = tokio::time::timeout(PATIENCE, migrations::migrate(&mut client)).await;
        migrated.map_err(|_| StoreError::Silent)??;
        Ok(Self { client, week: String::new() })
    }

    /// Stores what of these packs is new: all of it, or nothing if the database fails.
    ///
    /// # Errors
    /// What it says.
    pub async fn take(&mut self, packs: &[ProvedPack]) -> Result<Vec<Taken>, StoreError> {
        let work = self.take_all(packs);
        tokio::time::timeout(PATIENCE, work).await.map_err(|_| StoreError::Silent)?
    }

    async fn take_all(&mut self, packs: &[ProvedPack]) -> Result<Vec<Taken>, StoreError> {
        let transaction = self.client.transaction().await?;
        let week = ensure_week(&transaction, &self.week).await?;
        let mut taken = Vec::with_capacity(packs.len());
        // Rows are locked in the same order by everybody.
        let mut order: Vec<usize> = (0..packs.len()).collect();
        order.sort_by_key(|at| packs.get(*at).map(|checked| (&checked.pack.site, &checked.pack.epoch)));
        for at in order {
            if let Some(checked) = packs.get(at) {
                taken.push((at, take_one(&transaction, checked).await?));
            }
        }
        transaction.commit().await?;
        self.week = week;
        taken.sort_by_key(|(at, _)| *at);
        Ok(taken.into_iter().map(|(_, taken)| taken).collect())
    }

    /// Drops the oldest week if it was over before `keep` weeks ago; its name, if it did. One at a
    /// time: a clock of the database that goes wrong by years costs no more than that.
    ///
    /// # Errors
    /// What the database says.
    pub async fn tidy(&mut self, keep: u32) -> Result<Option<String>, StoreError> {
        let work = async {
            let oldest = self
                .client
                .query_opt(
                    "SELECT c.relname::text FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
                     WHERE i.inhparent = 'fleet.events'::regclass
                       AND c.relname < 'events_' || to_char(date_trunc('week', now() AT TIME ZONE 'UTC')
                                                            - $1 * interval '1 week', 'YYYYMMDD')
                     ORDER BY c.relname LIMIT 1",
                    &[&f64::from(keep)],
                )
                .await?;
            let Some(row) = oldest else { return Ok(None) };
            let name: String = row.try_get(0)?;
            if !name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_') {
                return Ok(None);
            }
            self.client.batch_execute(&format!("DROP TABLE fleet.{name}")).await?;
            self.week.clear();
            Ok(Some(name))
        };
        tokio::time::timeout(PATIENCE, work).await.map_err(|_| StoreError::Silent)?
    }
}

/// Makes the partition of this week, unless it is known to be there; the week's name.
async fn ensure_week(transaction: &Transaction<'_>, known: &str) -> Result<String, StoreError> {
    let row = transaction
        .query_one(
            "SELECT to_char(w, 'YYYYMMDD'), to_char(w, 'YYYY-MM-DD'), to_char(w + interval '1 week', 'YYYY-MM-DD')
             FROM date_trunc('week', now() AT TIME ZONE 'UTC') AS w",
            &[],
        )
        .await?;
    let (week, from, to): (String, String, String) = (row.try_get(0)?, row.try_get(1)?, row.try_get(2)?);
    if week != known {
        let make = format!(
            "CREATE TABLE IF NOT EXISTS fleet.events_{week} PARTITION OF fleet.events
             FOR VALUES FROM ('{from} 00:00+00') TO ('{to} 00:00+00')"
        );
        transaction.batch_execute(&make).await?;
    }
    Ok(week)
}

async fn take_one(transaction: &Transaction<'_>, checked: &ProvedPack) -> Result<Taken, StoreError> {
    let pack = &checked.pack;
    let (site, epoch) = (&pack.site, &pack.epoch);
    // A site's first epoch is no news; the row of each stays locked until the end.
    let earlier =
        transaction.query_opt("SELECT 1 FROM fleet.epochs WHERE site = $1 LIMIT 1", &[site]).await?;
    let made = transaction
        .execute(
            "INSERT INTO fleet.epochs (site, epoch, begins) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
            &[site, epoch, &signed(pack.begins)],
        )
        .await?;
    let row = transaction
        .query_one(
            "UPDATE fleet.epochs SET last_heard = now() WHERE site = $1 AND epoch = $2 RETURNING begins",
            &[site, epoch],
        )
        .await?;
    let begins = unsigned(row.try_get(0)?);
    let mut news = Vec::new();
    if made > 0 && earlier.is_some() {
        news.push(EventNews::OtherEpoch { begins });
    }
    let before = stretches(transaction, site, epoch).await?;
    let mut after = before.clone();
    let mut stored = 0;
    if pack.covers() && after.insert(pack.first, pack.last, &pack.digest) {
        let new: Vec<(&FleetEvent, &Value)> = checked
            .events
            .iter()
            .zip(&pack.events)
            .filter(|(event, _)| !before.has(event.data.number))
            .collect();
        stored = new.len();
        insert(transaction, site, epoch, &new).await?;
        keep(transaction, site, epoch, &before, &after).await?;
        let covered = (pack.first..=pack.last).filter(|number| !before.has(*number)).take(1 << 20).count();
        if covered > stored {
            news.push(EventNews::Gone { count: (covered - stored) as u64 });
        }
    }
    let missing = after.missing(begins);
    // One that is being filled is no news.
    let known = before.missing(begins).map(|(first, _)| first);
    if let Some((first, last)) = missing.filter(|(first, _)| known != Some(*first)) {
        news.push(EventNews::Missing { first, last });
    }
    let (through, digest) = after.stored(begins);
    let receipt = EventReceipt {
        version: VERSION,
        site: site.clone(),
        epoch: epoch.clone(),
        stored: through,
        digest: digest.to_owned(),
        asks: missing.is_some(),
    };
    Ok(Taken { receipt, stored, news })
}

async fn stretches(
    transaction: &Transaction<'_>,
    site: &String,
    epoch: &String,
) -> Result<NumberStretches, StoreError> {
    let sql = "SELECT first, last, digest FROM fleet.stretches WHERE site = $1 AND epoch = $2";
    let rows = transaction.query(sql, &[site, epoch]).await?;
    let mut kept = Vec::with_capacity(rows.len());
    for row in rows {
        kept.push((unsigned(row.try_get(0)?), unsigned(row.try_get(1)?), row.try_get(2)?));
    }
    Ok(NumberStretches::of(kept))
}

async fn keep(
    transaction: &Transaction<'_>,
    site: &String,
    epoch: &String,
    before: &NumberStretches,
    after: &NumberStretches,
) -> Result<(), StoreError> {
    let were: BTreeSet<_> = before.iter().map(|(first, end)| (first, end.last)).collect();
    let are: BTreeSet<_> = after.iter().map(|(first, end)| (first, end.last)).collect();
    for (first, _) in were.difference(&are) {
        let sql = "DELETE FROM fleet.stretches WHERE site = $1 AND epoch = $2 AND first = $3";
        transaction.execute(sql, &[site, epoch, &signed(*first)]).await?;
    }
    for (first, end) in after.iter().filter(|(first, end)| !were.contains(&(*first, end.last))) {
        transaction
            .execute(
                "INSERT INTO fleet.stretches (site, epoch, first, last, digest) VALUES ($1, $2, $3, $4, $5)",
                &[site, epoch, &signed(first), &signed(end.last), &end.digest],
            )
            .await?;
    }
    Ok(())
}

async fn insert(
    transaction: &Transaction<'_>,
    site: &String,
    epoch: &String,
    new: &[(&FleetEvent, &Value)],
) -> Result<(), StoreError> {
    if new.is_empty() {
        return Ok(());
    }
    let numbers: Vec<i64> = new.iter().map(|(event, _)| signed(event.data.number)).collect();
    let at: Vec<i64> = new.iter().map(|(event, _)| event.at().unwrap_or(0)).collect();
    let sure: Vec<bool> = new.iter().map(|(event, _)| event.data.sure).collect();
    let kinds: Vec<&str> = new.iter().map(|(event, _)| event.record_kind()).collect();
    let subjects: Vec<Option<String>> =
        new.iter().map(|(event, _)| event.subject.as_deref().map(without_nul)).collect();
    let events: Vec<String> = new.iter().map(|(_, json)| storable(json)).collect();
    transaction
        .execute(
            "INSERT INTO fleet.events (site, epoch, number, received, at, sure, kind, subject, event)
             SELECT $1, $2, number, now(), 'epoch'::timestamptz + at * interval '1 millisecond', sure, kind, subject,
                    event::jsonb
             FROM unnest($3::bigint[], $4::bigint[], $5::boolean[], $6::text[], $7::text[], $8::text[])
                  AS new (number, at, sure, kind, subject, event)
             ON CONFLICT DO NOTHING",
            &[site, epoch, &numbers, &at, &sure, &kinds, &subjects, &events],
        )
        .await?;
    Ok(())
}

/// JSON that the database takes: it has no character 0 in texts.
fn storable(json: &Value) -> String {
    fn clean(json: &Value) -> Value {
        match json {
            Value::String(text) => Value::String(without_nul(text)),
            Value::Array(items) => items.iter().map(clean).collect(),
            Value::Object(fields) => {
                fields.iter().map(|(key, value)| (without_nul(key), clean(value))).collect()
            }
            Value::Null | Value::Bool(_) | Value::Number(_) => json.clone(),
        }
    }
    let text = json.to_string();
    if text.contains("\\u0000") { clean(json).to_string() } else { text }
}

fn without_nul(text: &str) -> String {
    text.replace('\0', "\u{fffd}")
}

/// Numbers of a pack fit, which was looked at when it was read.
fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

fn unsigned(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}
