//! The rules run on an acquisition.

use super::measures::ImageMeasures;
use super::profile::Profile;
use super::quantity::{Seen, Source};
use super::rule::{Gravity, Rule};
use super::subject::Subject;
use super::{contrast, unit::Unit};
use crate::study::text::safe;
use crate::study::{Acquisition, EchoKind, Finding, Header, Severity, Stage};

/// A rule on the echo times whose weight depends on what they can still measure.
#[derive(Clone, Debug)]
pub struct ByRange {
    warn: Finding,
}

impl ByRange {
    /// The finding once it is known whether the reading and its interval lie inside the measuring range
    /// recomputed from the actual echoes: `warn` inside, `stop` outside.
    pub fn judge(&self, inside: bool) -> Finding {
        let mut finding = self.warn.clone();
        if inside {
            finding.message.push_str(
                " The reading and its interval lie inside what these echoes can measure, so the number stands.",
            );
            // Nobody is called back for an echo that did not matter.
            finding.scanner_room = None;
        } else {
            finding.severity = Severity::Stop;
            finding.message.push_str(" The reading does not lie inside what these echoes can measure.");
        }
        finding
    }
}

/// An acquisition on which every rule ran. Made only by [`check`].
#[derive(Debug)]
pub struct CheckedAcquisition {
    acquisition: Acquisition,
    profile: Option<Profile>,
    findings: Vec<Finding>,
    by_range: Vec<ByRange>,
    decays: bool,
}

impl CheckedAcquisition {
    /// The acquisition.
    pub fn acquisition(&self) -> &Acquisition {
        &self.acquisition
    }
    /// The one profile that applies; `None` where none or several do.
    pub fn profile(&self) -> Option<&Profile> {
        self.profile.as_ref()
    }
    /// What the rules found; without what intake noticed, which the acquisition keeps.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
    /// Rules that wait for the measuring range.
    pub fn by_range(&self) -> &[ByRange] {
        &self.by_range
    }
    /// Whether the signal decays with R2*; where it does not, nothing can be fitted and the flow ends.
    pub fn decays_with_r2star(&self) -> bool {
        self.decays
    }
}

/// Finds the profile and runs every rule on headers and grid. Never fails: what is wrong is a finding.
///
/// An approved profile goes before profiles that nobody has approved; two of the same rank are a stop, as is none.
pub fn check(acquisition: Acquisition, profiles: &[Profile]) -> CheckedAcquisition {
    let header = acquisition.header();
    let mut findings = Vec::new();
    let decays = echo_kind(header, &mut findings);
    let profile = match pick(header, profiles) {
        Ok(profile) => Some(profile),
        Err(finding) => {
            findings.push(*finding);
            None
        }
    };
    let mut by_range = Vec::new();
    if let Some(profile) = profile {
        approval(profile, &mut findings);
        software(profile, header, &mut findings);
        run(profile, &acquisition, &mut findings, &mut by_range);
        // A rule of the profile on the kind of echo says the same with the weight that the physicist gave it.
        if findings.iter().any(|f| f.code.starts_with("kind-of-echo")) {
            findings.retain(|f| f.code != "echo-kind-unknown");
        }
    }
    agent(profile, header, &mut findings);
    let profile = profile.cloned();
    CheckedAcquisition { acquisition, profile, findings, by_range, decays }
}

/// Runs the rules on image quality. What could not be measured fires nothing.
pub fn check_images(profile: &Profile, measures: &ImageMeasures) -> Vec<Finding> {
    let judged = profile.rules.iter().filter_map(|rule| {
        let Subject::Listed(quantity) = &rule.subject else {
            return None;
        };
        let (Source::Image(read), Gravity::Fixed(severity)) = (quantity.source, rule.gravity) else {
            return None;
        };
        let mut finding = rule.judge(&Seen::from(read(measures)), severity)?;
        if let ("slice disagreement", Some(slice)) = (quantity.name, measures.slice_disagreeing) {
            finding.images = vec![format!("slice {}", slice + 1)];
        }
        Some(finding)
    });
    judged.collect()
}

/// Whether an earlier result carries this profile's name and revision with another content. `earlier` gives
/// name, revision and digest of the profiles of earlier results.
pub fn same_revision_other_content<'a>(
    profile: &Profile,
    earlier: impl IntoIterator<Item = (&'a str, u32, &'a str)>,
) -> Option<Finding> {
    let other = earlier
        .into_iter()
        .find(|(name, revision, digest)| {
            *name == profile.name() && *revision == profile.revision() && *digest != profile.digest().as_str()
        })
        .map(|(_, _, digest)| safe(digest, 80))?;
    let message = format!(
        "The profile {} revision {} has changed since an earlier result, but its revision has not.",
        profile.name(),
        profile.revision()
    );
    let finding = Finding::new(Stage::Protocol, Severity::Warn, "profile-changed-without-revision", message)
        .expected(other)
        .found(profile.digest().as_str())
        .attribute("profile")
        .advice("The MR physicist raises the revision, so that results under the two can be told apart.");
    Some(finding)
}

/// Runs the header rules.
fn run(profile: &Profile, acquisition: &Acquisition, findings: &mut Vec<Finding>, by_range: &mut Vec<ByRange>) {
    let header_rules = profile.rules.iter().filter(|rule: &&Rule| !rule.subject.is_image());
    for rule in header_rules {
        let seen = rule.subject.see(acquisition);
        match rule.gravity {
            Gravity::Fixed(severity) => findings.extend(rule.judge(&seen, severity)),
            Gravity::ByRange => {
                by_range.extend(rule.judge(&seen, Severity::Warn).map(|warn| ByRange { warn }));
            }
        }
    }
}

fn echo_kind(header: &Header, findings: &mut Vec<Finding>) -> bool {
    const ATTRIBUTE: &str = "(0018,0020) Scanning Sequence";
    let (found, why) = match header.sequence.echo_kind {
        Some(EchoKind::GradientEcho) => return true,
        None => {
            let message = "The headers do not say whether these are gradient echoes; the decay is taken for R2*.";
            findings.push(
                Finding::new(Stage::Protocol, Severity::Warn, "echo-kind-unknown", message)
                    .expected("gradient echo")
                    .found("not given")
                    .attribute(ATTRIBUTE)
                    .advice("Check at the scanner that the sequence is a multi-echo gradient echo."),
            );
            return true;
        }
        Some(EchoKind::SpinEcho) => ("spin echo", "A spin echo refocuses the decay, so it shows R2, not R2*."),
        Some(EchoKind::Other) => (
            "inversion recovery, echo-planar or mixed",
            "Its signal is not a plain gradient-echo decay, so R2* cannot be read from it.",
        ),
    };
    findings.push(
        Finding::new(
            Stage::Protocol,
            Severity::Stop,
            "not-gradient-echo",
            format!("This is a {found} acquisition. {why}"),
        )
        .expected("gradient echo")
        .found(found)
        .attribute(ATTRIBUTE)
        .advice("Export the multi-echo gradient-echo series, or acquire one.")
        .room_can_change("the sequence to the multi-echo gradient echo for liver iron"),
    );
    false
}

/// The one profile that applies, or the finding that says why there is none.
fn pick<'a>(header: &Header, profiles: &'a [Profile]) -> Result<&'a Profile, Box<Finding>> {
    let matching: Vec<&Profile> = profiles.iter().filter(|p| p.applies(header)).collect();
    let approved: Vec<&Profile> = matching.iter().copied().filter(|p| p.approved().is_some()).collect();
    let candidates = if approved.is_empty() { &matching } else { &approved };
    let looked_for = describe(header);
    match candidates.as_slice() {
        [one] => Ok(one),
        [] => {
            let reasons: Vec<String> = profiles
                .iter()
                .filter_map(|p| p.applies.differs(header).map(|why| format!("{}: {why}", p.name())))
                .take(12)
                .collect();
            let known = if reasons.is_empty() {
                "No profile is loaded.".to_owned()
            } else {
                format!("{}.", reasons.join("; "))
            };
            let message = format!("No profile applies to this scanner and sequence ({looked_for}).");
            Err(Box::new(
                Finding::new(Stage::Protocol, Severity::Stop, "no-profile", message)
                    .expected("one profile that applies")
                    .found(looked_for)
                    .attribute("(0008,0070) Manufacturer, (0008,1090) Model, (0018,0087) Magnetic Field Strength, (0018,0023) MR Acquisition Type")
                    .advice(format!("{known} The MR physicist writes a profile, for example from a known good acquisition with `siderolog profile derive`."))
                    .room_cannot_help("the service has no profile for this scanner and sequence; call the MR physicist"),
            ))
        }
        several => {
            let names: Vec<String> =
                several.iter().map(|p| format!("{} revision {}", p.name(), p.revision())).collect();
            let message = format!(
                "{} profiles apply to this scanner and sequence ({looked_for}): {}. None was chosen.",
                several.len(),
                names.join(", ")
            );
            Err(Box::new(
                Finding::new(Stage::Protocol, Severity::Stop, "profile-ambiguous", message)
                    .expected("one profile that applies")
                    .found(names.join(", "))
                    .attribute("profile")
                    .advice("The MR physicist narrows `applies to` in these profiles until one remains.")
                    .room_cannot_help("the service does not know which of its profiles holds; call the MR physicist"),
            ))
        }
    }
}

/// Maker, model, serial number, field strength and kind of acquisition, for a sentence.
fn describe(header: &Header) -> String {
    let scanner = &header.scanner;
    let text =
        |value: &Option<String>, missing: &str| value.as_ref().map_or_else(|| missing.to_owned(), |v| safe(v, 60));
    let field = scanner.field_strength.map_or_else(|| "field strength not given".to_owned(), |t| Unit::Tesla.show(t.0));
    let averages = header.sequence.averages.map_or(String::new(), |n| format!(", {} averages", Unit::None.show(n)));
    format!(
        "{}, {}, serial number {}, {field}, {}{averages}",
        text(&scanner.manufacturer, "manufacturer not given"),
        text(&scanner.model, "model not given"),
        text(&scanner.serial, "not given"),
        text(&header.sequence.dimensions, "2D or 3D not given"),
    )
}

fn approval(profile: &Profile, findings: &mut Vec<Finding>) {
    if profile.approved().is_none() {
        let message = format!(
            "Nobody has approved the profile {} revision {} for this scanner.",
            profile.name(),
            profile.revision()
        );
        findings.push(
            Finding::new(Stage::Protocol, Severity::Warn, "profile-not-approved", message)
                .expected("an approved profile")
                .found("not approved")
                .attribute("profile")
                .advice("The MR physicist tests the profile on this scanner and adds `approved` with name and date."),
        );
    }
}

fn software(profile: &Profile, header: &Header, findings: &mut Vec<Finding>) {
    let approved = profile.approved_software();
    if approved.is_empty() {
        return;
    }
    let found = header.scanner.software.as_deref().map(str::trim);
    if found.is_some_and(|found| approved.iter().any(|version| version.eq_ignore_ascii_case(found))) {
        return;
    }
    let shown = found.map_or_else(|| "not given".to_owned(), |f| safe(f, 80));
    let before = profile
        .written
        .software
        .as_ref()
        .and_then(|s| s.before_approving.as_ref())
        .map_or("Repeat the phantom and the volunteer comparison, then add the version to the profile.", |t| {
            t.value.0.trim()
        });
    let message =
        format!("Scanner software {shown} is not among the versions the profile approves ({}).", approved.join(", "));
    findings.push(
        Finding::new(Stage::Protocol, Severity::Warn, "software-not-approved", message)
            .expected(approved.join(" or "))
            .found(shown)
            .attribute("(0018,1020) Software Versions")
            .advice(format!("Before approving it: {before}")),
    );
}

/// An iron-oxide agent is always a stop. Any other is for a person to see, unless the profile has its own rule.
fn agent(profile: Option<&Profile>, header: &Header, findings: &mut Vec<Finding>) {
    let written = header.sequence.contrast_agent.as_deref();
    let Seen::Texts(class) = contrast::class(written) else {
        return;
    };
    let shown = safe(written.unwrap_or_default(), 80);
    let own_rule = profile.is_some_and(|p| p.rules.iter().any(|rule| rule.subject.name() == "contrast agent"));
    let finding = match class.first().map(String::as_str) {
        Some("iron oxide")
            if !findings.iter().any(|f| f.code == "contrast-agent-off" && f.severity == Severity::Stop) =>
        {
            findings.retain(|f| f.code != "contrast-agent-off");
            let message = format!(
                "An iron-oxide contrast agent was given ({shown}); it raises R2* as the patient's own iron does."
            );
            Finding::new(Stage::Protocol, Severity::Stop, "contrast-iron-oxide", message)
                .advice("Measure again when the agent has cleared, which takes months.")
                .room_cannot_help("an iron-oxide contrast agent is in the liver")
        }
        Some("other") if !own_rule => {
            let message = format!("A contrast agent was given ({shown}); gadolinium changes T1 and can change R2*.");
            Finding::new(Stage::Protocol, Severity::Warn, "contrast-agent", message)
                .advice("Acquire the echo series before the contrast agent is given.")
        }
        _ => return,
    };
    findings.push(finding.expected("none").found(shown).attribute("(0018,0010) Contrast/Bolus Agent"));
}
