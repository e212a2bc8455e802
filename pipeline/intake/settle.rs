//! When a delivery is taken: complete and quiet, or quiet for so long that nothing more is expected.
//! Knows no clock and no disk; the caller tells it the time and what it saw.

use super::watch::{Sighting, Unit};
use crate::study::Digest;
use std::collections::BTreeMap;
use std::time::Duration;

/// Quiet times.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    /// For a complete delivery.
    pub complete: Duration,
    /// For an incomplete one.
    pub incomplete: Duration,
}

/// What a survey of a quiet delivery said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Survey {
    /// Every position has every echo.
    Complete,
    /// These are missing, in plain words; empty where nothing could be read yet.
    Missing(Vec<String>),
}

/// What to do next about one delivery.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// See whether it is complete, and answer through [`Settling::surveyed`].
    Survey(Unit),
    /// Take it.
    Take {
        /// Which.
        unit: Unit,
        /// Whether a survey found it complete.
        complete: bool,
    },
    /// It is gone before it was taken.
    Vanished(Unit),
}

struct Waiting {
    print: Digest,
    since: Duration,
    first: Duration,
    copying: bool,
    survey: Option<Survey>,
    asked: bool,
}

/// The deliveries of one drop folder that have not been taken.
pub struct Settling {
    patience: Patience,
    waiting: BTreeMap<Unit, Waiting>,
}

impl Settling {
    /// None yet.
    pub fn new(patience: Patience) -> Self {
        Self { patience, waiting: BTreeMap::new() }
    }

    /// Compares what lies there at time `now` with what lay there before. `taken` gives the print under
    /// which a unit was already taken: unchanged it is passed over, changed it settles anew.
    pub fn observe(&mut self, now: Duration, seen: &[Sighting], taken: &dyn Fn(&Unit) -> Option<Digest>) -> Vec<Step> {
        let mut steps = Vec::new();
        let here: std::collections::BTreeSet<&Unit> = seen.iter().map(|sighting| &sighting.unit).collect();
        self.waiting.retain(|unit, _| {
            let stays = here.contains(unit);
            if !stays {
                steps.push(Step::Vanished(unit.clone()));
            }
            stays
        });
        for sighting in seen {
            if taken(&sighting.unit).as_ref() == Some(&sighting.print) {
                self.waiting.remove(&sighting.unit);
                continue;
            }
            let fresh = |first| Waiting {
                print: sighting.print.clone(),
                since: now,
                first,
                copying: sighting.copying,
                survey: None,
                asked: false,
            };
            let entry = self.waiting.entry(sighting.unit.clone()).or_insert_with(|| fresh(now));
            if entry.print != sighting.print {
                *entry = fresh(entry.first);
            }
            let quiet = now.saturating_sub(entry.since);
            let complete = entry.survey == Some(Survey::Complete) && !entry.copying;
            if (complete && quiet >= self.patience.complete) || quiet >= self.patience.incomplete {
                steps.push(Step::Take { unit: sighting.unit.clone(), complete });
            } else if !entry.asked && quiet >= self.patience.complete / 2 {
                entry.asked = true;
                steps.push(Step::Survey(sighting.unit.clone()));
            }
        }
        steps
    }

    /// How long from `now` until something is due, so that nobody waits for the next regular look.
    pub fn next_due(&self, now: Duration) -> Option<Duration> {
        let due = |entry: &Waiting| {
            let complete = entry.survey == Some(Survey::Complete) && !entry.copying;
            let after = match (complete, entry.asked) {
                (true, _) => self.patience.complete,
                (false, false) => self.patience.complete / 2,
                (false, true) => self.patience.incomplete,
            };
            (entry.since + after).saturating_sub(now)
        };
        self.waiting.values().map(due).min()
    }

    /// The answer of a survey; it counts only for the files that were surveyed.
    pub fn surveyed(&mut self, unit: &Unit, print: &Digest, survey: Survey) {
        if let Some(entry) = self.waiting.get_mut(unit).filter(|entry| entry.print == *print) {
            entry.survey = Some(survey);
        }
    }

    /// Every delivery still waiting, with what is missing where a survey has told, and since when.
    pub fn waiting(&self) -> impl Iterator<Item = (&Unit, Option<&Survey>, Duration)> {
        self.waiting.iter().map(|(unit, entry)| (unit, entry.survey.as_ref(), entry.first))
    }

    /// Forgets a delivery that was taken; at its next change it settles anew.
    pub fn forget(&mut self, unit: &Unit) {
        self.waiting.remove(unit);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PATIENCE: Patience = Patience { complete: Duration::from_secs(5), incomplete: Duration::from_secs(60) };

    fn unit() -> Unit {
        Unit::Folder("x".into())
    }
    fn sighting(content: &str, copying: bool) -> Sighting {
        let print = Digest::of(content.as_bytes());
        Sighting { unit: unit(), files: vec!["x/1".into()], bytes: 1, print, copying }
    }
    fn secs(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    #[test]
    fn a_complete_delivery_is_taken_after_the_short_quiet_time() {
        let mut settling = Settling::new(PATIENCE);
        let seen = [sighting("a", false)];
        let at = |settling: &mut Settling, s| settling.observe(secs(s), &seen, &|_| None);
        assert_eq!(at(&mut settling, 0), []);
        assert_eq!(settling.next_due(secs(1)), Some(Duration::from_millis(1500)));
        assert_eq!(at(&mut settling, 3), [Step::Survey(unit())]);
        assert_eq!(settling.next_due(secs(3)), Some(secs(57)));
        assert_eq!(at(&mut settling, 4), []);
        settling.surveyed(&unit(), &Digest::of(b"a"), Survey::Complete);
        assert_eq!(at(&mut settling, 4), []);
        assert_eq!(settling.next_due(secs(4)), Some(secs(1)));
        assert_eq!(at(&mut settling, 5), [Step::Take { unit: unit(), complete: true }]);
    }

    #[test]
    fn an_incomplete_delivery_waits_longer_and_a_change_starts_the_wait_again() {
        let mut settling = Settling::new(PATIENCE);
        settling.observe(secs(0), &[sighting("a", false)], &|_| None);
        settling.observe(secs(3), &[sighting("a", false)], &|_| None);
        settling.surveyed(&unit(), &Digest::of(b"a"), Survey::Missing(vec!["slice 2".to_owned()]));
        assert_eq!(settling.observe(secs(59), &[sighting("a", false)], &|_| None), []);
        assert_eq!(settling.observe(secs(59), &[sighting("b", false)], &|_| None), []);
        // An answer about the earlier files says nothing about these.
        settling.surveyed(&unit(), &Digest::of(b"a"), Survey::Complete);
        assert_eq!(settling.observe(secs(118), &[sighting("b", false)], &|_| None), [Step::Survey(unit())]);
        let taken = settling.observe(secs(119), &[sighting("b", false)], &|_| None);
        assert_eq!(taken, [Step::Take { unit: unit(), complete: false }]);
    }

    #[test]
    fn a_copy_under_way_is_not_complete_whatever_a_survey_says() {
        let mut settling = Settling::new(PATIENCE);
        settling.observe(secs(0), &[sighting("a", true)], &|_| None);
        settling.observe(secs(5), &[sighting("a", true)], &|_| None);
        settling.surveyed(&unit(), &Digest::of(b"a"), Survey::Complete);
        assert_eq!(settling.observe(secs(30), &[sighting("a", true)], &|_| None), []);
    }

    #[test]
    fn a_taken_delivery_settles_anew_only_when_it_changes() {
        let mut settling = Settling::new(PATIENCE);
        let taken = |_: &Unit| Some(Digest::of(b"a"));
        settling.observe(secs(0), &[sighting("a", false)], &taken);
        assert_eq!(settling.observe(secs(500), &[sighting("a", false)], &taken), []);
        settling.observe(secs(501), &[sighting("late", false)], &taken);
        let steps = settling.observe(secs(562), &[sighting("late", false)], &taken);
        assert_eq!(steps, [Step::Take { unit: unit(), complete: false }]);
    }

    #[test]
    fn what_vanishes_is_told_once() {
        let mut settling = Settling::new(PATIENCE);
        settling.observe(secs(0), &[sighting("a", false)], &|_| None);
        assert_eq!(settling.observe(secs(1), &[], &|_| None), [Step::Vanished(unit())]);
        assert_eq!(settling.observe(secs(2), &[], &|_| None), []);
    }
}
