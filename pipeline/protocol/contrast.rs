//! Contrast agents by what they do to R2*.

use super::quantity::Seen;

/// Names of iron-oxide agents as they are typed at scanners: substances and the words of the class.
/// Each shortens T2* in the liver for days to months, so R2* no longer measures the patient's own iron.
const IRON_OXIDE: [&str; 14] = [
    "ferumoxytol",
    "ferumoxides",
    "ferumoxide",
    "ferumoxtran",
    "ferucarbotran",
    "ferucarbutran",
    "ferumoxsil",
    "ferristene",
    "feruglose",
    "iron oxide",
    "iron-oxide",
    "spio",
    "ferrotran",
    "ferric",
];

/// Words that mean that none was given.
const NONE: [&str; 9] = ["none", "no", "no contrast", "without", "native", "n/a", "na", "nil", "0"];

/// `none`, `iron oxide` or `other`, from Contrast/Bolus Agent as written.
pub(super) fn class(agent: Option<&str>) -> Seen {
    let word = match agent.map(|a| a.trim().to_lowercase()) {
        None => "none",
        Some(a) if a.is_empty() || NONE.contains(&a.as_str()) => "none",
        Some(a) if IRON_OXIDE.iter().any(|name| a.contains(name)) => "iron oxide",
        Some(_) => "other",
    };
    Seen::Texts(vec![word.to_owned()])
}
