//! A profile: read, resolved and ready to check acquisitions.

use super::applies::Applies;
use super::at::{At, Place};
use super::errors::{Complaints, ProfileErrors, SourceText, from_yaml, unknown};
use super::lint;
use super::model_choice::ModelChoice;
use super::region_limits::RegionLimits;
use super::rule::Rule;
use super::shipped;
use super::written;
use crate::study::text::safe;
use crate::study::{Digest, Header};
use std::sync::Arc;

/// Bytes of a profile at most; the longest shipped one has a tenth of it.
const LONGEST: usize = 256 * 1024;
/// Profiles built on one another at most.
const DEEPEST: usize = 8;

/// Who approved a profile and when.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Approved {
    /// Who.
    pub by: String,
    /// When, `YYYY-MM-DD`.
    pub date: String,
}

/// A protocol profile, resolved with the profiles it builds on.
#[derive(Clone, Debug)]
pub struct Profile {
    pub(super) written: written::File,
    pub(super) source: Arc<SourceText>,
    pub(super) applies: Applies,
    pub(super) rules: Vec<Rule>,
    pub(super) approved: Option<Approved>,
    pub(super) region: RegionLimits,
    /// Names of the profiles it builds on, nearest first.
    pub(super) bases: Vec<String>,
    pub(super) digest: Digest,
}

/// Reads a profile. `file` is its name for messages; `base` gives the text of a profile that it may extend,
/// by name (the profiles shipped in the program are found without it).
///
/// # Errors
/// Every mistake found, each with file, line and column.
pub fn parse(file: &str, text: &str, base: &dyn Fn(&str) -> Option<String>) -> Result<Profile, ProfileErrors> {
    parse_for(file, text, base, None)
}

/// As [`parse`], and refuses a calibration that is not among `calibrations`.
///
/// # Errors
/// Every mistake found, each with file, line and column.
pub fn parse_for(
    file: &str,
    text: &str,
    base: &dyn Fn(&str) -> Option<String>,
    calibrations: Option<&[String]>,
) -> Result<Profile, ProfileErrors> {
    let mut complaints = Complaints::default();
    let profile = resolve(file, text, base, &mut Vec::new(), &mut complaints)?;
    if complaints.is_empty() {
        profile.complete(calibrations, &mut complaints);
    }
    if complaints.is_empty() {
        lint::rules(&profile, &mut complaints);
    }
    complaints.finish()?;
    Ok(profile)
}

/// The text among these, file name and text each, of the profile that is called so.
pub fn among(files: &[(&str, &str)], wanted: &str) -> Option<String> {
    let called = |&&(file, text): &&(&str, &str)| {
        let source = Arc::new(SourceText { file: file.to_owned(), text: text.to_owned() });
        read(&source).is_ok_and(|written| written.name.value.0 == wanted)
    };
    files.iter().find(called).map(|(_, text)| (*text).to_owned())
}

/// Reads the profiles of one site, file name and text each. A profile may extend what lies beside it, which `beside`
/// gives by the profile's place among them and a name, or another of them by its name. Refuses unknown calibrations
/// as [`parse_for`] does.
///
/// # Errors
/// Every mistake found in any of them.
pub fn parse_together(
    files: &[(&str, &str)],
    beside: &dyn Fn(usize, &str) -> Option<String>,
    calibrations: Option<&[String]>,
) -> Result<Vec<Profile>, ProfileErrors> {
    let mut profiles = Vec::new();
    let mut complaints = Complaints::default();
    for (place, (file, text)) in files.iter().enumerate() {
        let base = |wanted: &str| beside(place, wanted).or_else(|| among(files, wanted));
        match parse_for(file, text, &base, calibrations) {
            Ok(profile) => profiles.push(profile),
            Err(errors) => complaints.extend(errors),
        }
    }
    complaints.finish()?;
    Ok(profiles)
}

/// The file alone, exactly as typed.
fn read(source: &Arc<SourceText>) -> Result<written::File, ProfileErrors> {
    let text = &source.text;
    if text.len() > LONGEST {
        let message = format!("the file has {} kB; a profile has at most {} kB", text.len() / 1024, LONGEST / 1024);
        return Err(ProfileErrors::one(source, Place { line: 1, column: 1 }, message));
    }
    let options = serde_yaml::options! {
        budget: serde_yaml::budget! {
            max_documents: 1,
            max_depth: 16,
            max_nodes: 20_000,
            max_aliases: 64,
            max_anchors: 64,
        },
        duplicate_keys: serde_yaml::options::DuplicateKeyPolicy::Error,
        merge_keys: serde_yaml::options::MergeKeyPolicy::Error,
        alias_limits: serde_yaml::alias_limits! {
            max_total_replayed_events: 2_000,
            max_replay_stack_depth: 8,
        },
        strict_booleans: true,
        with_snippet: false,
    };
    serde_yaml::from_str_with_options(text, options).map_err(|error| from_yaml(source, &error))
}

fn resolve(
    file: &str,
    text: &str,
    base: &dyn Fn(&str) -> Option<String>,
    chain: &mut Vec<String>,
    complaints: &mut Complaints,
) -> Result<Profile, ProfileErrors> {
    let source = Arc::new(SourceText { file: file.to_owned(), text: text.to_owned() });
    let written = read(&source)?;
    chain.push(written.name.value.0.clone());
    let parent = match &written.extends {
        None => None,
        Some(at) => {
            let name = at.value.0.trim();
            let text =
                base_text(name, base, chain).map_err(|message| ProfileErrors::one(&source, at.place, message))?;
            Some(resolve(&format!("{name}.yaml"), &text, base, chain, complaints)?)
        }
    };
    Ok(Profile::build(source, written, parent, complaints))
}

/// The text of the profile to build on. The error is a sentence.
fn base_text(name: &str, base: &dyn Fn(&str) -> Option<String>, chain: &[String]) -> Result<String, String> {
    if chain.iter().any(|seen| seen == name) {
        return Err(format!("the profile would build on itself: {} → {name}", chain.join(" → ")));
    }
    if chain.len() >= DEEPEST {
        return Err(format!("more than {DEEPEST} profiles build on one another"));
    }
    base(name).or_else(|| shipped::text(name).map(str::to_owned)).ok_or_else(|| {
        let known: Vec<&str> = shipped::PROFILES.iter().map(|(name, _)| *name).collect();
        let message = unknown("profile", name, &known);
        let stop = if message.ends_with('?') { "" } else { "." };
        format!(
            "{message}{stop} A base is a file `{}.yaml` beside this one or a profile shipped in the program",
            safe(name, 60)
        )
    })
}

impl Profile {
    fn build(
        source: Arc<SourceText>,
        mut written: written::File,
        parent: Option<Self>,
        complaints: &mut Complaints,
    ) -> Self {
        checks(&source, &written, complaints);
        let own: Vec<Rule> = written.rules.iter().filter_map(|at| Rule::read(&source, at, complaints)).collect();
        lint::names(&own, complaints);
        let mut rules = Vec::new();
        let mut bases = Vec::new();
        let mut parts = vec![source.text.as_bytes().to_vec()];
        if let Some(parent) = parent {
            for at in &written.without {
                if !parent.rules.iter().any(|rule| rule.name == at.value.0) {
                    let names: Vec<&str> = parent.rules.iter().map(|rule| rule.name.as_str()).collect();
                    complaints.add(&source, at.place, unknown("rule of the base profile", &at.value.0, &names));
                }
            }
            let dropped = |rule: &Rule| written.without.iter().any(|at| at.value.0 == rule.name);
            // A rule of the same name takes the base rule's place, so that the order stays the base's.
            for rule in parent.rules.iter().filter(|rule| !dropped(rule)) {
                rules.push(own.iter().find(|mine| mine.name == rule.name).unwrap_or(rule).clone());
            }
            written.inherit(&parent.written);
            bases.push(parent.written.name.value.0.clone());
            bases.extend(parent.bases);
            parts.push(parent.digest.as_str().as_bytes().to_vec());
        } else if let Some(at) = written.without.first() {
            complaints.add(&source, at.place, "`without` drops rules of a base profile, but nothing is extended here");
        }
        let added: Vec<Rule> = own.into_iter().filter(|mine| !rules.iter().any(|r| r.name == mine.name)).collect();
        rules.extend(added);
        let applies =
            Applies::read(&source, written.applies_to.as_ref().unwrap_or(&written::AppliesTo::default()), complaints);
        let approved = written
            .approved
            .as_ref()
            .map(|a| Approved { by: a.by.value.0.trim().to_owned(), date: a.date.value.0.trim().to_owned() });
        let region = written.region.as_ref().map(|at| at.value.clone()).unwrap_or_default();
        let digest = Digest::of_parts(parts.iter().map(Vec::as_slice));
        Self { written, source, applies, rules, approved, region, bases, digest }
    }

    /// What only a whole profile must have.
    fn complete(&self, calibrations: Option<&[String]>, complaints: &mut Complaints) {
        let at = self.written.name.place;
        match (&self.written.calibration, calibrations) {
            (None, _) => complaints.add(
                &self.source,
                at,
                "`calibration` is missing; name the calibration that turns R2* into iron, such as `calibration: hernando-2023-1.5t`",
            ),
            (Some(name), Some(known)) if !known.contains(&name.value.0) => {
                // An inherited name was written in another file; its place is there, not here.
                let place = if self.source.text.contains(&name.value.0) { name.place } else { at };
                complaints.add(&self.source, place, unknown("calibration", &name.value.0, known));
            }
            _ => {}
        }
        if self.applies.field_strength().is_none() {
            complaints.add(
                &self.source,
                at,
                "the profile does not say for which field strength it is; R2* depends on it, so add `applies to:` with `field strength: 1.5 T`",
            );
        }
    }

    /// Name.
    pub fn name(&self) -> &str {
        &self.written.name.value.0
    }
    /// Revision.
    pub fn revision(&self) -> u32 {
        self.written.revision.value
    }
    /// Digest over this file and those it builds on.
    pub fn digest(&self) -> &Digest {
        &self.digest
    }
    /// What the profile is for, for people.
    pub fn about(&self) -> Option<&str> {
        self.written.about.as_ref().map(|t| t.value.0.trim())
    }
    /// Who approved it and when.
    pub fn approved(&self) -> Option<&Approved> {
        self.approved.as_ref()
    }
    /// Names of the profiles it builds on, nearest first.
    pub fn bases(&self) -> &[String] {
        &self.bases
    }
    /// Whether it is for this scanner and sequence.
    pub fn applies(&self, header: &Header) -> bool {
        self.applies.differs(header).is_none()
    }
    /// Why it is not for this scanner and sequence; `None` where it is.
    pub fn differs(&self, header: &Header) -> Option<String> {
        self.applies.differs(header)
    }
    /// The field strength it is for, in tesla.
    pub fn field_strength(&self) -> Option<f64> {
        self.applies.field_strength()
    }
    /// The rules, in order.
    pub fn rules(&self) -> &[Rule] {
        &self.rules
    }
    /// The signal model asked for.
    pub fn model(&self) -> ModelChoice {
        self.written.model.as_ref().map(|m| m.value).unwrap_or_default()
    }
    /// Effective number of coil elements, where it is known.
    pub fn coil_elements(&self) -> Option<f64> {
        self.written.noise.as_ref().and_then(|n| n.coil_elements.as_ref()).map(|c| c.value)
    }
    /// Limits on the measured region.
    pub fn region(&self) -> &RegionLimits {
        &self.region
    }
    /// Name of the calibration from R2* to iron.
    pub fn calibration(&self) -> &str {
        self.written.calibration.as_ref().map_or("", |c| c.value.0.trim())
    }
    /// What to tell the radiographer, whatever the answer is.
    pub fn room_text(&self) -> Option<&str> {
        self.written.room.as_ref().map(|t| t.value.0.trim())
    }
    /// Scanner software versions that were tested; empty where the profile does not care.
    pub fn approved_software(&self) -> Vec<&str> {
        self.written.software.iter().flat_map(|s| s.approved.value.iter().map(|t| t.value.0.trim())).collect()
    }
}

/// What can be said of one file alone.
fn checks(source: &Arc<SourceText>, w: &written::File, complaints: &mut Complaints) {
    let name = &w.name.value.0;
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || matches!(c, '.' | '-');
    if name.is_empty()
        || name.len() > 64
        || !name.chars().all(plain)
        || !name.starts_with(|c: char| c.is_ascii_alphanumeric())
    {
        let message =
            "a profile's name has lower-case letters, digits, dots and hyphens only, such as `breath-hold-2d-1.5t`";
        complaints.add(source, w.name.place, message);
    }
    if w.revision.value == 0 {
        complaints.add(source, w.revision.place, "revisions count from 1");
    }
    if let Some(approval) = &w.approved {
        if approval.by.value.0.trim().is_empty() {
            complaints.add(source, approval.by.place, "say who approved the profile, or remove `approved`");
        }
        if approval.date.value.0.trim().parse::<jiff::civil::Date>().is_err() {
            let message = format!("`{}` is not a date; write year, month and day as 2026-03-14", approval.date.value.0);
            complaints.add(source, approval.date.place, message);
        }
    }
    if let Some(software) = &w.software
        && software.approved.value.is_empty()
    {
        let place = software.approved.place;
        let message = "`approved` is empty, so every software version would deviate; name the tested versions or remove `software`";
        complaints.add(source, place, message);
    }
    if let Some(coil) = w.noise.as_ref().and_then(|n| n.coil_elements.as_ref())
        && !(1.0..=128.0).contains(&coil.value)
    {
        complaints.add(source, coil.place, "`coil elements` lies between 1 and 128");
    }
    if let Some(At { value, place }) = &w.region
        && let Some(message) = value.complaint()
    {
        complaints.add(source, *place, message);
    }
}
