//! What must not matter to the region: how the images were turned, flipped and resampled, the units of intensity, a
//! slow shading, and somewhat more noise.

use super::{adult, measured, region_in};
use proptest::prelude::*;
use siderolog::phantom;
use siderolog::roi;
use siderolog::study::{Acquisition, AcquisitionParts, Grid, GridParts, Vector, dot};

/// One way of making other images of the same patient.
#[derive(Clone, Copy, Debug)]
struct Change {
    /// Turn of the image in its plane, degrees.
    turn: f64,
    /// New pixels over old ones.
    pixel: f64,
    /// Whether rows run the other way.
    flip: bool,
    /// Factor on intensities.
    gain: f32,
    /// Shading from one side to the other and from front to back, as a share.
    shading: [f32; 2],
    /// Noise that is added, in σ.
    noise: f32,
}

fn change() -> impl Strategy<Value = Change> {
    (-8.0..8.0f64, 0.85..1.2f64, any::<bool>(), -2.0..3.0f32, [-0.12..0.12f32, -0.12..0.12f32], 0.0..0.6f32).prop_map(
        |(turn, pixel, flip, power, shading, noise)| Change {
            turn,
            pixel,
            flip,
            gain: 10f32.powf(power),
            shading,
            noise,
        },
    )
}

fn mix(a: Vector, by: f64, b: Vector, with: f64) -> Vector {
    std::array::from_fn(|k| by * a[k] + with * b[k])
}

/// Normal numbers, near enough: sums of twelve uniforms from a counter.
fn normal(counter: &mut u64) -> f32 {
    let mut sum = 0.0;
    for _ in 0..12 {
        *counter = counter.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        sum += (*counter >> 40) as f32 / (1u64 << 24) as f32;
    }
    sum - 6.0
}

/// The images after a change, and for each new voxel the nearest old one.
fn changed(old: &Acquisition, sigma: f64, change: &Change) -> (Acquisition, Vec<usize>) {
    let grid = old.grid();
    let (sine, cosine) = change.turn.to_radians().sin_cos();
    let side = if change.flip { -1.0 } else { 1.0 };
    let along_row = mix(grid.along_row(), side * cosine, grid.along_column(), side * sine);
    let along_column = mix(grid.along_row(), -sine, grid.along_column(), cosine);
    let (dx, dy) = (grid.column_spacing().0 * change.pixel, grid.row_spacing().0 * change.pixel);
    let (columns, rows) =
        ((grid.columns() as f64 / change.pixel) as usize, (grid.rows() as f64 / change.pixel) as usize);
    let middle = [0.5 * (grid.rows() as f64 - 1.0), 0.5 * (grid.columns() as f64 - 1.0)];
    let half = [0.5 * (rows as f64 - 1.0) * dy, 0.5 * (columns as f64 - 1.0) * dx];
    let centre = |slice: usize| {
        let to = mix(
            grid.along_column(),
            middle[0] * grid.row_spacing().0,
            grid.along_row(),
            middle[1] * grid.column_spacing().0,
        );
        mix(grid.positions()[slice], 1.0, to, 1.0)
    };
    let corner = |slice| mix(mix(centre(slice), 1.0, along_row, -half[1]), 1.0, along_column, -half[0]);
    // Slices ascend along the normal, which a flip turns round.
    let order: Vec<usize> = if change.flip { (0..grid.slices()).rev().collect() } else { (0..grid.slices()).collect() };
    let parts = GridParts {
        rows,
        columns,
        positions: order.iter().map(|&slice| corner(slice)).collect(),
        row_spacing: dy,
        column_spacing: dx,
        slice_thickness: grid.slice_thickness().map(|mm| mm.0),
        along_row,
        along_column,
        frame_of_reference: None,
    };
    let new = Grid::new(parts).unwrap();
    let mut magnitude = ndarray::Array2::zeros((old.echo_times().len(), new.voxels()));
    let mut from = Vec::with_capacity(new.voxels());
    let mut counter = 7;
    for index in 0..new.voxels() {
        let (slice, row, column) = new.place(index);
        let away = mix(new.centre(slice, row, column), 1.0, grid.positions()[order[slice]], -1.0);
        let at = |along, spacing: f64, last: usize| (dot(away, along) / spacing).clamp(0.0, last as f64 - 1.0001);
        let (y, x) = (
            at(grid.along_column(), grid.row_spacing().0, grid.rows()),
            at(grid.along_row(), grid.column_spacing().0, grid.columns()),
        );
        from.push(grid.index(order[slice], y.round() as usize, x.round() as usize));
        let shade =
            1.0 + change.shading[0] * (x / middle[1] - 1.0) as f32 + change.shading[1] * (y / middle[0] - 1.0) as f32;
        let (y0, x0) = (y as usize, x as usize);
        let (wy, wx) = ((y - y0 as f64) as f32, (x - x0 as f64) as f32);
        for echo in 0..old.echo_times().len() {
            let image = old.echo(echo);
            let v = |r, c| image[grid.index(order[slice], r, c)];
            let upper = v(y0, x0) * (1.0 - wx) + v(y0, x0 + 1) * wx;
            let lower = v(y0 + 1, x0) * (1.0 - wx) + v(y0 + 1, x0 + 1) * wx;
            let mut value = upper * (1.0 - wy) + lower * wy;
            if change.noise > 0.0 {
                let sd = change.noise * sigma as f32;
                let (real, imaginary) = (value + sd * normal(&mut counter), sd * normal(&mut counter));
                value = (real * real + imaginary * imaginary).sqrt();
            }
            magnitude[[echo, index]] = change.gain * shade * value;
        }
    }
    let parts = AcquisitionParts {
        flaws: vec![0; new.voxels()],
        grid: new,
        echo_times: old.echo_times().to_vec(),
        magnitude,
        complex: None,
        header: old.header().clone(),
        source: old.source().clone(),
        scaling: old.scaling().to_owned(),
        findings: Vec::new(),
    };
    (Acquisition::assemble(parts).unwrap(), from)
}

/// Linear interpolation moves an outline by up to a third of a pixel, of which a liver's rim of some 300 pixels in
/// 4000 leaves Dice 0.97; turned and with half as much noise again, 0.93 is held. The median, to 2 %.
#[test]
fn the_region_survives_what_must_not_matter() {
    let scan = phantom::scan(&adult());
    let acquisition = Acquisition::assemble(scan.parts()).unwrap();
    let plain = region_in(&acquisition);
    let mask = measured(&plain);
    let config = ProptestConfig { cases: 8, failure_persistence: None, ..ProptestConfig::default() };
    let mut runner = proptest::test_runner::TestRunner::new_with_rng(
        config,
        proptest::test_runner::TestRng::deterministic_rng(proptest::test_runner::RngAlgorithm::ChaCha),
    );
    runner
        .run(&change(), |change| {
            let (other, from) = changed(&acquisition, scan.truth().sigma, &change);
            let region = region_in(&other);
            let expected: Vec<bool> = from.iter().map(|&k| mask[k]).collect();
            let dice = roi::dice(&measured(&region), &expected);
            let [a, b] = [&region, &plain].map(|r| r.measures().median_r2star.unwrap_or(f64::NAN));
            prop_assert!(dice > 0.93, "Dice {dice:.3}");
            prop_assert!((a / b - 1.0).abs() < 0.02, "{a} and {b}");
            Ok(())
        })
        .unwrap();
}
