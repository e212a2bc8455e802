//! The site's profiles while their files change: each is read again every few moments, and the last good text of
//! one stays in force while the new one is wrong, also over a restart.

use super::events::Event;
use super::health::ProfileHealth;
use super::settings::{Document, Documents, SettingsError, Site};
use super::shared::hold;
use crate::intake::durable;
use crate::protocol::{self, Change, ProfileErrors, Shelf};
use crate::reading::{self, Calibrations};
use crate::study::text::safe;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// The texts in force, in the state folder.
const FILE_NAME: &str = "profiles.json";

/// The text of a profile that lies beside this file or in `bases/` beside it, as `NAME.yaml`.
pub fn beside(path: &Path, name: &str) -> Option<String> {
    // A name with a separator in it is no profile's name.
    let plain = !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '.' | '-'));
    let folder = plain.then(|| path.parent().unwrap_or(Path::new("")))?;
    ["", "bases"].iter().find_map(|below| fs::read_to_string(folder.join(below).join(format!("{name}.yaml"))).ok())
}

/// Reads a profile with those beside it that it builds on.
pub(super) fn read(path: &Path, name: &str) -> io::Result<Document> {
    Ok(Seen::now(path, name)?.document(name))
}

/// What a profile's file and those beside it that it asks for held when they were last read.
#[derive(Debug, PartialEq, Eq)]
struct Seen {
    text: String,
    beside: BTreeMap<String, Option<String>>,
}

impl Seen {
    fn now(path: &Path, name: &str) -> io::Result<Self> {
        let text = fs::read_to_string(path)?;
        let asked: RefCell<BTreeMap<String, Option<String>>> = RefCell::default();
        let base = |wanted: &str| {
            let text = beside(path, wanted);
            asked.borrow_mut().insert(wanted.to_owned(), text.clone());
            text
        };
        // Only what it asks for is of interest; whether it is right is judged with everything else at hand.
        let _ = protocol::parse(name, &text, &base);
        Ok(Self { text, beside: asked.into_inner() })
    }

    /// Whether the files still hold the same; without parsing anything.
    fn holds(&self, path: &Path) -> bool {
        fs::read_to_string(path).is_ok_and(|text| text == self.text)
            && self.beside.iter().all(|(name, text)| beside(path, name) == *text)
    }

    fn document(&self, name: &str) -> Document {
        let bases = self.beside.iter().filter_map(|(name, text)| Some(Document::of(name.as_str(), text.clone()?)));
        Document { name: name.to_owned(), text: self.text.clone(), bases: bases.collect() }
    }
}

/// One file that the site names.
#[derive(Debug)]
struct Slot {
    name: String,
    path: PathBuf,
    seen: Option<Seen>,
    /// In force.
    good: Option<Document>,
    /// Why it cannot be read now.
    unreadable: Option<String>,
}

#[derive(Debug)]
struct State {
    shelf: Shelf,
    slots: Vec<Slot>,
}

/// The profiles of a site.
#[derive(Debug)]
pub(super) struct Profiles {
    calibrations: Vec<String>,
    saved: PathBuf,
    state: Mutex<State>,
}

impl Profiles {
    /// Takes up the texts that were in force before, then those in the files now.
    ///
    /// # Errors
    /// A profile that is wrong now and was never right.
    pub fn open(site: &Site) -> Result<Self, SettingsError> {
        let saved = site.folders.state.join(FILE_NAME);
        let before: Vec<Document> =
            fs::read(&saved).ok().and_then(|text| serde_json::from_slice(&text).ok()).unwrap_or_default();
        let slot = |(path, document): (&PathBuf, &Document)| Slot {
            name: document.name.clone(),
            path: path.clone(),
            seen: None,
            good: None,
            unreadable: None,
        };
        let slots = site.profile_files.iter().zip(&site.documents.profiles).map(slot).collect();
        let state = Mutex::new(State { shelf: Shelf::default(), slots });
        let profiles = Self { calibrations: calibrations(&site.documents)?, saved, state };
        for document in &before {
            profiles.offer(document, &before);
        }
        profiles.look();
        let state = hold(&profiles.state);
        let never: Vec<String> =
            state.shelf.broken().filter(|b| !b.2).map(|(_, errors, _)| errors.to_string()).collect();
        drop(state);
        if never.is_empty() { Ok(profiles) } else { Err(SettingsError(never)) }
    }

    /// Offers a text to the shelf. `None` where it is of no file of the site.
    fn offer(&self, document: &Document, others: &[Document]) -> Option<(usize, Change)> {
        let mut guard = hold(&self.state);
        let State { shelf, slots } = &mut *guard;
        let index = slots.iter().position(|slot| slot.name == document.name)?;
        let others: Vec<(&str, &str)> = others.iter().map(|o| (o.name.as_str(), o.text.as_str())).collect();
        let found: RefCell<BTreeMap<String, String>> = RefCell::default();
        let base = |wanted: &str| {
            let text = document.base(wanted).or_else(|| protocol::among(&others, wanted))?;
            found.borrow_mut().insert(wanted.to_owned(), text.clone());
            Some(text)
        };
        let change = shelf.offer(&document.name, &document.text, &base, Some(&self.calibrations));
        if matches!(change, Change::Taken) {
            // With what it builds on as it was, so that a later mistake there cannot reach it.
            let bases = found.into_inner().into_iter().map(|(name, text)| Document::of(name, text)).collect();
            slots[index].good = Some(Document { bases, ..document.clone() });
        }
        Some((index, change))
    }

    /// Reads every file and takes over what is right.
    pub fn look(&self) {
        let mut now = Vec::new();
        let mut same = true;
        for slot in &mut hold(&self.state).slots {
            if !slot.seen.as_ref().is_some_and(|seen| seen.holds(&slot.path)) {
                same = false;
                let seen = Seen::now(&slot.path, &slot.name);
                // A file that is being replaced is not there for a moment; what was read before stays.
                slot.unreadable = seen.as_ref().err().map(ToString::to_string);
                slot.seen = seen.ok();
            }
            now.extend(slot.seen.as_ref().map(|seen| seen.document(&slot.name)));
        }
        if same {
            return;
        }
        let mut taken = false;
        for document in &now {
            match self.offer(document, &now) {
                Some((index, Change::Taken)) => {
                    taken = true;
                    Event::ProfileCheck { profile: index, faults: 0, line: 0, kept: true }.log();
                }
                Some((index, Change::Kept(errors))) => told(index, &errors, true),
                Some((index, Change::Refused(errors))) => told(index, &errors, false),
                Some((_, Change::Same)) | None => {}
            }
        }
        if taken {
            let good = self.in_force();
            let saved = serde_json::to_vec_pretty(&good).map_err(io::Error::from);
            // Without it a restart would only ask for a good text again.
            let _ = saved.and_then(|text| durable::write(&self.saved, &text));
        }
    }

    /// The texts in force, in the site's order.
    pub fn in_force(&self) -> Vec<Document> {
        hold(&self.state).slots.iter().filter_map(|slot| slot.good.clone()).collect()
    }

    /// What health says of each.
    pub fn health(&self) -> Vec<ProfileHealth> {
        let state = hold(&self.state);
        let broken: BTreeMap<&str, &ProfileErrors> =
            state.shelf.broken().map(|(file, errors, _)| (file, errors)).collect();
        let one = |slot: &Slot| {
            let first = broken.get(slot.name.as_str()).and_then(|errors| errors.all().first());
            let wrong = first.map(|error| format!("line {}: {}", error.line, error.message));
            let unreadable = slot.unreadable.as_ref().map(|why| format!("cannot be read: {why}"));
            let good = state.shelf.profile(&slot.name);
            ProfileHealth {
                file: safe(&slot.name, 200),
                name: good.map(|profile| profile.name().to_owned()),
                revision: good.map(protocol::Profile::revision),
                digest: good.map(|profile| profile.digest().to_string()),
                fault: unreadable.or(wrong),
            }
        };
        state.slots.iter().map(one).collect()
    }
}

fn told(profile: usize, errors: &ProfileErrors, kept: bool) {
    let line = errors.all().first().map_or(0, |error| error.line);
    Event::ProfileCheck { profile, faults: errors.all().len(), line, kept }.log();
}

fn calibrations(documents: &Documents) -> Result<Vec<String>, SettingsError> {
    let calibrations = match &documents.calibrations {
        Some(file) => {
            reading::calibrations(&file.name, &file.text).map_err(|errors| SettingsError(vec![errors.to_string()]))?
        }
        None => Calibrations::shipped(),
    };
    Ok(calibrations.names().into_iter().map(str::to_owned).collect())
}
