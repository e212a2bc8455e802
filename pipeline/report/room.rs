//! What the scanner room is told while the patient may still be there: one of four answers, in three lines of plain
//! text without identity.

use super::result::{ResultDocument, RoomAnswer, ScannerRoomNote, SeriesLine};
use crate::study::text::safe;
use crate::study::{Finding, ScannerRoom, Severity, Verdict};

/// The answer that these findings add up to.
///
/// A repeat is asked for only where a finding that takes the number away (`stop`) names what the room can change, and
/// none says that a repeat is of no use; then every change worth making is listed. A finding that says a repeat would
/// give the same decides otherwise, whatever its weight. A `warn` leaves a number that can be used, so the patient
/// may leave.
pub fn answer(findings: &[Finding]) -> ScannerRoomNote {
    let heavy = |f: &&Finding| f.severity >= Severity::Warn;
    let useless = findings.iter().filter(heavy).find_map(|f| match &f.scanner_room {
        Some(ScannerRoom::NoUse(why)) => Some(why),
        _ => None,
    });
    let mut changes: Vec<&str> = Vec::new();
    for finding in findings.iter().filter(heavy) {
        if let Some(ScannerRoom::Repeat(what)) = &finding.scanner_room
            && !changes.contains(&what.as_str())
        {
            changes.push(what);
        }
    }
    let stops = findings.iter().filter(|f| f.severity == Severity::Stop);
    let changeable = stops.clone().any(|f| matches!(f.scanner_room, Some(ScannerRoom::Repeat(_))));
    let note = |answer, message: String| ScannerRoomNote { answer, message };
    if let Some(why) = useless {
        return note(RoomAnswer::DoNotRepeat, format!("Do not repeat, because {}.", end(why)));
    }
    match Verdict::of(findings) {
        Verdict::Refused if changeable => {
            note(RoomAnswer::RepeatNow, format!("Repeat now, changing {}.", changes.join("; ")))
        }
        Verdict::Refused => {
            let why = stops.map(|f| f.message.as_str()).next().unwrap_or("no number can be given");
            let text = "Do not repeat, because nothing the scanner room can change would help:";
            note(RoomAnswer::DoNotRepeat, format!("{text} {}.", end(why)))
        }
        Verdict::Review => note(
            RoomAnswer::MayLeave,
            "The patient may leave: there is a number, and a person will look at it before it is used.".to_owned(),
        ),
        Verdict::Clear => note(RoomAnswer::MayLeave, "The patient may leave: the images can be used.".to_owned()),
    }
}

/// The note dropped beside the export. `clock` is the local time of the answer, `HH:MM`.
pub fn scanner_room_note(result: &ResultDocument, clock: &str) -> String {
    lines(&result.scanner_room.message, &result.input.series, clock)
}

/// The note while files are missing; `missing` completes "still waiting for …".
pub fn waiting_note(series: &[SeriesLine], missing: &str, clock: &str) -> String {
    lines(&format!("Please wait: still waiting for {}.", end(missing)), series, clock)
}

/// The note for a delivery that gave nothing; `why` completes "because …".
pub fn unusable_note(why: &str, clock: &str) -> String {
    let message = format!(
        "Export again: nothing here can be measured, because {}. Drop the multi-echo liver series whole, as DICOM.",
        end(why)
    );
    lines(&message, &[], clock)
}

fn lines(message: &str, series: &[SeriesLine], clock: &str) -> String {
    let name = |s: &SeriesLine| {
        let number = s.number.map_or_else(|| "without number".to_owned(), |n| n.to_string());
        let description = s.description.as_deref().map_or(String::new(), |d| format!(", {}", safe(d, 40)));
        let time = s.time.as_deref().map_or(String::new(), |t| format!(", {}", safe(t, 8)));
        format!("{number}{description}{time}")
    };
    // An export of one series for each echo would fill the screen.
    let shown = match series {
        [] => "Series not named in the files".to_owned(),
        [first, .., last] if series.len() > 3 => format!("Series {} to {}", name(first), name(last)),
        some => format!("Series {}", some.iter().map(name).collect::<Vec<_>>().join("; ")),
    };
    let caution = "for review by a qualified person, not a certified medical device";
    format!("{}\n{shown}\nSiderolog, {}; {caution}.\n", message.replace(['\n', '\r'], " "), safe(clock, 8))
}

/// A sentence's end without its full stop, so that ours stands alone.
fn end(text: &str) -> &str {
    text.trim().trim_end_matches('.')
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::Stage;

    fn at(severity: Severity) -> Finding {
        Finding::new(Stage::Protocol, severity, "x", "The number cannot be given.")
    }

    #[test]
    fn repeats_are_asked_for_only_where_they_help() {
        let cases = [
            (vec![], RoomAnswer::MayLeave),
            (vec![at(Severity::Note).room_can_change("breathing")], RoomAnswer::MayLeave),
            (vec![at(Severity::Warn)], RoomAnswer::MayLeave),
            (vec![at(Severity::Warn).room_can_change("the repetition time")], RoomAnswer::MayLeave),
            (vec![at(Severity::Warn).room_cannot_help("it is above the range")], RoomAnswer::DoNotRepeat),
            (vec![at(Severity::Stop)], RoomAnswer::DoNotRepeat),
            (vec![at(Severity::Stop).room_can_change("the first echo time")], RoomAnswer::RepeatNow),
            (
                vec![
                    at(Severity::Stop).room_can_change("x"),
                    at(Severity::Stop).room_cannot_help("metal is in the liver"),
                ],
                RoomAnswer::DoNotRepeat,
            ),
        ];
        for (findings, wanted) in cases {
            assert_eq!(answer(&findings).answer, wanted, "{findings:?}");
        }
        let both =
            [at(Severity::Stop).room_can_change("the first echo time"), at(Severity::Warn).room_can_change("the coil")];
        assert_eq!(answer(&both).message, "Repeat now, changing the first echo time; the coil.");
    }
}
