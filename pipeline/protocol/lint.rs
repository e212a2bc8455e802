//! Rules that can never fire, never be satisfied together, or share a name.

use super::condition::{Condition, listed};
use super::errors::Complaints;
use super::profile::Profile;
use super::quantity::Seen;
use super::rule::{Gravity, Rule};
use super::subject::Subject;
use super::written::Dimensions;
use crate::study::Severity;

/// Two rules of one file with the same name.
pub(super) fn names(rules: &[Rule], complaints: &mut Complaints) {
    for (index, rule) in rules.iter().enumerate() {
        if let Some(first) = rules[..index].iter().find(|other| other.name == rule.name) {
            let message = format!(
                "the rule in line {} is called `{}` too; give each of the two a `name` of its own, or remove one",
                first.place.line, rule.name
            );
            let place = rule.written.name.as_ref().map_or(rule.written.quantity.place, |n| n.place);
            complaints.add(&rule.source, place, message);
        }
    }
}

/// Everything that shows only when the rules stand beside one another and beside `applies to`.
pub(super) fn rules(profile: &Profile, complaints: &mut Complaints) {
    for rule in &profile.rules {
        if let Some(message) = against_scope(profile, rule) {
            complaints.add(&rule.source, rule.written.quantity.place, message);
        }
    }
    for (index, rule) in profile.rules.iter().enumerate() {
        for other in profile.rules.iter().enumerate().filter(|(at, o)| *at != index && o.subject == rule.subject) {
            let (at, other) = other;
            // Each pair is looked at once for contradiction, and in both directions for what never decides.
            if at < index
                && let Some(message) = contradiction(rule, other)
            {
                complaints.add(&rule.source, rule.written.quantity.place, message);
            } else if silent(rule, other) && !(silent(other, rule) && at > index) {
                let message = format!(
                    "wherever this rule fires, the rule `{}` in line {} fires too and weighs as much or more, so this one never decides; remove it or change its limit",
                    other.name, other.place.line
                );
                complaints.add(&rule.source, rule.written.quantity.place, message);
            }
        }
    }
}

fn against_scope(profile: &Profile, rule: &Rule) -> Option<String> {
    let Subject::Listed(quantity) = &rule.subject else {
        return None;
    };
    let seen = match quantity.name {
        "field strength" => Seen::Number(profile.field_strength()?),
        "acquisition type" => {
            let at = profile.written.applies_to.as_ref()?.acquisition_type.as_ref()?;
            let word = if at.value == Dimensions::Two { "2D" } else { "3D" };
            Seen::Texts(vec![word.to_owned()])
        }
        _ => return None,
    };
    let shown = super::condition::found(&seen, rule.subject.unit());
    match rule.condition.holds(&seen)? {
        true => Some(format!(
            "the profile applies only to {} {shown}, which satisfies this rule, so it can never fire; remove it",
            quantity.name
        )),
        false => Some(format!(
            "the profile applies only to {} {shown}, so this rule, which asks for {}, would fire every time",
            quantity.name,
            rule.condition.asked()
        )),
    }
}

fn contradiction(a: &Rule, b: &Rule) -> Option<String> {
    let apart = match (&a.condition, &b.condition) {
        (Condition::Number { low, high, .. }, Condition::Number { low: l, high: h, .. }) => high < l || h < low,
        (Condition::Present, Condition::Absent) | (Condition::Absent, Condition::Present) => true,
        (Condition::OneOf(mine), Condition::OneOf(theirs)) => !mine.iter().any(|word| listed(theirs, word)),
        (Condition::OneOf(wanted), Condition::NoneOf(refused))
        | (Condition::NoneOf(refused), Condition::OneOf(wanted)) => wanted.iter().all(|word| listed(refused, word)),
        _ => false,
    };
    apart.then(|| {
        format!(
            "no acquisition satisfies both this rule ({}) and the rule `{}` in line {} ({})",
            a.condition.expected(),
            b.name,
            b.place.line,
            b.condition.expected()
        )
    })
}

/// Whether `other` fires wherever `rule` does, and weighs as much or more.
fn silent(rule: &Rule, other: &Rule) -> bool {
    let (Some((low, high)), Some((l, h))) = (rule.condition.interval(), other.condition.interval()) else {
        return false;
    };
    let covers = l >= low && h <= high;
    covers && least(other.gravity) >= most(rule.gravity)
}

fn least(gravity: Gravity) -> Severity {
    match gravity {
        Gravity::Fixed(severity) => severity,
        Gravity::ByRange => Severity::Warn,
    }
}

fn most(gravity: Gravity) -> Severity {
    match gravity {
        Gravity::Fixed(severity) => severity,
        Gravity::ByRange => Severity::Stop,
    }
}
