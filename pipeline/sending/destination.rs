//! A destination as the site file writes it, and as it is used.

use schemars::JsonSchema;
use serde::Deserialize;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Everything a file of a result can be, as `result.json` names it under `files`, and the document itself.
pub const PURPOSES: [&str; 17] = [
    "result",
    "qc_image",
    "report",
    "report_pdf",
    "table_row",
    "nifti_echoes",
    "nifti_r2star",
    "nifti_roi",
    "roi",
    "excluded",
    "r2star_map",
    "lic_map",
    "qc_capture",
    "report_document",
    "structured_report",
    "fhir",
    "hl7",
];

/// What may leave for a destination before a person has released the result.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Unreleased {
    /// Nothing.
    Nothing,
    /// Objects for the image archive, marked UNVERIFIED; no page and no message.
    #[default]
    ArchiveObjects,
    /// These, and everything of a result without any deviation, marked preliminary.
    ClearResults,
}

/// When an object that could not be sent is tried again.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Retry {
    /// Seconds until the second attempt; each further wait is twice as long.
    pub first_wait_s: f64,
    /// Longest wait in seconds.
    pub longest_wait_s: f64,
}

impl Default for Retry {
    fn default() -> Self {
        Self { first_wait_s: 5.0, longest_wait_s: 300.0 }
    }
}

impl Retry {
    /// The wait after so many failed attempts.
    pub fn wait(&self, attempts: u32) -> Duration {
        let doubled = self.first_wait_s * f64::from(1u32 << attempts.saturating_sub(1).min(20));
        Duration::from_secs_f64(doubled.min(self.longest_wait_s))
    }
}

/// A destination, checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Destination {
    /// The site's name for it.
    pub name: String,
    /// How it is reached.
    pub way: Way,
    /// Purposes of the files it gets; empty where it gets all that its way can carry.
    pub files: Vec<String>,
    /// What may leave before a person has released the result.
    pub unreleased: Unreleased,
    /// How long it may stay silent.
    pub timeout: Duration,
}

/// How a destination is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Way {
    /// DICOM C-STORE.
    CStore(CStore),
    /// DICOMweb STOW-RS.
    Stow(Web),
    /// A FHIR server.
    Fhir(Web),
    /// HL7 v2 over MLLP.
    Mllp(Mllp),
    /// A folder.
    Folder(Folder),
}

/// An archive that takes C-STORE.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CStore {
    /// `host:port`.
    pub address: String,
    /// Its AE title.
    pub called: String,
    /// Our AE title.
    #[serde(default = "our_title")]
    pub calling: String,
    /// Where it does not take Comprehensive 3D SR: send the same report as Enhanced SR.
    #[serde(default = "yes")]
    pub enhanced_sr_fallback: bool,
    /// Through TLS; in the clear without it.
    pub tls: Option<Tls>,
}

/// How a connection is made secret.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tls {
    /// A PEM file of the authorities trusted; the system's without it.
    pub authorities: Option<PathBuf>,
    /// A PEM file with our certificate and its key, where the receiver asks for one.
    pub identity: Option<PathBuf>,
}

fn our_title() -> String {
    "SIDEROLOG".to_owned()
}

fn yes() -> bool {
    true
}

/// A web address that takes POST.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Web {
    /// STOW-RS: the address of studies, `https://host/dicom-web/studies`. FHIR: the base, `https://host/fhir`.
    pub url: String,
    /// A file whose first line is the value of the Authorization header; read anew for every object.
    pub authorization_file: Option<PathBuf>,
    /// A PEM file of the authorities trusted for https; the system's without it.
    pub authorities: Option<PathBuf>,
    /// A PEM file with our certificate and its key, where the server asks for one.
    pub identity: Option<PathBuf>,
}

/// An interface engine.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Mllp {
    /// `host:port`.
    pub address: String,
    /// Through TLS; in the clear without it.
    pub tls: Option<Tls>,
}

/// A folder, such as a share that another system reads.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Folder {
    /// It must exist; an unmounted share is not made anew.
    pub path: PathBuf,
}

/// A destination as it is written. Exactly one of the ways is given.
#[derive(Clone, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Written {
    /// The site's name for it: small letters, digits and hyphens.
    pub name: String,
    c_store: Option<CStore>,
    stow: Option<Web>,
    fhir: Option<Web>,
    mllp: Option<Mllp>,
    folder: Option<Folder>,
    #[serde(default)]
    files: Vec<String>,
    #[serde(default)]
    unreleased: Unreleased,
    timeout_s: Option<f64>,
}

/// Silence after which a destination counts as away; common practice, no source.
const TIMEOUT_S: f64 = 30.0;

impl Written {
    /// Checks it. `base` is what relative paths are relative to.
    pub fn check(self, base: &Path) -> Result<Destination, String> {
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if self.name.is_empty() || self.name.len() > 40 || !self.name.chars().all(plain) {
            return Err("needs a `name` of small letters, digits and hyphens, 40 at most".to_owned());
        }
        let ways: Vec<Way> = [
            self.c_store.map(|archive| Way::CStore(CStore { tls: archive.tls.map(|tls| tls.below(base)), ..archive })),
            self.stow.map(|web| Way::Stow(web.below(base))),
            self.fhir.map(|web| Way::Fhir(web.below(base))),
            self.mllp.map(|engine| Way::Mllp(Mllp { tls: engine.tls.map(|tls| tls.below(base)), ..engine })),
            self.folder.map(|folder| Way::Folder(Folder { path: base.join(folder.path) })),
        ]
        .into_iter()
        .flatten()
        .collect();
        let Ok([way]) = <[Way; 1]>::try_from(ways) else {
            return Err("needs exactly one of `c_store`, `stow`, `fhir`, `mllp`, `folder`".to_owned());
        };
        way.check()?;
        if let Some(unknown) = self.files.iter().find(|file| !PURPOSES.contains(&file.as_str())) {
            return Err(format!("asks for `{unknown}`; what there is: {}", PURPOSES.join(", ")));
        }
        let seconds = self.timeout_s.unwrap_or(TIMEOUT_S);
        if !(0.1..=3600.0).contains(&seconds) {
            return Err(format!("has `timeout_s` {seconds}; it must be 0.1 to 3600"));
        }
        let timeout = Duration::from_secs_f64(seconds);
        Ok(Destination { name: self.name, way, files: self.files, unreleased: self.unreleased, timeout })
    }
}

impl Web {
    fn below(mut self, base: &Path) -> Self {
        for path in [&mut self.authorization_file, &mut self.authorities, &mut self.identity].into_iter().flatten() {
            *path = base.join(&*path);
        }
        self
    }

    fn check(&self) -> Result<(), String> {
        let https = self.url.starts_with("https://");
        if !https && !self.url.starts_with("http://") {
            return Err(format!("has `url` {}; it must begin with http:// or https://", self.url));
        }
        if https && !cfg!(feature = "tls") {
            return Err("has an https `url`, and this program was built without the feature `tls`".to_owned());
        }
        let names = [&self.authorization_file, &self.authorities, &self.identity];
        match names.into_iter().flatten().find(|path| !path.is_file()) {
            Some(path) => Err(format!("names {}, which is not a file", path.display())),
            None => Ok(()),
        }
    }
}

impl Tls {
    fn below(mut self, base: &Path) -> Self {
        for path in [&mut self.authorities, &mut self.identity].into_iter().flatten() {
            *path = base.join(&*path);
        }
        self
    }

    fn check(&self) -> Result<(), String> {
        if !cfg!(feature = "tls") {
            return Err("asks for `tls`, and this program was built without that feature".to_owned());
        }
        match [&self.authorities, &self.identity].into_iter().flatten().find(|path| !path.is_file()) {
            Some(path) => Err(format!("names {}, which is not a file", path.display())),
            None => Ok(()),
        }
    }
}

impl Way {
    fn check(&self) -> Result<(), String> {
        match self {
            Self::CStore(archive) => {
                // PS3.5 6.2: an AE title has 1 to 16 characters, not only blanks, no backslash, no control.
                for title in [&archive.called, &archive.calling] {
                    let sound = title.chars().all(|c| c.is_ascii() && !c.is_ascii_control() && c != '\\');
                    if title.trim().is_empty() || title.len() > 16 || !sound {
                        return Err(format!("has the AE title `{title}`; it must have 1 to 16 plain characters"));
                    }
                }
                archive.tls.as_ref().map_or(Ok(()), Tls::check)?;
                address(&archive.address)
            }
            Self::Mllp(engine) => {
                engine.tls.as_ref().map_or(Ok(()), Tls::check)?;
                address(&engine.address)
            }
            Self::Stow(web) | Self::Fhir(web) => web.check(),
            Self::Folder(_) => Ok(()),
        }
    }

    /// In a word, for a person.
    pub fn word(&self) -> &'static str {
        match self {
            Self::CStore(_) => "C-STORE",
            Self::Stow(_) => "STOW-RS",
            Self::Fhir(_) => "FHIR",
            Self::Mllp(_) => "HL7 over MLLP",
            Self::Folder(_) => "folder",
        }
    }
}

fn address(text: &str) -> Result<(), String> {
    match text.rsplit_once(':') {
        Some((host, port)) if !host.is_empty() && port.parse::<u16>().is_ok_and(|port| port > 0) => Ok(()),
        _ => Err(format!("has `address` {text}; it must be host:port")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest() {
        let retry = Retry { first_wait_s: 5.0, longest_wait_s: 60.0 };
        let waits: Vec<f64> = [1, 2, 3, 4, 5, 40].iter().map(|&n| retry.wait(n).as_secs_f64()).collect();
        assert_eq!(waits, [5.0, 10.0, 20.0, 40.0, 60.0, 60.0]);
    }
}
