//! Whether the service does its job, for a person (`health.json`) and for a monitor (`siderolog.prom`, the
//! text form that a node exporter collects).

use super::ledger::Tally;
use super::outbox::DestinationTally;
use serde::Serialize;
use std::fmt::Write as _;
use std::fs;
use std::io;
use std::path::Path;

/// One profile that the site names.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ProfileHealth {
    /// As the site file names it.
    pub file: String,
    /// Name of the profile in force.
    pub name: Option<String>,
    /// Its revision.
    pub revision: Option<u32>,
    /// Its digest.
    pub digest: Option<String>,
    /// What is wrong with the file now; what was read before stays in force.
    pub fault: Option<String>,
}

/// One look at the service.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Health {
    /// 1.
    pub schema_version: u32,
    /// Version of the program.
    pub version: &'static str,
    /// Process id.
    pub pid: u32,
    /// When it started, RFC 3339.
    pub started_at: String,
    /// When this was written, RFC 3339.
    pub at: String,
    /// Whether anything needs a person.
    pub healthy: bool,
    /// What, in plain words without names.
    pub complaints: Vec<String>,
    /// Deliveries in the drop folders that are still settling.
    pub settling: usize,
    /// Seconds since the oldest of those was first seen.
    pub oldest_settling_s: u64,
    /// Seconds since the oldest claimed delivery without an outcome was claimed.
    pub oldest_open_s: u64,
    /// Deliveries being measured now.
    pub measuring: usize,
    /// Drop folders that are not there.
    pub absent_shares: usize,
    /// The site's own profiles; none where those shipped in the program apply.
    pub profiles: Vec<ProfileHealth>,
    /// Bytes free for the spool.
    pub free_bytes: u64,
    /// Counts of the ledger.
    #[serde(flatten)]
    pub tally: Tally,
    /// What each destination has and has not.
    pub destinations: Vec<DestinationTally>,
    /// Seconds since the oldest object on its way was queued.
    pub oldest_unsent_s: u64,
}

/// Writes both forms. They describe the moment, so they are replaced whole but not synced.
pub fn write(health: &Health, state: &Path) -> io::Result<()> {
    replace(&state.join("health.json"), &serde_json::to_vec_pretty(health)?)?;
    replace(&state.join("siderolog.prom"), metrics(health).as_bytes())
}

fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let draft = path.with_extension("draft");
    fs::write(&draft, bytes)?;
    fs::rename(draft, path)
}

/// The monitor's text.
pub fn metrics(health: &Health) -> String {
    let mut text = String::new();
    let mut line = |name: &str, help: &str, kind: &str, value: u64| {
        // Writing to a String cannot fail.
        let _ =
            write!(text, "# HELP siderolog_{name} {help}\n# TYPE siderolog_{name} {kind}\nsiderolog_{name} {value}\n");
    };
    let seconds = health.at.parse::<jiff::Timestamp>().map_or(0, |at| at.as_second().unsigned_abs());
    line("healthy", "1 while nothing needs a person.", "gauge", u64::from(health.healthy));
    line("heartbeat_seconds", "Unix time of the last look.", "gauge", seconds);
    line("settling", "Deliveries still settling.", "gauge", health.settling as u64);
    line("oldest_settling_seconds", "Age of the oldest of those.", "gauge", health.oldest_settling_s);
    line("open", "Claimed deliveries without an outcome.", "gauge", health.tally.open);
    line("oldest_open_seconds", "Age of the oldest of those.", "gauge", health.oldest_open_s);
    line("measuring", "Deliveries being measured.", "gauge", health.measuring as u64);
    line("absent_shares", "Drop folders that are not there.", "gauge", health.absent_shares as u64);
    let faults = health.profiles.iter().filter(|profile| profile.fault.is_some()).count();
    line("profile_faults", "Profiles whose file is wrong; the last good text is in force.", "gauge", faults as u64);
    line("free_bytes", "Bytes free for the spool.", "gauge", health.free_bytes);
    line("reported_total", "Deliveries reported.", "counter", health.tally.reported);
    line("refused_total", "Deliveries refused.", "counter", health.tally.refused);
    line("quarantined_total", "Deliveries in quarantine.", "counter", health.tally.quarantined);
    line("oldest_unsent_seconds", "Age of the oldest object on its way.", "gauge", health.oldest_unsent_s);
    if !health.destinations.is_empty() {
        text.push_str(
            "# HELP siderolog_shipments Objects by destination and state.\n# TYPE siderolog_shipments gauge\n",
        );
    }
    for DestinationTally { name, waiting, withheld, refused, delivered, .. } in &health.destinations {
        let by_state = [("waiting", waiting), ("withheld", withheld), ("refused", refused), ("delivered", delivered)];
        for (state, count) in by_state {
            // The site's names are small letters, digits and hyphens.
            let _ = writeln!(text, "siderolog_shipments{{destination=\"{name}\",state=\"{state}\"}} {count}");
        }
    }
    text
}
