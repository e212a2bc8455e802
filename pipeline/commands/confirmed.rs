//! The shipped calibrations as the demonstration's invented physicist confirmed them. The shipped file itself
//! carries no confirmation: that is for a named person at the site.

/// The two calibrations the demonstration uses.
const CONFIRMED: [&str; 2] = ["hernando-2023-1.5t", "hernando-2023-3t"];

/// `config/calibrations.yaml` with the two calibrations confirmed by an invented person.
pub fn calibrations() -> String {
    let mut confirmed = false;
    let mut out = String::from("# For the demonstration only: confirmed by an invented person.\n");
    for line in include_str!("../../config/calibrations.yaml").lines() {
        if let Some(name) = line.trim_start().strip_prefix("- name: ") {
            confirmed = CONFIRMED.contains(&name);
        }
        let line = match line.trim() {
            "confirmed_by: null" if confirmed => "    confirmed_by: Dr. Iva Lindqvist (invented)",
            "confirmed_on: null" if confirmed => "    confirmed_on: \"2026-01-12\"",
            _ => line,
        };
        out.push_str(line);
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading;

    #[test]
    fn two_calibrations_are_confirmed_and_nothing_else_changes() {
        let demo = reading::calibrations("demo.yaml", &calibrations()).expect("reads");
        let shipped = reading::Calibrations::shipped();
        for calibration in shipped.iter() {
            assert!(!calibration.is_confirmed(), "{}: shipped files confirm nothing", calibration.name);
            let twin = demo.get(&calibration.name).expect("no calibration is lost");
            assert_eq!(twin.is_confirmed(), CONFIRMED.contains(&calibration.name.as_str()));
            assert_eq!(twin.equation, calibration.equation);
        }
    }
}
