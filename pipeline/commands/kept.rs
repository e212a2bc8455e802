//! A result that was written before, and the inputs it was made from: what `verify` and `amend` begin with.

use crate::daemon::earlier::EARLIER_FILE;
use crate::daemon::settings::Site;
use crate::intake::claim::INPUT;
use crate::report::{RESULT, ResultDocument};
use std::fs;
use std::path::{Path, PathBuf};

/// The earlier readings a result was made with, kept beside its folder.
const HISTORY: &str = "history.jsonl";

/// Where a result and what it was made from lie.
#[derive(clap::Args)]
pub struct Place {
    /// A result's folder or its result.json.
    result: PathBuf,
    /// The inputs; without it the archive of the site is searched.
    #[arg(long)]
    input: Vec<PathBuf>,
    /// The site file the result was made with.
    #[arg(long, env = "SIDEROLOG_SITE")]
    pub(super) site: Option<PathBuf>,
    /// The earlier readings it was made with; without it those kept beside the result.
    #[arg(long)]
    history: Option<PathBuf>,
}

/// A result as it was written.
pub(super) struct Kept {
    /// The folder that holds it.
    pub folder: PathBuf,
    /// `result.json` as it stands.
    pub text: String,
    /// The same, understood.
    pub document: ResultDocument,
    /// What it was made from.
    pub inputs: Vec<PathBuf>,
    /// The earlier readings it was made with, where they are kept.
    pub history: Option<PathBuf>,
    /// The results that its run replaced, where there were any.
    pub earlier: Option<PathBuf>,
}

impl Place {
    /// Reads the result and finds its inputs; the message says what is missing.
    pub(super) fn open(&self) -> Result<Kept, String> {
        let folder = if self.result.is_dir() { self.result.clone() } else { parent(&self.result) };
        let path = folder.join(RESULT);
        let text = fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
        let document = serde_json::from_str(&text)
            .map_err(|error| format!("{}: not a result document: {error}", path.display()))?;
        let inputs = self.inputs(&folder)?;
        let beside = |name| Some(parent(&folder).join(name)).filter(|kept| kept.is_file());
        let (history, earlier) = (self.history.clone().or_else(|| beside(HISTORY)), beside(EARLIER_FILE));
        Ok(Kept { text, document, inputs, history, earlier, folder })
    }

    /// What was given, or what the site's archive keeps of this delivery: results lie in a folder named by its ticket.
    fn inputs(&self, folder: &Path) -> Result<Vec<PathBuf>, String> {
        if !self.input.is_empty() {
            return Ok(self.input.clone());
        }
        let site = self.site.as_ref().ok_or("name the inputs with --input, or the site with --site")?;
        let site = Site::load(site).map_err(|error| error.to_string())?;
        let whole = folder.canonicalize().map_err(|error| format!("{}: {error}", folder.display()))?;
        let ticket = whole.parent().and_then(Path::file_name).ok_or("the result lies in no delivery's folder")?;
        let kept = site.folders.archive.join(ticket).join(INPUT);
        if kept.is_dir() {
            Ok(vec![kept])
        } else {
            Err(format!("{}: the inputs are not kept any more", kept.display()))
        }
    }
}

/// The folder that a path lies in.
pub(super) fn parent(path: &Path) -> PathBuf {
    path.parent().map_or_else(|| PathBuf::from("."), Path::to_path_buf)
}
