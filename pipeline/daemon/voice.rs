//! The child's side of the conversation: what it says while it works.

use super::job::{HISTORY_READY, PatientKey, Said, Segmented};
use crate::intake::Announce;
use std::io::{self, BufRead, Write as _};
use std::path::Path;

/// Says one thing, at once. A parent that no longer listens has ended, and so shall we.
pub fn say(said: &Said) {
    let Ok(mut line) = serde_json::to_string(said) else { return };
    line.push('\n');
    let mut out = io::stdout().lock();
    if out.write_all(line.as_bytes()).and_then(|()| out.flush()).is_err() {
        std::process::exit(1);
    }
}

/// Tells the parent who was found and waits until the earlier readings are there.
pub fn ask_history(patients: Vec<PatientKey>, from_parent: &mut dyn BufRead) -> io::Result<()> {
    say(&Said::Patients { patients });
    let mut line = String::new();
    from_parent.read_line(&mut line)?;
    if line.trim_end() == HISTORY_READY { Ok(()) } else { Err(io::Error::other("the parent sent no history")) }
}

/// Has the parent run the site's own segmenter on the folder that is ready for it, and waits until it has ended.
pub fn ask_segmenter(from_parent: &mut dyn BufRead) -> io::Result<Segmented> {
    say(&Said::Segment);
    let mut line = String::new();
    from_parent.read_line(&mut line)?;
    Ok(serde_json::from_str(&line)?)
}

/// From now on a panic says where it happened, never what it was about: its text may hold a name.
pub fn hush_panics() {
    std::panic::set_hook(Box::new(|info| {
        let place = info.location().map_or_else(|| "unknown".to_owned(), ToString::to_string);
        say(&Said::Panicked { place });
    }));
}

/// Announces each file before it is opened.
#[derive(Clone, Copy, Debug, Default)]
pub struct Announcer;

impl Announce for Announcer {
    fn opening(&self, path: &Path) {
        say(&Said::Opening { path: path.into() });
    }
    fn done(&self, path: &Path) {
        say(&Said::Done { path: path.into() });
    }
}
