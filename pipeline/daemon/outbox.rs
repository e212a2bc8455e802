//! The durable outbox: for every destination and file one row in the ledger, from the moment a result is published
//! until the destination has it. A row is never removed.

use super::ledger::{Ledger, LedgerError};
use crate::sending::Outcome;
use rusqlite::{Row, ToSql, TransactionBehavior, params};
use serde::Serialize;
use std::time::Duration;

/// Added to the ledger's migrations; never changed once released.
pub(super) const MIGRATION: &str = "
    CREATE TABLE shipments (
        id           INTEGER PRIMARY KEY,
        destination  TEXT NOT NULL,
        folder       TEXT NOT NULL,
        file         TEXT NOT NULL,
        purpose      TEXT NOT NULL,
        digest       TEXT NOT NULL,
        place        INTEGER NOT NULL,
        state        TEXT NOT NULL CHECK (state IN ('withheld', 'waiting', 'delivered', 'refused', 'withdrawn')),
        attempts     INTEGER NOT NULL DEFAULT 0,
        not_before   INTEGER NOT NULL DEFAULT 0,
        reason       TEXT,
        taken_as     TEXT,
        by_hand      INTEGER NOT NULL DEFAULT 0,
        queued_at    TEXT NOT NULL,
        ended_at     TEXT,
        UNIQUE (destination, folder, file)
    ) STRICT;
    CREATE INDEX shipments_due ON shipments (destination, not_before) WHERE state = 'waiting';
    CREATE INDEX shipments_folder ON shipments (folder);
";

/// Where a file of a result stands with a destination.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It leaves when a person releases it.
    Withheld,
    /// It leaves as soon as the destination takes it.
    Waiting,
    /// The destination has it.
    Delivered,
    /// The destination will not take it as it is.
    Refused,
    /// A person, or a corrected result, took it back before it left.
    Withdrawn,
}

impl State {
    /// As the ledger writes it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Withheld => "withheld",
            Self::Waiting => "waiting",
            Self::Delivered => "delivered",
            Self::Refused => "refused",
            Self::Withdrawn => "withdrawn",
        }
    }

    fn of(word: &str) -> Result<Self, LedgerError> {
        [Self::Withheld, Self::Waiting, Self::Delivered, Self::Refused, Self::Withdrawn]
            .into_iter()
            .find(|state| state.word() == word)
            .ok_or(LedgerError::Damaged)
    }
}

/// One row.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Shipment {
    /// Its number in the ledger.
    #[serde(skip)]
    pub id: i64,
    /// Name of the destination.
    pub destination: String,
    /// The result's folder, relative to the outbox where it lies in it.
    pub folder: String,
    /// The file in it.
    pub file: String,
    /// What it is.
    pub purpose: String,
    /// Digest of its bytes when it was queued.
    pub digest: String,
    /// Where it stands.
    pub state: State,
    /// Attempts made.
    pub attempts: u32,
    /// Why the last attempt failed, or a remark.
    pub reason: Option<String>,
    /// The UID of the form the destination took, where that is not the object's own.
    pub taken_as: Option<String>,
    /// When it was queued, RFC 3339.
    pub queued_at: String,
    /// When it reached its end, RFC 3339.
    pub ended_at: Option<String>,
}

/// A row to be added.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Posting {
    /// Name of the destination.
    pub destination: String,
    /// The file.
    pub file: String,
    /// What it is.
    pub purpose: String,
    /// Digest of its bytes.
    pub digest: String,
    /// Whether it leaves without being released.
    pub leaves: bool,
}

/// Counts of one destination.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct DestinationTally {
    /// Its name.
    pub name: String,
    /// On the way.
    pub waiting: u64,
    /// When the oldest of those was queued.
    pub oldest_waiting: Option<String>,
    /// Waiting for a person.
    pub withheld: u64,
    /// Refused by the destination.
    pub refused: u64,
    /// Delivered.
    pub delivered: u64,
}

const COLUMNS: &str =
    "id, destination, folder, file, purpose, digest, state, attempts, reason, taken_as, queued_at, ended_at";

impl Ledger {
    /// Queues the files of a result. What is queued already stays as it is.
    pub fn post(&mut self, folder: &str, postings: &[Posting], now: &str) -> Result<usize, LedgerError> {
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut new = 0;
        for (place, posting) in (0i64..).zip(postings) {
            let state = if posting.leaves { State::Waiting } else { State::Withheld };
            new += transaction.execute(
                "INSERT INTO shipments (destination, folder, file, purpose, digest, place, state, queued_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
                params![
                    posting.destination,
                    folder,
                    posting.file,
                    posting.purpose,
                    posting.digest,
                    place,
                    state.word(),
                    now
                ],
            )?;
        }
        transaction.commit()?;
        Ok(new)
    }

    /// A person sends a result, to one destination or to all: whatever its state was, it leaves, now.
    pub fn send_by_hand(&mut self, folder: &str, destination: &str) -> Result<usize, LedgerError> {
        Ok(self.connection.execute(
            "UPDATE shipments SET state = 'waiting', not_before = 0, by_hand = 1, ended_at = NULL, reason = NULL
             WHERE folder = ?1 AND destination = ?2",
            params![folder, destination],
        )?)
    }

    /// Takes back what has not left. With `released` false only what waits for a person: the rest is on its way.
    pub fn withdraw(
        &mut self,
        folder: &str,
        destination: Option<&str>,
        released: bool,
        why: &str,
        now: &str,
    ) -> Result<usize, LedgerError> {
        Ok(self.connection.execute(
            "UPDATE shipments SET state = 'withdrawn', reason = ?3, ended_at = ?4
             WHERE (folder = ?1 OR folder LIKE ?1 || '/%') AND (?2 IS NULL OR destination = ?2)
             AND (state = 'withheld' OR (?5 AND state IN ('waiting', 'refused')))",
            params![folder, destination, why, now, released],
        )?)
    }

    /// What a destination is due, in the order it was queued. Each is reserved for the time of the lease, so that
    /// nobody else sends it meanwhile; after a crash it is due again when the lease is over, or at the next start.
    pub fn due(
        &mut self,
        destination: &str,
        folder: Option<&str>,
        now_ms: i64,
        lease: Duration,
        most: usize,
    ) -> Result<Vec<Shipment>, LedgerError> {
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let due = {
            let query = format!(
                "SELECT {COLUMNS} FROM shipments WHERE state = 'waiting' AND destination = ?1
                 AND not_before <= ?2 AND (?3 IS NULL OR folder = ?3) ORDER BY queued_at, folder, place LIMIT ?4"
            );
            let most = i64::try_from(most).unwrap_or(i64::MAX);
            let parameters: [&dyn ToSql; 4] = [&destination, &now_ms, &folder, &most];
            rows(&transaction, &query, &parameters)?
        };
        let until = now_ms.saturating_add(millis(lease));
        for shipment in &due {
            transaction.execute("UPDATE shipments SET not_before = ?2 WHERE id = ?1", params![shipment.id, until])?;
        }
        transaction.commit()?;
        Ok(due)
    }

    /// Records how an attempt ended. `again_ms` is when a failed one is due again.
    pub fn attempted(&mut self, id: i64, outcome: &Outcome, again_ms: i64, now: &str) -> Result<(), LedgerError> {
        let (state, reason, taken_as) = match outcome {
            Outcome::Delivered { note, taken_as } => (State::Delivered, note.as_deref(), taken_as.as_deref()),
            Outcome::Refused(why) => (State::Refused, Some(why.as_str()), None),
            Outcome::Later(why) | Outcome::Away(why) => (State::Waiting, Some(why.as_str()), None),
        };
        let ended = (state != State::Waiting).then_some(now);
        // What was taken back while it was on the wire has left all the same.
        self.connection.execute(
            "UPDATE shipments SET state = ?2, reason = ?3, taken_as = coalesce(?4, taken_as), attempts = attempts + 1,
             not_before = ?5, ended_at = ?6 WHERE id = ?1 AND (state = 'waiting' OR ?2 = 'delivered')",
            params![id, state.word(), reason, taken_as, again_ms, ended],
        )?;
        Ok(())
    }

    /// Gives back what was reserved and not tried.
    pub fn not_tried(&mut self, ids: &[i64]) -> Result<(), LedgerError> {
        for id in ids {
            self.connection.execute("UPDATE shipments SET not_before = 0 WHERE id = ?1 AND state = 'waiting'", [id])?;
        }
        Ok(())
    }

    /// At a start nothing is on the wire: everything that waits is due.
    pub fn all_due(&mut self) -> Result<(), LedgerError> {
        self.connection.execute("UPDATE shipments SET not_before = 0 WHERE state = 'waiting'", [])?;
        Ok(())
    }

    /// Rows of one result, or of all, in the order of queueing.
    pub fn shipments(&self, folder: Option<&str>) -> Result<Vec<Shipment>, LedgerError> {
        let query = format!(
            "SELECT {COLUMNS} FROM shipments WHERE ?1 IS NULL OR folder = ?1 ORDER BY queued_at, folder, destination, place"
        );
        rows(&self.connection, &query, &[&folder])
    }

    /// Counts for the health file, by destination.
    pub fn destinations(&self) -> Result<Vec<DestinationTally>, LedgerError> {
        let query = "SELECT destination, count(*) FILTER (WHERE state = 'waiting'),
            min(queued_at) FILTER (WHERE state = 'waiting'), count(*) FILTER (WHERE state = 'withheld'),
            count(*) FILTER (WHERE state = 'refused'), count(*) FILTER (WHERE state = 'delivered')
            FROM shipments GROUP BY destination ORDER BY destination";
        let mut statement = self.connection.prepare_cached(query)?;
        let tallies = statement.query_map([], |row| {
            let count = |index| row.get::<_, i64>(index).map(i64::unsigned_abs);
            Ok(DestinationTally {
                name: row.get(0)?,
                waiting: count(1)?,
                oldest_waiting: row.get(2)?,
                withheld: count(3)?,
                refused: count(4)?,
                delivered: count(5)?,
            })
        })?;
        Ok(tallies.collect::<Result<_, _>>()?)
    }
}

fn millis(duration: Duration) -> i64 {
    i64::try_from(duration.as_millis()).unwrap_or(i64::MAX)
}

fn rows(connection: &rusqlite::Connection, query: &str, with: &[&dyn ToSql]) -> Result<Vec<Shipment>, LedgerError> {
    let mut statement = connection.prepare_cached(query)?;
    let read = |row: &Row<'_>| {
        let shipment = Shipment {
            id: row.get(0)?,
            destination: row.get(1)?,
            folder: row.get(2)?,
            file: row.get(3)?,
            purpose: row.get(4)?,
            digest: row.get(5)?,
            state: State::Withheld,
            attempts: row.get(7)?,
            reason: row.get(8)?,
            taken_as: row.get(9)?,
            queued_at: row.get(10)?,
            ended_at: row.get(11)?,
        };
        Ok((shipment, row.get::<_, String>(6)?))
    };
    let found = statement.query_map(with, read)?;
    found
        .map(|row| {
            let (shipment, word) = row?;
            Ok(Shipment { state: State::of(&word)?, ..shipment })
        })
        .collect()
}
