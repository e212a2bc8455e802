//! The record of every delivery and every reading: one SQLite file on a local disk. A change is durable
//! when the call returns.

use super::job::PatientKey;
use crate::intake::claim::{Manifest, Ticket};
use crate::study::Digest;
use rusqlite::{Connection, OptionalExtension as _, TransactionBehavior, params};
use std::os::unix::ffi::OsStrExt as _;
use std::path::Path;
use std::time::Duration;

/// Each entry raises `user_version` by one. Never change one that was released; add another.
const MIGRATIONS: &[&str] = &[
    "
    CREATE TABLE deliveries (
        ticket      TEXT PRIMARY KEY,
        digest      TEXT NOT NULL UNIQUE,
        place       TEXT NOT NULL,
        predecessor TEXT,
        complete    INTEGER NOT NULL,
        files       INTEGER NOT NULL,
        claimed_at  TEXT NOT NULL,
        outcome     TEXT CHECK (outcome IN ('reported', 'refused', 'quarantined')),
        reason      TEXT,
        finished_at TEXT,
        archived    INTEGER NOT NULL DEFAULT 0
    ) STRICT;
    CREATE INDEX deliveries_open ON deliveries (claimed_at) WHERE outcome IS NULL;
    CREATE INDEX deliveries_unarchived ON deliveries (ticket) WHERE outcome IS NOT NULL AND archived = 0;
    CREATE TABLE places (
        place  TEXT PRIMARY KEY,
        share  TEXT NOT NULL,
        print  TEXT NOT NULL,
        ticket TEXT NOT NULL REFERENCES deliveries (ticket)
    ) STRICT;
    CREATE TABLE readings (
        acquisition TEXT PRIMARY KEY,
        ticket      TEXT NOT NULL REFERENCES deliveries (ticket),
        issuer      TEXT,
        patient     TEXT NOT NULL,
        study_date  TEXT,
        reading     TEXT NOT NULL
    ) STRICT;
    CREATE INDEX readings_patient ON readings (patient, issuer, study_date);
",
    "
    CREATE TABLE imported (
        digest     TEXT PRIMARY KEY,
        issuer     TEXT,
        patient    TEXT NOT NULL,
        study_date TEXT,
        reading    TEXT NOT NULL
    ) STRICT;
    CREATE INDEX imported_patient ON imported (patient, issuer, study_date);
",
    super::outbox::MIGRATION,
];

/// Name of the ledger in the site's state folder.
pub const FILE_NAME: &str = "ledger.sqlite";

/// A failure of the ledger.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// SQLite says.
    #[error("the ledger: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// Written by a later version of the program.
    #[error("the ledger has schema {found}, this program knows {known}; install the program that wrote it")]
    Newer {
        /// In the file.
        found: usize,
        /// Of this program.
        known: usize,
    },
    /// A row that this program cannot have written.
    #[error("the ledger holds a value that this program cannot have written")]
    Damaged,
}

/// How a delivery ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// At least one acquisition was read and not refused.
    Reported,
    /// Every acquisition was refused, each with its reason.
    Refused,
    /// No result could be made; files and reason are in quarantine.
    Quarantined,
}

impl Outcome {
    /// As the ledger writes it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Reported => "reported",
            Self::Refused => "refused",
            Self::Quarantined => "quarantined",
        }
    }
}

/// One reading of a finished delivery, for the patient's course.
#[derive(Clone, Debug, PartialEq)]
pub struct CourseEntry {
    acquisition: Digest,
    patient: PatientKey,
    study_date: Option<String>,
    line: String,
}

/// What the ledger keys a reading by; the rest of the line is kept as it came.
#[derive(serde::Deserialize)]
struct CourseKey {
    patient: CoursePatient,
    date: Option<String>,
    acquisition: Option<Digest>,
}

#[derive(serde::Deserialize)]
struct CoursePatient {
    issuer: Option<String>,
    id: Option<String>,
}

impl CourseEntry {
    /// From a line as the reading room wrote it. A reading of nobody, or of no acquisition, enters no course.
    pub fn of(line: &str) -> Option<Self> {
        let reading: CourseKey = serde_json::from_str(line).ok()?;
        let patient = PatientKey { issuer: reading.patient.issuer, id: reading.patient.id? };
        let acquisition = reading.acquisition?;
        Some(Self { acquisition, patient, study_date: reading.date, line: line.to_owned() })
    }
}

/// Counts for the health file.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    /// Claimed, no outcome yet.
    pub open: u64,
    /// When the oldest of those was claimed.
    pub oldest_open: Option<String>,
    /// Ended as reported.
    pub reported: u64,
    /// Ended as refused.
    pub refused: u64,
    /// Ended as quarantined.
    pub quarantined: u64,
}

/// The open ledger.
pub struct Ledger {
    pub(super) connection: Connection,
}

impl Ledger {
    /// Opens the file, makes it where there is none, and brings its schema up to date.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        let mut connection = Connection::open(path)?;
        connection.busy_timeout(Duration::from_secs(10))?;
        connection.pragma_update(None, "journal_mode", "WAL")?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "foreign_keys", true)?;
        migrate(&mut connection)?;
        Ok(Self { connection })
    }

    /// Records a claimed delivery and the place it lay at. `true` where the delivery is new; for one with
    /// the same bytes as an earlier one only the place is recorded.
    pub fn claimed(&mut self, manifest: &Manifest) -> Result<bool, LedgerError> {
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let new = transaction.execute(
            "INSERT INTO deliveries (ticket, digest, place, predecessor, complete, files, claimed_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO NOTHING",
            params![
                manifest.ticket.as_str(),
                manifest.digest.as_str(),
                manifest.place.as_str(),
                manifest.predecessor.as_ref().map(Ticket::as_str),
                manifest.complete,
                i64::try_from(manifest.files.len()).unwrap_or(i64::MAX),
                manifest.claimed_at,
            ],
        )?;
        transaction.execute(
            "INSERT INTO places (place, share, print, ticket) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (place) DO UPDATE SET print = excluded.print, ticket = excluded.ticket",
            params![
                manifest.place.as_str(),
                share(manifest.drop.path()).as_str(),
                manifest.print.as_str(),
                manifest.ticket.as_str()
            ],
        )?;
        transaction.commit()?;
        Ok(new == 1)
    }

    /// The delivery last taken from a place, with the fingerprint it had.
    pub fn place(&self, place: &Digest) -> Result<Option<(String, Ticket)>, LedgerError> {
        let row: Option<(String, String)> = self
            .connection
            .prepare_cached("SELECT print, ticket FROM places WHERE place = ?1")?
            .query_row([place.as_str()], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()?;
        row.map(|(print, name)| Ok((print, ticket(name)?))).transpose()
    }

    /// Every place of a drop folder with its fingerprint.
    pub fn places(&self, drop: &Path) -> Result<Vec<(Digest, Digest)>, LedgerError> {
        let mut statement = self.connection.prepare("SELECT place, print FROM places WHERE share = ?1")?;
        let rows = statement
            .query_map([share(drop).as_str()], |row| Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?)))?;
        rows.map(|row| row.map_err(LedgerError::from).and_then(|(place, print)| Ok((digest(place)?, digest(print)?))))
            .collect()
    }

    /// Forgets a place whose files are gone: what comes there next is not a late arrival.
    pub fn forget_place(&mut self, place: &Digest) -> Result<(), LedgerError> {
        self.connection.execute("DELETE FROM places WHERE place = ?1", [place.as_str()])?;
        Ok(())
    }

    /// Deliveries without an outcome, oldest first.
    pub fn open_deliveries(&self) -> Result<Vec<Ticket>, LedgerError> {
        self.tickets("SELECT ticket FROM deliveries WHERE outcome IS NULL ORDER BY claimed_at, ticket")
    }

    /// Deliveries with an outcome whose inputs have not been put away yet.
    pub fn unarchived(&self) -> Result<Vec<Ticket>, LedgerError> {
        self.tickets("SELECT ticket FROM deliveries WHERE outcome IS NOT NULL AND archived = 0 ORDER BY ticket")
    }

    fn tickets(&self, query: &str) -> Result<Vec<Ticket>, LedgerError> {
        let mut statement = self.connection.prepare(query)?;
        let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
        rows.map(|row| ticket(row?)).collect()
    }

    /// The outcome of a delivery; the outer `None` where the ledger does not know it.
    pub fn outcome(&self, ticket: &Ticket) -> Result<Option<Option<String>>, LedgerError> {
        let query = "SELECT outcome FROM deliveries WHERE ticket = ?1";
        Ok(self.connection.query_row(query, [ticket.as_str()], |row| row.get(0)).optional()?)
    }

    /// Records how a delivery ended, with its readings, in one transaction. The first record stands.
    pub fn finished(
        &mut self,
        ticket: &Ticket,
        outcome: Outcome,
        reason: Option<&str>,
        now: &str,
        readings: &[CourseEntry],
    ) -> Result<(), LedgerError> {
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        transaction.execute(
            "UPDATE deliveries SET outcome = ?2, reason = ?3, finished_at = ?4 WHERE ticket = ?1 AND outcome IS NULL",
            params![ticket.as_str(), outcome.word(), reason, now],
        )?;
        for entry in readings {
            transaction.execute(
                "INSERT INTO readings (acquisition, ticket, issuer, patient, study_date, reading)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
                params![
                    entry.acquisition.as_str(),
                    ticket.as_str(),
                    entry.patient.issuer,
                    entry.patient.id,
                    entry.study_date,
                    entry.line,
                ],
            )?;
        }
        Ok(transaction.commit()?)
    }

    /// Records that a finished delivery's inputs were put away.
    pub fn archived(&mut self, ticket: &Ticket) -> Result<(), LedgerError> {
        self.connection.execute("UPDATE deliveries SET archived = 1 WHERE ticket = ?1", [ticket.as_str()])?;
        Ok(())
    }

    /// Takes values measured elsewhere, one reading a line; a line that is there already is not taken again.
    /// Returns how many were new.
    pub fn import(&mut self, lines: &[String]) -> Result<usize, LedgerError> {
        let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut new = 0;
        for line in lines {
            let Ok(CourseKey { patient: CoursePatient { issuer, id: Some(id) }, date, .. }) =
                serde_json::from_str(line)
            else {
                continue;
            };
            new += transaction.execute(
                "INSERT INTO imported (digest, issuer, patient, study_date, reading)
                 VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING",
                params![Digest::of(line.as_bytes()).as_str(), issuer, id, date, line],
            )?;
        }
        transaction.commit()?;
        Ok(new)
    }

    /// A patient's readings and imported values, oldest first, as the reading room wrote them.
    pub fn history(&self, patient: &PatientKey) -> Result<Vec<String>, LedgerError> {
        let mut statement = self.connection.prepare_cached(
            "SELECT reading FROM (
                SELECT reading, study_date, acquisition AS tie FROM readings WHERE patient = ?1 AND issuer IS ?2
                UNION ALL
                SELECT reading, study_date, digest FROM imported WHERE patient = ?1 AND issuer IS ?2
             ) ORDER BY study_date, tie",
        )?;
        let rows = statement.query_map(params![patient.id, patient.issuer], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Counts for the health file.
    pub fn tally(&self) -> Result<Tally, LedgerError> {
        let query = "SELECT count(*) FILTER (WHERE outcome IS NULL), min(claimed_at) FILTER (WHERE outcome IS NULL),
            count(*) FILTER (WHERE outcome = 'reported'), count(*) FILTER (WHERE outcome = 'refused'),
            count(*) FILTER (WHERE outcome = 'quarantined') FROM deliveries";
        Ok(self.connection.prepare_cached(query)?.query_row([], |row| {
            let count = |index| row.get::<_, i64>(index).map(i64::unsigned_abs);
            Ok(Tally {
                open: count(0)?,
                oldest_open: row.get(1)?,
                reported: count(2)?,
                refused: count(3)?,
                quarantined: count(4)?,
            })
        })?)
    }
}

fn share(drop: &Path) -> Digest {
    Digest::of(drop.as_os_str().as_bytes())
}

fn ticket(text: String) -> Result<Ticket, LedgerError> {
    Ticket::try_from(text).map_err(|_| LedgerError::Damaged)
}

fn digest(text: String) -> Result<Digest, LedgerError> {
    serde_json::from_value(serde_json::Value::String(text)).map_err(|_| LedgerError::Damaged)
}

fn migrate(connection: &mut Connection) -> Result<(), LedgerError> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let version: i64 = transaction.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    let found = usize::try_from(version).map_err(|_| LedgerError::Damaged)?;
    if found > MIGRATIONS.len() {
        return Err(LedgerError::Newer { found, known: MIGRATIONS.len() });
    }
    for step in MIGRATIONS.iter().skip(found) {
        transaction.execute_batch(step)?;
    }
    transaction.pragma_update(None, "user_version", MIGRATIONS.len() as i64)?;
    Ok(transaction.commit()?)
}
