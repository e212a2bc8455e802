//! Colours. The table for R2* is computed, not taken: even steps in a perceptual space, lightness rising all the way,
//! so that order survives colour blindness and a greyscale printer.

use std::sync::OnceLock;

/// Red, green, blue.
pub type Rgb = [u8; 3];

/// Colours of the dark picture.
pub mod dark {
    /// Behind everything.
    pub const GROUND: &str = "#15191e";
    /// Panels.
    pub const PANEL: &str = "#1f252c";
    /// Thin lines.
    pub const LINE: &str = "#47515c";
    /// Text that must be read.
    pub const TEXT: &str = "#f2f4f5";
    /// Text that explains.
    pub const QUIET: &str = "#b3bdc6";
    /// The region's outline and its histogram.
    pub const REGION: &str = "#5fd0ff";
    /// The fitted curve.
    pub const FIT: &str = "#ffb454";
    /// The noise floor.
    pub const FLOOR: &str = "#c3a6ff";
}

/// Colours of the white page.
pub mod light {
    /// Text that must be read.
    pub const TEXT: &str = "#14181c";
    /// Text that explains.
    pub const QUIET: &str = "#56616b";
    /// Thin lines.
    pub const LINE: &str = "#c9d0d6";
    /// Fill behind groups.
    pub const PANEL: &str = "#f1f4f6";
    /// Points and curves.
    pub const MARK: &str = "#0b5d8a";
    /// A second curve.
    pub const SECOND: &str = "#a14a00";
}

/// Steps of the table.
pub const STEPS: usize = 256;

/// The R2* table: from deep indigo through rose to straw.
pub fn table() -> &'static [Rgb; STEPS] {
    static TABLE: OnceLock<[Rgb; STEPS]> = OnceLock::new();
    TABLE.get_or_init(|| {
        const FINE: usize = 4096;
        let path: Vec<[f64; 3]> = (0..=FINE).map(|i| along(i as f64 / FINE as f64)).collect();
        let mut length = vec![0.0];
        for pair in path.windows(2) {
            length.push(length[length.len() - 1] + distance(pair[0], pair[1]));
        }
        let total = length[FINE];
        let mut table = [[0; 3]; STEPS];
        let mut at = 0;
        for (step, colour) in table.iter_mut().enumerate() {
            let wanted = total * step as f64 / (STEPS - 1) as f64;
            while at < FINE && length[at] < wanted {
                at += 1;
            }
            *colour = to_srgb(path[at]);
        }
        table
    })
}

/// The colour of a value between 0 and 1; outside, the nearest end.
pub fn of_fraction(fraction: f64) -> Rgb {
    let step = (fraction.clamp(0.0, 1.0) * (STEPS - 1) as f64).round();
    table()[step as usize]
}

/// The colour of a reason of exclusion. Lightness differs from neighbour to neighbour as well as hue.
pub fn of_exclusion(code: u8) -> Rgb {
    const REASONS: [Rgb; 9] = [
        [86, 156, 255],
        [255, 209, 71],
        [255, 110, 94],
        [150, 224, 214],
        [198, 120, 255],
        [255, 160, 207],
        [240, 240, 240],
        [158, 108, 62],
        [112, 199, 66],
    ];
    REASONS[usize::from(code.saturating_sub(1)) % REASONS.len()]
}

/// `#rrggbb`.
pub fn hex(colour: Rgb) -> String {
    format!("#{:02x}{:02x}{:02x}", colour[0], colour[1], colour[2])
}

/// A point of the path in OKLab (Ottosson 2020): lightness rises evenly, hue turns from indigo over rose to straw.
fn along(t: f64) -> [f64; 3] {
    let lightness = 0.22 + 0.72 * t;
    let hue = (282.0 + 180.0 * t).to_radians();
    // Less chroma at both ends keeps the path inside what a screen can show.
    let chroma = 0.075 + 0.10 * libm::sin(std::f64::consts::PI * t.clamp(0.0, 1.0));
    [lightness, chroma * libm::cos(hue), chroma * libm::sin(hue)]
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    let square: f64 = a.iter().zip(b).map(|(x, y)| (x - y) * (x - y)).sum();
    square.sqrt()
}

/// OKLab to sRGB, clipped to what a screen can show.
fn to_srgb([l, a, b]: [f64; 3]) -> Rgb {
    let cube = |x: f64| x * x * x;
    let long = cube(l + 0.3963377774 * a + 0.2158037573 * b);
    let medium = cube(l - 0.1055613458 * a - 0.0638541728 * b);
    let short = cube(l - 0.0894841775 * a - 1.2914855480 * b);
    let linear = [
        4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
        -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
        -0.0041960863 * long - 0.7034186147 * medium + 1.7076147010 * short,
    ];
    linear.map(|c| {
        let c = c.clamp(0.0, 1.0);
        let encoded = if c <= 0.0031308 { 12.92 * c } else { 1.055 * libm::pow(c, 1.0 / 2.4) - 0.055 };
        (encoded * 255.0).round() as u8
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn linear(c: u8) -> f64 {
        let c = f64::from(c) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { libm::pow((c + 0.055) / 1.055, 2.4) }
    }

    /// Relative luminance (ITU-R BT.709).
    fn luminance(colour: [f64; 3]) -> f64 {
        0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2]
    }

    /// Order must survive a greyscale printer and both common kinds of colour blindness (projections of Viénot,
    /// Brettel and Mollon, Color Res Appl 1999;24:243, matrices from memory).
    #[test]
    fn lightness_rises_all_the_way_for_every_eye() {
        let full: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        let protan = [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]];
        let deutan = [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]];
        for (name, eye) in [("full", full), ("protan", protan), ("deutan", deutan)] {
            let seen: Vec<f64> = table()
                .iter()
                .map(|&c| {
                    let c = c.map(linear);
                    luminance(eye.map(|row| row[0] * c[0] + row[1] * c[1] + row[2] * c[2]))
                })
                .collect();
            // Sixteen steps apart, a twentieth of the bar: the rounding to bytes must not matter.
            for (a, b) in seen.iter().zip(&seen[16..]) {
                assert!(b > &(a * 1.02 + 0.0005), "{name}: {a} then {b}");
            }
        }
    }

    #[test]
    fn steps_are_even() {
        let fine: Vec<f64> = (0..64).map(|i| distance(along(i as f64 / 64.0), along((i + 1) as f64 / 64.0))).collect();
        let longest = fine.iter().copied().fold(0.0, f64::max);
        let shortest = fine.iter().copied().fold(1.0, f64::min);
        assert!(longest / shortest < 2.0, "the path itself is not wild: {shortest} to {longest}");
        assert_eq!(table()[0], to_srgb(along(0.0)));
        assert_eq!(table()[255], to_srgb(along(1.0)));
    }
}
