//! Reading the room's YAML files: strict keys, and every error with file, line, column and the line itself.

use serde::de::DeserializeOwned;
use serde_yaml::{Location, Spanned};
use std::fmt;

/// One thing wrong in a configuration file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigError {
    /// Name of the file as the caller gave it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column, from 1.
    pub column: usize,
    /// What is wrong and what would be right.
    pub message: String,
    /// The line itself, without its end.
    pub text: String,
}

impl fmt::Display for ConfigError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { file, line, column, message, text } = self;
        write!(f, "{file}:{line}:{column}: {message}")?;
        if !text.is_empty() {
            let gutter = line.to_string();
            let blank = " ".repeat(gutter.len());
            let lead: String =
                text.chars().take(column.saturating_sub(1)).map(|c| if c == '\t' { '\t' } else { ' ' }).collect();
            write!(f, "\n {gutter} | {text}\n {blank} | {lead}^")?;
        }
        Ok(())
    }
}

/// Everything wrong in a configuration file; never empty. `Display` prints them one after another, each
/// beginning `FILE:LINE:COL:`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigErrors(pub Vec<ConfigError>);

impl fmt::Display for ConfigErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, error) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{error}")?;
        }
        Ok(())
    }
}

impl std::error::Error for ConfigErrors {}

/// A file being read: collects what is wrong with it.
pub(super) struct Checker<'a> {
    file: &'a str,
    text: &'a str,
    errors: Vec<ConfigError>,
}

impl<'a> Checker<'a> {
    /// Deserialises the whole file. Unknown and duplicate keys, wrong types and alias bombs are refused by the
    /// parser, each with its place.
    pub(super) fn parse<T: DeserializeOwned>(file: &'a str, text: &'a str) -> Result<(T, Self), ConfigErrors> {
        let mut checker = Self { file, text, errors: Vec::new() };
        let options = serde_yaml::options! { strict_booleans: true, with_snippet: false };
        match serde_yaml::from_str_with_options::<T>(text, options) {
            Ok(value) => Ok((value, checker)),
            Err(error) => {
                let place = error.location();
                let message = strip_place(&error.render());
                checker.push(place, message);
                Err(ConfigErrors(checker.errors))
            }
        }
    }

    /// Notes an error at the place of this value.
    pub(super) fn at<T>(&mut self, value: &Spanned<T>, message: impl Into<String>) {
        self.push(Some(value.referenced), message.into());
    }

    /// Notes an error unless `holds`.
    pub(super) fn require<T>(&mut self, value: &Spanned<T>, holds: bool, message: impl Into<String>) {
        if !holds {
            self.at(value, message);
        }
    }

    /// The value if nothing was wrong, else every error in the order of the file.
    pub(super) fn finish<T>(mut self, value: T) -> Result<T, ConfigErrors> {
        if self.errors.is_empty() {
            return Ok(value);
        }
        self.errors.sort_by_key(|e| (e.line, e.column));
        Err(ConfigErrors(self.errors))
    }

    fn push(&mut self, place: Option<Location>, message: String) {
        let (line, column) = place.map_or((1, 1), |p| (p.line().max(1) as usize, p.column().max(1) as usize));
        let text = self.text.lines().nth(line - 1).unwrap_or_default().chars().take(200).collect();
        self.errors.push(ConfigError { file: self.file.to_owned(), line, column, message, text });
    }
}

/// The parser puts "error: line 7 column 3: " before its sentence and "at line 7, column 3" behind some; the
/// place is printed once, by us.
fn strip_place(rendered: &str) -> String {
    let first = rendered.lines().next().unwrap_or_default();
    let first = first.strip_prefix("error: ").unwrap_or(first);
    let sentence = match first.strip_prefix("line ") {
        Some(rest) => rest.split_once(": ").map_or(first, |(_, sentence)| sentence),
        None => first,
    };
    let cut = sentence.find(" at line ").filter(|_| sentence.contains(" column "));
    cut.map_or(sentence, |end| &sentence[..end]).to_owned()
}
