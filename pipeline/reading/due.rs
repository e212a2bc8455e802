//! When the next scan is due by the site's rules.

use super::course::CoursePoint;
use super::events::{Event, EventKind};
use super::follow_up::{FollowUp, When};
use super::past::Relation;
use jiff::ToSpan;
use jiff::civil::Date;
use serde::Serialize;

/// One rule that applies, with its date.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Due {
    /// Not later than this, `YYYY-MM-DD`.
    pub by: String,
    /// Name of the site's rule.
    pub rule: String,
    /// As a person reads it, with its standing and that the clinician decides.
    pub text: String,
    /// Citation, or `none`.
    pub source: String,
}

/// Every rule that applies, earliest first. None without a LIC today: what is due then is this scan.
pub(super) fn due(current: Option<&CoursePoint>, now: Date, events: &[Event], rules: &FollowUp) -> Vec<Due> {
    let Some(current) = current else { return Vec::new() };
    let mut due: Vec<(Date, Due)> = Vec::new();
    for rule in &rules.due {
        let months = i32::try_from(rule.months).unwrap_or(i32::MAX).min(1200);
        let after = |date: Date| date.checked_add(months.months()).ok();
        let by = match &rule.when {
            When::Always => after(now),
            // A bound from below counts: heavily loaded is certain then. A bound from above does not.
            When::LicAtLeastMgPerG(limit) => {
                let loaded = current.lic_mg_per_g >= *limit && current.relation != Relation::AtMost;
                loaded.then(|| after(now)).flatten()
            }
            When::AfterEvent { kinds, within_months } => {
                let within = i32::try_from(*within_months).unwrap_or(i32::MAX).min(1200);
                let recent = now.checked_sub(within.months()).is_ok_and(|from| {
                    events.iter().any(|e| kinds.contains(&e.kind) && day(e).is_some_and(|d| d >= from && d <= now))
                });
                recent.then(|| after(now)).flatten()
            }
            When::BeforeTransplant => events
                .iter()
                .filter(|e| e.kind == EventKind::TransplantPlanned)
                .filter_map(|e| day(e)?.checked_sub(months.months()).ok())
                // Within the lead time today's scan is the one that was due.
                .find(|date| *date > now),
        };
        due.extend(by.map(|date| {
            let standing = rule.confidence.words();
            let text = format!("{} (the site's rule; {standing}); the clinician decides", rule.text);
            (date, Due { by: date.to_string(), rule: rule.name.clone(), text, source: rule.source.clone() })
        }));
    }
    due.sort_by_key(|(date, _)| *date);
    due.into_iter().map(|(_, d)| d).collect()
}

fn day(event: &Event) -> Option<Date> {
    event.date.parse().ok()
}
