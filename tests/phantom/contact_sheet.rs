//! Twelve abdomens side by side, for a person to compare with real ones.

use siderolog::phantom::{Body, GridRecipe, Liver, Recipe, Resection, Scan, scan};

/// A row of three pictures for each scan: first echo, late echo, true tissue, at one slice.
fn tile(scan: &Scan, slice: usize, echo: usize) -> (usize, usize, Vec<u8>) {
    let grid = scan.grid();
    let parts = scan.parts();
    let image = parts.magnitude.row(echo);
    let range = slice * grid.slice_voxels()..(slice + 1) * grid.slice_voxels();
    let all: Vec<f32> = image.iter().copied().skip(range.start).take(range.len()).collect();
    let mut sorted = all.clone();
    sorted.sort_by(f32::total_cmp);
    let white = sorted[sorted.len() * 985 / 1000].max(1.0);
    let bytes = all.iter().map(|&x| (x / white * 255.0).min(255.0) as u8).collect();
    (grid.rows(), grid.columns(), bytes)
}

/// Pastes tiles of one size into a sheet with this many columns and writes it.
pub fn write_sheet(path: &std::path::Path, tiles: &[(usize, usize, Vec<u8>)], across: usize) {
    let (rows, columns) = (tiles[0].0, tiles[0].1);
    let (width, height) = (across * (columns + 2), tiles.len().div_ceil(across) * (rows + 2));
    let mut sheet = image::GrayImage::new(width as u32, height as u32);
    for (index, tile) in tiles.iter().enumerate() {
        let (left, top) = (index % across * (columns + 2), index / across * (rows + 2));
        for row in 0..rows {
            for column in 0..columns {
                let value = tile.2[row * columns + column];
                sheet.put_pixel((left + column) as u32, (top + row) as u32, image::Luma([value]));
            }
        }
    }
    sheet.save(path).unwrap();
}

fn twelve() -> Vec<Recipe> {
    let base = |seed: u64| Recipe {
        seed,
        grid: GridRecipe { slices: 1, rows: 160, columns: 208, pixel_mm: [2.0, 2.0], ..GridRecipe::default() },
        ..Recipe::default()
    };
    let with = |seed: u64, change: &dyn Fn(&mut Recipe)| {
        let mut recipe = base(seed);
        change(&mut recipe);
        recipe
    };
    vec![
        base(1),
        with(2, &|r| r.grid.centre = 0.15),
        with(3, &|r| r.grid.centre = 0.3),
        with(4, &|r| r.grid.centre = 0.6),
        with(5, &|r| r.grid.centre = 0.85),
        with(6, &|r| r.liver = Liver { r2star: 900.0, ..Liver::default() }),
        with(7, &|r| {
            r.body = Body {
                half_width_mm: 92.0,
                half_depth_mm: 66.0,
                liver_height_mm: 105.0,
                fat_mm: 3.0,
                arms: true,
                ..Body::default()
            };
            r.grid.pixel_mm = [1.25, 1.45];
        }),
        with(8, &|r| {
            r.body = Body { half_width_mm: 205.0, half_depth_mm: 150.0, fat_mm: 42.0, ..Body::default() };
            r.liver.fat_fraction = 0.3;
        }),
        with(9, &|r| r.body.spleen = 2.4),
        with(10, &|r| r.body.situs_inversus = true),
        with(11, &|r| r.body.resection = Resection::Right),
        with(12, &|r| r.body.ascites = 0.8),
    ]
}

/// Run with `SIDEROLOG_SHEET=DIR` to get the pictures; without it only one is drawn, in a temporary folder.
#[test]
fn contact_sheet_is_drawn() {
    let dir = tempfile::tempdir().unwrap();
    let wanted = std::env::var_os("SIDEROLOG_SHEET").map(std::path::PathBuf::from);
    let recipes = if wanted.is_some() { twelve() } else { twelve().into_iter().take(1).collect() };
    let folder = wanted.as_deref().unwrap_or(dir.path());
    let scans: Vec<Scan> = recipes.iter().map(scan).collect();
    for (name, echo) in [("first.png", 0), ("middle.png", 4)] {
        let tiles: Vec<_> = scans.iter().map(|s| tile(s, 0, echo)).collect();
        let path = folder.join(name);
        write_sheet(&path, &tiles, 3);
        assert!(path.metadata().unwrap().len() > 1000, "{name} is empty");
    }
}
