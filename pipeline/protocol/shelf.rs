//! The profiles in force while their files change: the last good one stays when the new one is wrong.

use super::errors::ProfileErrors;
use super::profile::{Profile, parse_for};
use crate::study::Digest;
use std::collections::BTreeMap;

/// What became of a file that was offered.
#[derive(Debug)]
pub enum Change {
    /// The same text as before.
    Same,
    /// It is in force now.
    Taken,
    /// It is wrong; the last good one of this file stays in force.
    Kept(ProfileErrors),
    /// It is wrong and there was none before.
    Refused(ProfileErrors),
}

#[derive(Debug)]
struct Slot {
    /// Of the text last offered.
    offered: Option<Digest>,
    good: Option<Profile>,
    errors: Option<ProfileErrors>,
}

/// The profiles in force, by file.
#[derive(Debug, Default)]
pub struct Shelf {
    slots: BTreeMap<String, Slot>,
}

impl Shelf {
    /// Offers the present text of a file, as often as one likes.
    pub fn offer(
        &mut self,
        file: &str,
        text: &str,
        base: &dyn Fn(&str) -> Option<String>,
        calibrations: Option<&[String]>,
    ) -> Change {
        let parsed = parse_for(file, text, base, calibrations);
        // A base may have changed although the file did not, so the resolved digest counts where there is one.
        let offered = Some(parsed.as_ref().map_or_else(|_| Digest::of(text.as_bytes()), |p| p.digest().clone()));
        let slot = self.slots.entry(file.to_owned());
        let slot = slot.or_insert_with(|| Slot { offered: None, good: None, errors: None });
        if slot.offered == offered {
            return Change::Same;
        }
        slot.offered = offered;
        match parsed {
            Ok(profile) => {
                slot.good = Some(profile);
                slot.errors = None;
                Change::Taken
            }
            Err(errors) => {
                slot.errors = Some(errors.clone());
                if slot.good.is_some() { Change::Kept(errors) } else { Change::Refused(errors) }
            }
        }
    }

    /// Takes down every file that is not among these.
    pub fn retain(&mut self, files: &[String]) {
        self.slots.retain(|file, _| files.contains(file));
    }

    /// The profiles in force, by file name.
    pub fn profiles(&self) -> impl Iterator<Item = &Profile> {
        self.slots.values().filter_map(|slot| slot.good.as_ref())
    }

    /// The profile of a file that is in force.
    pub fn profile(&self, file: &str) -> Option<&Profile> {
        self.slots.get(file)?.good.as_ref()
    }

    /// Files whose present text is wrong, and whether an older text of theirs is in force: what health says.
    pub fn broken(&self) -> impl Iterator<Item = (&str, &ProfileErrors, bool)> {
        self.slots
            .iter()
            .filter_map(|(file, slot)| slot.errors.as_ref().map(|errors| (file.as_str(), errors, slot.good.is_some())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_good_profile_stays_until_the_new_one_is_right() {
        let text = |limit: &str| {
            format!(
                "name: a\nrevision: 1\napplies to: {{field strength: 1.5 T}}\ncalibration: c\nrules:\n  - quantity: first echo\n    at most: {limit}\n    severity: warn\n    reason: r\n"
            )
        };
        let mut shelf = Shelf::default();
        let none = |_: &str| None;
        assert!(matches!(shelf.offer("a.yaml", &text("1 ms"), &none, None), Change::Taken));
        assert!(matches!(shelf.offer("a.yaml", &text("1 ms"), &none, None), Change::Same));
        let first = shelf.profiles().next().map(|p| p.digest().clone());
        assert!(matches!(shelf.offer("a.yaml", &text("1"), &none, None), Change::Kept(_)));
        assert_eq!(shelf.profiles().next().map(|p| p.digest().clone()), first);
        assert_eq!(
            shelf.broken().map(|(file, _, kept)| (file.to_owned(), kept)).collect::<Vec<_>>(),
            [("a.yaml".to_owned(), true)]
        );
        assert!(matches!(shelf.offer("b.yaml", "", &none, None), Change::Refused(_)));
        assert!(matches!(shelf.offer("a.yaml", &text("2 ms"), &none, None), Change::Taken));
        assert_ne!(shelf.profiles().next().map(|p| p.digest().clone()), first);
        shelf.retain(&["b.yaml".to_owned()]);
        assert_eq!(shelf.profiles().count(), 0);
    }
}
