//! `siderolog simulate`: synthetic studies as DICOM, with what is really in them.

use crate::phantom::{self, Recipe, SHIPPED, Scan, Tissue};
use anyhow::Context;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Writes synthetic studies as DICOM: invented patients of an invented hospital, with a known truth.
#[derive(clap::Args)]
pub struct Args {
    /// Folder to write to; one folder for each study, and `NAME.truth.json` beside it.
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Recipe to simulate; without it all that come with the program.
    #[arg(long, value_name = "FILE")]
    recipe: Option<PathBuf>,
    /// Also write the true tissues as `NAME.truth.nii`.
    #[arg(long)]
    labels: bool,
}

/// Exit status 2 for a recipe that cannot be used, 1 where writing fails.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let recipes = match recipes(args.recipe.as_deref()) {
        Ok(recipes) => recipes,
        Err(message) => {
            eprintln!("{message}");
            return Ok(ExitCode::from(2));
        }
    };
    std::fs::create_dir_all(&args.out).with_context(|| format!("cannot make {}", args.out.display()))?;
    let style =
        ProgressStyle::with_template("{bar:30} {pos}/{len} {msg}").unwrap_or_else(|_| ProgressStyle::default_bar());
    // Draws nothing where standard error is not a terminal.
    let bar = ProgressBar::new(recipes.len() as u64).with_style(style);
    let mut lines = Vec::new();
    for (name, recipe) in recipes {
        bar.set_message(name.clone());
        let scan = phantom::scan(&recipe);
        let folder = args.out.join(&name);
        let written = phantom::write(&scan, &folder).with_context(|| format!("cannot write {}", folder.display()))?;
        let truth = serde_json::to_vec_pretty(&truth(&name, &scan))?;
        save(&args.out.join(format!("{name}.truth.json")), &truth)?;
        if args.labels {
            save(&args.out.join(format!("{name}.truth.nii")), &labels(&scan))?;
        }
        lines.push(format!("{}: {} files, {}", folder.display(), written.len(), recipe.description));
        bar.inc(1);
    }
    bar.finish_and_clear();
    let mut out = std::io::stdout().lock();
    for line in lines {
        writeln!(out, "{line}")?;
    }
    Ok(ExitCode::SUCCESS)
}

fn save(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, bytes).with_context(|| format!("cannot write {}", path.display()))
}

/// Name and recipe of each study to write.
fn recipes(file: Option<&Path>) -> Result<Vec<(String, Recipe)>, String> {
    let Some(file) = file else {
        let parse =
            |&(name, text): &(&str, &str)| Recipe::from_yaml(name, text).map(|recipe| (name.to_owned(), recipe));
        return SHIPPED.iter().map(parse).collect::<Result<_, _>>().map_err(|error| error.to_string());
    };
    let shown = file.display().to_string();
    let text = std::fs::read_to_string(file).map_err(|error| format!("{shown}: cannot be read: {error}"))?;
    let recipe = Recipe::from_yaml(&shown, &text).map_err(|error| error.to_string())?;
    let name = file.file_stem().map_or_else(|| "study".to_owned(), |stem| stem.to_string_lossy().into_owned());
    Ok(vec![(name, recipe)])
}

/// What is really in the images.
fn truth(name: &str, scan: &Scan) -> serde_json::Value {
    let (truth, grid, recipe) = (scan.truth(), scan.grid(), scan.recipe());
    let count = |voxels: &[bool]| voxels.iter().filter(|&&inside| inside).count();
    let parenchyma = count(&truth.parenchyma);
    let tissues: serde_json::Map<String, serde_json::Value> =
        Tissue::ALL.iter().map(|tissue| ((*tissue as u8).to_string(), json!(format!("{tissue:?}")))).collect();
    json!({
        "note": "Simulated. Hospital, scanner and patient are invented.",
        "recipe": name,
        "description": recipe.description,
        "seed": recipe.seed,
        "field_strength_t": recipe.field_strength_t,
        "echo_times_ms": scan.echo_times().iter().map(|t| t.as_millis()).collect::<Vec<_>>(),
        "shape": [grid.slices(), grid.rows(), grid.columns()],
        "median_r2star_per_s": truth.median_r2star,
        "fat_fraction_percent": 100.0 * recipe.liver.fat_fraction,
        "sigma": truth.sigma,
        "coil_elements": truth.coil_elements,
        "snr": recipe.receive.snr,
        "organ_voxels": count(&truth.organ),
        "parenchyma_voxels": parenchyma,
        "parenchyma_ml": grid.voxel_ml().map(|ml| ml * parenchyma as f64),
        "left_out": recipe.export.omit,
        "tissues": tissues,
    })
}

/// The true tissues as NIfTI-1, unsigned bytes, for viewers that overlay labels.
/// Fields and offsets: NIfTI-1.1 header definition (nifti1.h).
fn labels(scan: &Scan) -> Vec<u8> {
    let grid = scan.grid();
    let mut header = [0u8; 352];
    let mut put = |offset: usize, bytes: &[u8]| header[offset..offset + bytes.len()].copy_from_slice(bytes);
    put(0, &348i32.to_le_bytes());
    let size = [3, grid.columns() as i16, grid.rows() as i16, grid.slices() as i16, 1, 1, 1, 1];
    for (index, extent) in size.iter().enumerate() {
        put(40 + 2 * index, &extent.to_le_bytes());
    }
    put(70, &2i16.to_le_bytes());
    put(72, &8i16.to_le_bytes());
    let step = grid.slice_step().map_or(1.0, |step| step.0);
    let spacing = [1.0, grid.column_spacing().0, grid.row_spacing().0, step];
    for (index, size) in spacing.iter().enumerate() {
        put(76 + 4 * index, &(*size as f32).to_le_bytes());
    }
    put(108, &352f32.to_le_bytes());
    put(112, &1f32.to_le_bytes());
    // Millimetres.
    put(123, &[2]);
    // Scanner coordinates, by the affine.
    put(254, &1i16.to_le_bytes());
    let origin = grid.positions().first().copied().unwrap_or_default();
    let columns = [(grid.along_row(), spacing[1]), (grid.along_column(), spacing[2]), (grid.normal(), spacing[3])];
    for axis in 0..3 {
        // NIfTI counts x to the right's opposite and y to the front: both signs turn.
        let sign = if axis < 2 { -1.0 } else { 1.0 };
        for (index, (direction, size)) in columns.iter().enumerate() {
            put(280 + 16 * axis + 4 * index, &((sign * direction[axis] * size) as f32).to_le_bytes());
        }
        put(280 + 16 * axis + 12, &((sign * origin[axis]) as f32).to_le_bytes());
    }
    put(344, b"n+1\0");
    [header.as_slice(), &scan.truth().labels].concat()
}
