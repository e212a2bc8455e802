use ndarray::Array2;
use siderolog::fit::*;
use siderolog::study::ModelKind;
use std::time::Instant;

#[test]
fn scratch_speed() {
    let times: Vec<f64> = (1..=12).map(|k| f64::from(k) * 1e-3).collect();
    let m = 20_000;
    let mut seed = 1u64;
    let mut normal = || {
        let mut u = || {
            seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            ((seed >> 11) as f64 + 0.5) / (1u64 << 53) as f64
        };
        let (a, b) = (u(), u());
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    };
    for r in [30.0, 300.0, 800.0] {
        let mut y = Array2::<f32>::zeros((12, m));
        for v in 0..m {
            for e in 0..12 {
                let a = 50.0 * f64::exp(-r * times[e]);
                y[[e, v]] = (a + normal()).hypot(normal()) as f32;
            }
        }
        let yd = y.mapv(f64::from);
        for kind in [
            ModelKind::Monoexponential,
            ModelKind::MonoexponentialWithOffset,
            ModelKind::Truncated,
            ModelKind::NoiseCorrected,
        ] {
            let model = Model::new(kind, &times, &ModelSettings::default()).unwrap();
            for level in Level::available() {
                let t = Instant::now();
                let maps = rayon::ThreadPoolBuilder::new()
                    .num_threads(1)
                    .build()
                    .unwrap()
                    .install(|| fit_at(level, &model, y.view(), Sigma::Uniform(1.0), 1.0));
                let dt = t.elapsed().as_secs_f64();
                let t = Instant::now();
                let md = rayon::ThreadPoolBuilder::new()
                    .num_threads(1)
                    .build()
                    .unwrap()
                    .install(|| fit_at(level, &model, yd.view(), Sigma::Uniform(1.0), 1.0));
                let dtd = t.elapsed().as_secs_f64();
                let mut q: Vec<f64> = (0..m).filter_map(|v| maps.ranked(v)).collect();
                q.sort_by(f64::total_cmp);
                let worst = (0..m)
                    .filter(|&v| maps.state[v] == State::Fitted && md.state[v] == State::Fitted)
                    .map(|v| ((maps.r2star[v] as f64 - md.r2star[v]) / md.r2star[v]).abs())
                    .fold(0.0, f64::max);
                let fitted = maps.state.iter().filter(|s| **s == State::Fitted).count();
                let it: f64 = maps.iterations.iter().map(|&i| f64::from(i)).sum::<f64>() / m as f64;
                let se: f64 = maps.standard_error.iter().filter(|x| x.is_finite()).map(|x| f64::from(*x)).sum::<f64>()
                    / fitted as f64;
                let mut codes = [0; 6];
                for s in &maps.state {
                    codes[*s as usize] += 1;
                }
                println!(
                    "R {r} {kind} {level:?}: f32 {:.2} M/s f64 {:.2} M/s median {:.2} se {se:.2} worst {worst:.1e} iterations {it:.1} states {codes:?}",
                    m as f64 / dt / 1e6,
                    m as f64 / dtd / 1e6,
                    q[q.len() / 2]
                );
            }
        }
    }
}
