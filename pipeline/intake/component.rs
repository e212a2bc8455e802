//! Which part of the complex signal an image shows, and which images are no echo at all.

use super::vendor;
use super::view::View;

/// The part of the complex signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Component {
    /// Modulus.
    Magnitude,
    /// Argument.
    Phase,
    /// Real part.
    Real,
    /// Imaginary part.
    Imaginary,
}

impl Component {
    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Self::Magnitude => "magnitude",
            Self::Phase => "phase",
            Self::Real => "real",
            Self::Imaginary => "imaginary",
        }
    }

    fn of_term(term: &str) -> Option<Self> {
        match term {
            "MAGNITUDE" | "M" | "M_FFE" | "M_SE" | "M_IR" => Some(Self::Magnitude),
            "PHASE" | "P" | "P_FFE" | "PHASE MAP" => Some(Self::Phase),
            "REAL" | "R" | "R_FFE" => Some(Self::Real),
            "IMAGINARY" | "I" | "I_FFE" => Some(Self::Imaginary),
            _ => None,
        }
    }
}

/// The values of Frame Type, or of Image Type where there is none.
pub fn image_type(view: View<'_>) -> Vec<String> {
    let frame = view.texts(0x0008_9007);
    if frame.is_empty() { view.top.texts(0x0008_0008) } else { frame }
}

/// The component: the standard's attribute first, then the vendor's private element, then the words of the
/// image type, each compared whole. An image that says nothing of the kind is magnitude by the standard's
/// default only where it is an original image.
pub fn component(view: View<'_>, image_type: &[String]) -> Option<Component> {
    let stated = view.text(0x0008_9208);
    if let Some(component) = stated.as_deref().and_then(Component::of_term) {
        return Some(component);
    }
    if let Some(component) = vendor::ge::component(view) {
        return Some(component);
    }
    // The first two values say how the image came about, not what it shows.
    let mut terms = image_type.iter().skip(2);
    if let Some(component) = terms.find_map(|t| Component::of_term(t)) {
        return Some(component);
    }
    let original = image_type.first().is_some_and(|t| t == "ORIGINAL");
    let plain = image_type.iter().skip(2).all(|t| matches!(t.as_str(), "" | "OTHER" | "NONE" | "GDC" | "ND" | "NORM"));
    (stated.is_none() && original && plain).then_some(Component::Magnitude)
}

/// Words that mark a picture computed from others, or several slices in one picture.
const NOT_AN_ECHO: &[(&str, &str)] = &[
    ("MPR", "reformatted image"),
    ("MIP", "projection"),
    ("MOSAIC", "several slices in one image"),
    ("VFRAME", "several slices in one image"),
    ("LOCALIZER", "localiser"),
    ("T2_STAR", "computed map"),
    ("T2_STAR_UNI", "computed map"),
    ("T2STAR", "computed map"),
    ("R2_STAR", "computed map"),
    ("R2STAR", "computed map"),
    ("T2 MAP", "computed map"),
    ("T2_STAR MAP", "computed map"),
    ("T2STAR MAP", "computed map"),
    ("R2_STAR MAP", "computed map"),
    ("W", "water or fat image"),
    ("F", "water or fat image"),
    ("WATER", "water or fat image"),
    ("FAT", "water or fat image"),
    ("IP", "water or fat image"),
    ("OP", "water or fat image"),
    ("IN_PHASE", "water or fat image"),
    ("OUT_PHASE", "water or fat image"),
    ("FAT_FRACTION", "computed map"),
    ("FF", "computed map"),
    ("ADD", "sum of images"),
    ("SUB", "difference of images"),
    ("SUBTRACTION", "difference of images"),
];

/// Why this image is no echo of a decay, if it is none.
pub fn set_aside(image_type: &[String]) -> Option<String> {
    match image_type.first().map(String::as_str) {
        Some("DERIVED") => return Some("derived image".to_owned()),
        _ if image_type.get(1).is_some_and(|t| t == "SECONDARY") => return Some("secondary image".to_owned()),
        _ => {}
    }
    let known = |t: &String| NOT_AN_ECHO.iter().find(|(word, _)| word == t);
    image_type.iter().skip(2).find_map(known).map(|(_, reason)| (*reason).to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<String> {
        text.split('\\').map(str::to_owned).collect()
    }

    #[test]
    fn words_are_compared_whole() {
        assert_eq!(set_aside(&words("ORIGINAL\\PRIMARY\\M_FFE\\M\\FFE")), None);
        assert_eq!(set_aside(&words("ORIGINAL\\PRIMARY\\M\\ND\\NORM")), None);
        assert_eq!(set_aside(&words("DERIVED\\PRIMARY\\M")).as_deref(), Some("derived image"));
        assert_eq!(set_aside(&words("ORIGINAL\\PRIMARY\\M\\MOSAIC")).as_deref(), Some("several slices in one image"));
        assert_eq!(set_aside(&words("ORIGINAL\\PRIMARY\\W\\W\\DERIVED")).as_deref(), Some("water or fat image"));
    }
}
