//! Sending: what may leave, and that everything arrives once, whatever a receiver does meanwhile.

mod archive;
mod gates;
mod outbox;
mod receivers;
#[cfg(feature = "tls")]
mod secret;

use crate::report::made::{Made, lic, stop, warning};
use siderolog::daemon::ledger::{FILE_NAME, Ledger};
use siderolog::daemon::outbox::{Shipment, State};
use siderolog::daemon::postman::{self, Round};
use siderolog::daemon::settings::Site;
use siderolog::report::{Outputs, compose_view};
use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

/// What is wrong with a made-up result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Clear,
    Review,
    Refused,
}

/// A site in a temporary folder.
pub struct Bench {
    pub root: tempfile::TempDir,
    pub site: Site,
}

impl Bench {
    /// `destinations` is the list as the site file holds it.
    pub fn new(destinations: &str) -> Self {
        let root = tempfile::tempdir().unwrap();
        let path = root.path().join("site.yaml");
        let waits = "sending: {first_wait_s: 0.001, longest_wait_s: 0.002}\n";
        fs::write(&path, format!("{waits}destinations:\n{destinations}")).unwrap();
        let site = Site::load(&path).unwrap_or_else(|error| panic!("{error}"));
        for folder in [&site.folders.outbox, &site.folders.state] {
            fs::create_dir_all(folder).unwrap();
        }
        Self { root, site }
    }

    /// Composes a result into the outbox; `rate` tells results apart.
    pub fn result(&self, name: &str, kind: Kind, rate: f64) -> PathBuf {
        self.result_with(name, kind, rate, |_| {})
    }

    pub fn result_with(
        &self,
        name: &str,
        kind: Kind,
        rate: f64,
        change: impl Fn(&mut siderolog::report::ResultDocument),
    ) -> PathBuf {
        let made = Made::new(2, 48, 64, 4, rate);
        let (findings, value) = match kind {
            Kind::Clear => (vec![], Some(lic(5.4))),
            Kind::Review => (vec![warning()], Some(lic(5.4))),
            Kind::Refused => (vec![stop()], None),
        };
        let mut view = made.view(findings, value);
        change(&mut view.result);
        let report = compose_view(view, &Outputs::default());
        let folder = self.site.folders.outbox.join(name);
        fs::create_dir_all(&folder).unwrap();
        for (file, bytes) in &report.files {
            fs::write(folder.join(file), bytes).unwrap();
        }
        folder
    }

    pub fn ledger(&self) -> Ledger {
        Ledger::open(&self.site.folders.state.join(FILE_NAME)).unwrap()
    }

    pub fn post(&self, folder: &std::path::Path) {
        postman::post(&mut self.ledger(), &self.site, folder).unwrap();
    }

    /// One round for the only destination.
    pub fn round(&self) -> Round {
        // Longer than the longest wait of this site.
        std::thread::sleep(std::time::Duration::from_millis(4));
        let destination = &self.site.destinations[0];
        postman::round(&mut self.ledger(), destination, self.site.sending, &self.site.folders.outbox, None).unwrap()
    }

    pub fn rows(&self) -> Vec<Shipment> {
        self.ledger().shipments(None).unwrap()
    }

    /// State of each file, by destination and purpose.
    pub fn states(&self) -> BTreeMap<(String, String), State> {
        self.rows().into_iter().map(|row| ((row.destination, row.purpose), row.state)).collect()
    }
}
