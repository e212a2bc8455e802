//! From stored values to signal, in f64 and from the headers alone. R2* lives on ratios between echoes, so a
//! scale that differs between echoes and is missed is an error in R2* of the same size: where it cannot be
//! established, nothing is scaled.

use super::image::{SLOPE, Scale};
use crate::study::{Finding, Severity, Stage};

/// How values are scaled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// As stored.
    Stored,
    /// Rescale slope and intercept.
    Rescaled,
    /// (stored · slope + intercept) / (slope · scale slope).
    PrivateSlope,
    /// Real-world value mapping.
    RealWorld,
}

impl Mode {
    /// The word in the record.
    pub fn word(self) -> &'static str {
        match self {
            Self::Stored => "stored",
            Self::Rescaled => "rescaled",
            Self::PrivateSlope => "private scale slope",
            Self::RealWorld => "real-world value",
        }
    }

    /// Factor and offset of a frame: signal = stored · factor + offset.
    pub fn line(self, scale: &Scale) -> (f64, f64) {
        let (slope, intercept) = (scale.slope.unwrap_or(1.0), scale.intercept.unwrap_or(0.0));
        match (self, scale.private, scale.real_world) {
            (Self::PrivateSlope, Some(private), _) => (1.0 / private, intercept / (slope * private)),
            (Self::RealWorld, _, Some([slope, intercept])) => (slope, intercept),
            (Self::Stored, ..) => (1.0, 0.0),
            _ => (slope, intercept),
        }
    }
}

/// How many of the frames have something.
enum Share {
    None,
    Some,
    All,
}

fn share(scales: &[&Scale], has: impl Fn(&Scale) -> bool) -> Share {
    match scales.iter().filter(|s| has(s)).count() {
        0 => Share::None,
        n if n == scales.len() => Share::All,
        _ => Share::Some,
    }
}

/// Whether a factor differs by more than rounding.
fn varies(values: impl Iterator<Item = f64>) -> bool {
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    low.is_finite() && (high - low).abs() > 1e-6 * high.abs()
}

/// Decides how the frames of one acquisition and component are scaled, the same way for all of them.
pub fn decide(scales: &[&Scale], needs_private: bool) -> Result<Mode, Finding> {
    let refuse = |what: &str, found: &str| {
        Finding::new(
            Stage::Intake,
            Severity::Stop,
            "scaling-unknown",
            format!("The scaling between echoes cannot be established: {what}."),
        )
        .expected("one scale for all images, or a documented one for each")
        .found(found)
        .attribute(super::dataset::attribute(SLOPE))
        .advice("Export the series again with the scanner's private elements kept.")
    };
    if let Share::Some = share(scales, |s| s.slope.is_some()) {
        return Err(refuse("some images have a rescale slope and some have none", "a slope on some images only"));
    }
    match share(scales, |s| s.private.is_some()) {
        Share::All => return Ok(Mode::PrivateSlope),
        Share::Some => {
            return Err(refuse(
                "some images have the maker's private scale slope and some have none",
                "a private slope on some images only",
            ));
        }
        Share::None => {}
    }
    if let Share::Some = share(scales, |s| s.undocumented.is_some()) {
        return Err(refuse(
            "some images have a private scale factor and some have none",
            "a private factor on some images only",
        ));
    }
    if varies(scales.iter().filter_map(|s| s.undocumented)) {
        return Err(refuse(
            "a private scale factor of unpublished meaning differs between images",
            "factors that differ",
        ));
    }
    let real_world = matches!(share(scales, |s| s.real_world.is_some()), Share::All);
    let rescaled = matches!(share(scales, |s| s.slope.is_some() || s.intercept.is_some()), Share::All);
    let slopes_vary = varies(scales.iter().map(|s| s.slope.unwrap_or(1.0)));
    let ratio = |s: &&Scale| s.real_world.map(|[slope, _]| slope / s.slope.unwrap_or(1.0));
    let agree = !varies(scales.iter().filter_map(ratio));
    match (rescaled, real_world) {
        (false, true) => Ok(Mode::RealWorld),
        (true, true) if !agree && needs_private => Ok(Mode::RealWorld),
        (true, true) if !agree => {
            Err(refuse("rescale slope and real-world mapping contradict each other", "two mappings"))
        }
        _ if needs_private && slopes_vary => Err(refuse(
            "the display scaling differs between images and the maker's private scale slope is missing",
            "rescale slopes that differ",
        )),
        (true, _) => Ok(Mode::Rescaled),
        (false, false) => Ok(Mode::Stored),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scale(slope: f64, private: Option<f64>) -> Scale {
        Scale { slope: Some(slope), intercept: Some(0.0), private, ..Scale::default() }
    }

    #[test]
    fn the_private_slope_undoes_a_display_scale_that_differs() {
        let frames = [scale(2.0, Some(0.5)), scale(5.0, Some(0.25))];
        let frames: Vec<&Scale> = frames.iter().collect();
        let mode = decide(&frames, true).expect("documented");
        assert_eq!((mode, mode.line(frames[0]), mode.line(frames[1])), (Mode::PrivateSlope, (2.0, 0.0), (4.0, 0.0)));
    }

    #[test]
    fn scaling_that_cannot_be_established_is_refused() {
        let refused = |frames: &[Scale], needs| {
            let frames: Vec<&Scale> = frames.iter().collect();
            decide(&frames, needs).expect_err("must refuse").code
        };
        let bare = Scale::default();
        assert_eq!(refused(&[scale(1.0, None), bare.clone()], false), "scaling-unknown");
        assert_eq!(refused(&[scale(1.0, Some(1.0)), scale(1.0, None)], true), "scaling-unknown");
        assert_eq!(refused(&[scale(1.0, None), scale(2.0, None)], true), "scaling-unknown");
        let factor = |f| Scale { undocumented: Some(f), ..Scale::default() };
        assert_eq!(refused(&[factor(1.0), factor(2.0)], false), "scaling-unknown");
        // The same differing slopes are the whole story for makers without a private one.
        let frames = [scale(1.0, None), scale(2.0, None)];
        assert_eq!(decide(&frames.iter().collect::<Vec<_>>(), false), Ok(Mode::Rescaled));
    }
}
