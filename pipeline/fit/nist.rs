//! NIST StRD nonlinear regression data through the projection core that ships. The files are not ours to keep: the test
//! reads them from the folder that `SIDEROLOG_NIST` names (`tests/outside/fit_nist.py` fetches them).

use super::lanes::Lane;
use super::projection::{Basis, Curves, Projected};
use super::solver::minimise;
use std::path::Path;

const ROWS: usize = 64;

/// A sum of exponentials exp(−αx), with or without a constant, or the rise 1 − exp(−αx).
struct Exponentials<const P: usize> {
    x: Vec<f64>,
    constant: bool,
    rise: bool,
}

impl<const P: usize, const K: usize> Basis<f64, P, K, ROWS, 1> for Exponentials<P> {
    fn count(&self) -> usize {
        self.x.len()
    }
    fn fill(&self, at: &[Lane<f64, 1>; P], curves: &mut Curves<f64, P, K, ROWS, 1>) {
        for (row, &x) in self.x.iter().enumerate() {
            for p in 0..P {
                let decay = libm::exp(-at[p][0] * x);
                let (value, slope) = if self.rise { (1.0 - decay, x * decay) } else { (decay, -x * decay) };
                curves.columns[p][row][0] = value;
                curves.slopes[p][p][row][0] = slope;
            }
            if self.constant {
                curves.columns[K - 1][row][0] = 1.0;
            }
        }
    }
    fn limits(&self) -> [[f64; 2]; P] {
        [[1e-8, 1e3]; P]
    }
    fn sizes(&self) -> [f64; P] {
        [1e-6; P]
    }
}

/// One file: starts and certified values by parameter, then x and y.
struct Certified {
    starts: [Vec<f64>; 2],
    values: Vec<f64>,
    x: Vec<f64>,
    y: Vec<f64>,
}

fn read(path: &Path) -> Certified {
    let text = std::fs::read_to_string(path).unwrap();
    let mut out = Certified { starts: [vec![], vec![]], values: vec![], x: vec![], y: vec![] };
    let mut data = false;
    for line in text.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        if line.starts_with("Data:") && words.get(1) == Some(&"y") {
            data = true;
        } else if data && words.len() == 2 {
            out.y.push(words[0].parse().unwrap());
            out.x.push(words[1].parse().unwrap());
        } else if words.len() == 6 && words[0].starts_with('b') && words[1] == "=" {
            out.starts[0].push(words[2].parse().unwrap());
            out.starts[1].push(words[3].parse().unwrap());
            out.values.push(words[4].parse().unwrap());
        }
    }
    out
}

/// Digits that agree with the certified values, the fewest over all parameters; `nonlinear` and `linear` give the
/// parameters' numbers in the file.
fn digits<const P: usize, const K: usize>(
    file: &Certified,
    start: usize,
    nonlinear: [usize; P],
    linear: [usize; K],
    rise: bool,
) -> f64 {
    let model = Exponentials::<P> { x: file.x.clone(), constant: K > P, rise };
    let mut data = [[0.0; 1]; ROWS];
    for (row, &y) in data.iter_mut().zip(&file.y) {
        row[0] = y;
    }
    let mut problem = Projected::<f64, _, P, K, ROWS, 1>::new(&model, &data, None);
    let begin = nonlinear.map(|b| [file.starts[start][b]]);
    let end = minimise(&mut problem, begin, 250);
    let found = nonlinear.iter().zip(end.at).map(|(&b, at)| (b, at[0]));
    let found: Vec<(usize, f64)> = found.chain(linear.iter().zip(problem.linear).map(|(&b, c)| (b, c[0]))).collect();
    found
        .iter()
        .map(|&(b, value)| -libm::log10((value / file.values[b] - 1.0).abs().max(1e-12)))
        .fold(f64::INFINITY, f64::min)
}

#[test]
fn certified_values_of_the_exponential_sets() {
    let Some(folder) = std::env::var_os("SIDEROLOG_NIST") else {
        println!("SKIPPED: run by tests/outside/fit_nist.py");
        return;
    };
    let file = |name: &str| read(&Path::new(&folder).join(name));
    let mut fewest = f64::INFINITY;
    let mut show = |name: &str, start: usize, digits: f64| {
        println!("{name} from start {}: {digits:.1} digits", start + 1);
        fewest = fewest.min(digits);
    };
    for start in 0..2 {
        for name in ["Lanczos1.dat", "Lanczos2.dat", "Lanczos3.dat"] {
            show(name, start, digits(&file(name), start, [1, 3, 5], [0, 2, 4], false));
        }
        show("MGH17.dat", start, digits(&file("MGH17.dat"), start, [3, 4], [1, 2, 0], false));
        show("Misra1a.dat", start, digits(&file("Misra1a.dat"), start, [1], [0], true));
    }
    show("BoxBOD.dat", 1, digits(&file("BoxBOD.dat"), 1, [1], [0], true));
    assert!(fewest >= 6.0, "{fewest} digits");
}
