//! What is wrong with a profile, said so that a person who reads only the message can mend the file.

use super::at::Place;
use crate::study::text::safe;
use serde_yaml::Error as Yaml;
use std::fmt;
use std::sync::Arc;

/// A file's name and text, shared by everything that was read from it.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct SourceText {
    /// Name as a person knows it.
    pub(super) file: String,
    /// The whole text.
    pub(super) text: String,
}

/// One mistake. Displays as `FILE:LINE:COL: message`, the line and a caret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProfileError {
    /// The file's name.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong, what was expected and what to do.
    pub message: String,
    /// The line itself.
    pub excerpt: String,
}

impl fmt::Display for ProfileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { file, line, column, message, excerpt } = self;
        write!(f, "{file}:{line}:{column}: {message}")?;
        if !excerpt.is_empty() {
            let margin = line.to_string();
            let pad = " ".repeat(margin.len());
            let shift = " ".repeat(column.saturating_sub(1));
            write!(f, "\n {margin} | {excerpt}\n {pad} | {shift}^")?;
        }
        Ok(())
    }
}

/// Every mistake found, in order of the file. Never empty.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct ProfileErrors(Vec<ProfileError>);

impl ProfileErrors {
    /// A single mistake.
    pub(super) fn one(source: &SourceText, place: Place, message: String) -> Self {
        Self(vec![located(source, place, message)])
    }

    /// The mistakes.
    pub fn all(&self) -> &[ProfileError] {
        &self.0
    }
}

impl fmt::Display for ProfileErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, error) in self.0.iter().enumerate() {
            if index > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{error}")?;
        }
        Ok(())
    }
}

/// Mistakes collected while a profile is read.
#[derive(Debug, Default)]
pub(super) struct Complaints(Vec<ProfileError>);

impl Complaints {
    /// Notes a mistake at a place in a file.
    pub(super) fn add(&mut self, source: &Arc<SourceText>, place: Place, message: impl Into<String>) {
        self.0.push(located(source, place, message.into()));
    }

    /// Adds the mistakes of another file.
    pub(super) fn extend(&mut self, other: ProfileErrors) {
        self.0.extend(other.0);
    }

    /// Whether there are none.
    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The mistakes in order, if any.
    pub(super) fn finish(mut self) -> Result<(), ProfileErrors> {
        if self.0.is_empty() {
            return Ok(());
        }
        self.0.sort_by(|a, b| (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column)));
        Err(ProfileErrors(self.0))
    }
}

fn located(source: &SourceText, place: Place, message: String) -> ProfileError {
    let line = place.line.max(1);
    let excerpt = source.text.lines().nth(line - 1).unwrap_or_default();
    // A tab is one column to the parser; shown as one space the caret stays under it.
    let excerpt = safe(&excerpt.replace('\t', " ").replace('\u{feff}', ""), 160);
    // `safe` trims spaces on both ends, which would move the caret.
    let indent = source.text.lines().nth(line - 1).map_or(0, |l| l.len() - l.trim_start_matches([' ', '\t']).len());
    let excerpt = if excerpt.is_empty() { excerpt } else { format!("{}{}", " ".repeat(indent), excerpt) };
    ProfileError { file: source.file.clone(), line, column: place.column.max(1), message, excerpt }
}

/// The parser's complaint in a physicist's words.
pub(super) fn from_yaml(source: &Arc<SourceText>, error: &Yaml) -> ProfileErrors {
    let error = error.without_snippet();
    let place =
        error.location().map_or(Place::default(), |l| Place { line: l.line() as usize, column: l.column() as usize });
    ProfileErrors::one(source, place, sentence(source, place, error))
}

const SECOND_DOCUMENT: &str = "a second document begins here; a file holds one profile, so remove the `---`";

fn sentence(source: &SourceText, place: Place, error: &Yaml) -> String {
    match error {
        Yaml::SerdeUnknownField { field, expected, .. } => unknown("key", field, expected),
        Yaml::SerdeUnknownVariant { variant, expected, .. } => unknown("word", variant, expected),
        Yaml::SerdeMissingField { field, .. } => {
            format!("`{field}` is missing here; add {}", missing(field))
        }
        Yaml::DuplicateMappingKey { key, .. } => {
            let key = key.as_deref().unwrap_or("this key");
            format!("`{key}` stands here a second time; a key may stand once, so remove or rename one of them")
        }
        Yaml::InvalidScalar { ty, .. } => {
            format!("`{}` is not {}", word_at(source, place), scalar_kind(ty))
        }
        Yaml::SerdeInvalidType { unexpected, expected, .. } | Yaml::SerdeInvalidValue { unexpected, expected, .. } => {
            format!("expected {expected}, found {unexpected}")
        }
        Yaml::InvalidBooleanStrict { .. } => {
            format!("`{}` is neither `true` nor `false`", word_at(source, place))
        }
        Yaml::NullIntoString { .. } => "a value is missing after the colon".to_owned(),
        Yaml::Unexpected { expected, .. } => shape(expected),
        Yaml::MergeKeyNotAllowed { .. } => {
            "`<<` is not used in profiles; build on another profile with `extends: its-name`".to_owned()
        }
        Yaml::MultipleDocuments { .. } => SECOND_DOCUMENT.to_owned(),
        // The parser does not export the kinds of breach, only their names.
        Yaml::Budget { breach, .. } if format!("{breach:?}").starts_with("Documents") => SECOND_DOCUMENT.to_owned(),
        Yaml::Eof { .. } => "the file is empty; a profile has at least `name`, `revision` and `rules`".to_owned(),
        Yaml::Budget { breach, .. } => format!(
            "the file is larger, deeper or repeats itself more than a profile may ({breach:?}); write it out plainly"
        ),
        Yaml::AliasReplayLimitExceeded { .. }
        | Yaml::AliasExpansionLimitExceeded { .. }
        | Yaml::AliasReplayStackDepthExceeded { .. } => {
            "the file repeats itself through aliases more than a profile may; write it out plainly".to_owned()
        }
        Yaml::AliasError { error, .. } => sentence(source, place, error.without_snippet()),
        Yaml::UnknownAnchor { .. } => "this alias (`*…`) names no anchor (`&…`) above it".to_owned(),
        other => {
            let text = other.to_string();
            let first = text.lines().next().unwrap_or_default();
            let bare = first.strip_prefix("error: ").unwrap_or(first);
            // The place is already at the front of the line.
            let bare =
                bare.split_once(": ").filter(|(head, _)| head.starts_with("line ")).map_or(bare, |(_, rest)| rest);
            let bare = bare.split(" at line ").next().unwrap_or(bare);
            format!("not valid YAML: {}{}", safe(bare, 200), hint(bare))
        }
    }
}

/// What to do about a complaint in the parser's own words.
fn hint(bare: &str) -> &'static str {
    match bare {
        b if b.contains("mapping values") => "; put a text that holds `: ` in quotes",
        b if b.contains("tabs disallowed") => "; indent with spaces",
        b if b.contains("unclosed quote") => "; a text that begins with a quotation mark ends with one",
        b if b.contains("illegal placement") || b.contains("expected ',' or") => {
            "; look in this line and the one above for a `[` or `{` without its `]` or `}`"
        }
        _ => "",
    }
}

/// What to write where a key is missing.
fn missing(field: &str) -> String {
    match field {
        "name" => "a name such as `name: breath-hold-2d-1.5t`".to_owned(),
        "revision" => "`revision: 1`, and count up with every change".to_owned(),
        "rules" => "`rules:` and below it a list of rules, each beginning with `- quantity:`".to_owned(),
        "quantity" => "what the rule looks at, such as `quantity: first echo`".to_owned(),
        "severity" => "`severity: note`, `warn`, `stop` or, on the echo times, `by range`".to_owned(),
        "reason" => "`reason:` with a sentence that says why the rule exists, and its source".to_owned(),
        "by" => "`by:` with the name of who approved it".to_owned(),
        "date" => "`date:` with the day of approval, such as `date: 2026-03-14`".to_owned(),
        "approved" => "`approved:` with the tested versions, such as `approved: [\"4.2.1\"]`".to_owned(),
        _ => format!("`{field}:` with its value"),
    }
}

fn shape(expected: &str) -> String {
    let wanted = match expected {
        "sequence start" | "sequence" => "a list is expected here; write it as `[first, second]` or with `- ` lines",
        "mapping start" | "mapping" => "keys with values are expected here, such as `name: value`",
        "string scalar" | "scalar" => "one value is expected here, not a list or keys",
        other => return format!("expected {other} here"),
    };
    wanted.to_owned()
}

fn scalar_kind(ty: &str) -> &'static str {
    match ty {
        "bool" | "boolean" => "`true` or `false`",
        t if t.starts_with('u') => "a whole number without sign or unit",
        t if t.starts_with('i') => "a whole number without unit",
        t if t.starts_with('f') => "a plain number without unit",
        _ => "a value of the kind expected here",
    }
}

/// The rest of the line at a place, for quoting.
fn word_at(source: &SourceText, place: Place) -> String {
    let line = source.text.lines().nth(place.line.saturating_sub(1)).unwrap_or_default();
    let rest: String = line.chars().skip(place.column.saturating_sub(1)).collect();
    let rest = rest.split(" #").next().unwrap_or_default().trim_end_matches([',', '}', ']', ' ']);
    safe(rest, 60)
}

/// "`x` is not a … ; did you mean `y`?", with the list of what is known.
pub(super) fn unknown<S: AsRef<str>>(kind: &str, found: &str, known: &[S]) -> String {
    let mut sorted: Vec<&str> = known.iter().map(AsRef::as_ref).collect();
    sorted.sort_unstable();
    let list = sorted.join(", ");
    let shown = safe(found, 60);
    match nearest(found, &sorted) {
        // A long list would bury the hint.
        Some(near) if sorted.len() > 12 => format!("`{shown}` is not a known {kind}; did you mean `{near}`?"),
        Some(near) => format!("`{shown}` is not a known {kind}; did you mean `{near}`? Known here: {list}"),
        None => format!("`{shown}` is not a known {kind}. Known here: {list}"),
    }
}

/// The nearest of the known words, if it is near enough to be what was meant.
pub(super) fn nearest<'a>(found: &str, known: &[&'a str]) -> Option<&'a str> {
    let found = fold(found);
    let limit = (found.chars().count() / 3).max(2);
    known
        .iter()
        .map(|&word| {
            let folded = fold(word);
            let part = !found.is_empty() && (folded.starts_with(&found) || found.starts_with(&folded));
            (if part { 1 } else { distance(&found, &folded) }, word)
        })
        .filter(|(d, _)| *d <= limit)
        .min_by_key(|(d, _)| *d)
        .map(|(_, word)| word)
}

/// Case, hyphens and underscores do not make another word.
fn fold(text: &str) -> String {
    text.to_lowercase().replace(['-', '_'], " ").trim().to_owned()
}

/// Edit distance with transposition of neighbours counted once.
fn distance(a: &str, b: &str) -> usize {
    let a: Vec<char> = a.chars().take(80).collect();
    let b: Vec<char> = b.chars().take(80).collect();
    let width = b.len() + 1;
    let mut table = vec![0usize; (a.len() + 1) * width];
    for i in 0..=a.len() {
        for j in 0..=b.len() {
            let at = i * width + j;
            if i == 0 || j == 0 {
                table[at] = i + j;
                continue;
            }
            let same = usize::from(a[i - 1] != b[j - 1]);
            let mut best = (table[at - width] + 1).min(table[at - 1] + 1).min(table[at - width - 1] + same);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(table[at - 2 * width - 2] + 1);
            }
            table[at] = best;
        }
    }
    table[a.len() * width + b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_offered_only_when_near() {
        let known = ["at most", "at least", "between", "reason"];
        assert_eq!(nearest("at_mots", &known), Some("at most"));
        assert_eq!(nearest("Reasn", &known), Some("reason"));
        assert_eq!(nearest("flip angle", &known), None);
        assert_eq!(distance("abcd", "abdc"), 1);
    }
}
