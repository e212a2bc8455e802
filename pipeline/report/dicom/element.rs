//! Elements of a data set in few words. Text is cut to what its representation holds and cannot break out of it.

use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;

/// A code with its scheme and meaning.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Code {
    /// Code Value, at most 16 characters.
    pub value: String,
    /// Coding Scheme Designator.
    pub scheme: &'static str,
    /// Code Meaning.
    pub meaning: String,
}

/// A data set under construction.
#[derive(Clone, Debug)]
pub struct Set(InMemDicomObject);

impl Default for Set {
    fn default() -> Self {
        Self(InMemDicomObject::new_empty())
    }
}

impl Set {
    /// An empty one.
    pub fn new() -> Self {
        Self::default()
    }

    /// One text value.
    pub fn text(&mut self, tag: Tag, vr: VR, value: &str) -> &mut Self {
        self.put(tag, vr, PrimitiveValue::from(clean(vr, value)))
    }

    /// A text value that is left out when there is none.
    pub fn text_if(&mut self, tag: Tag, vr: VR, value: Option<&str>) -> &mut Self {
        match value.filter(|v| !v.is_empty()) {
            Some(value) => self.text(tag, vr, value),
            None => self,
        }
    }

    /// A text value that is empty when there is none (type 2).
    pub fn text_or_empty(&mut self, tag: Tag, vr: VR, value: Option<&str>) -> &mut Self {
        match value.filter(|v| !v.is_empty()) {
            Some(value) => self.text(tag, vr, value),
            None => self.put(tag, vr, PrimitiveValue::Empty),
        }
    }

    /// Several text values.
    pub fn texts(&mut self, tag: Tag, vr: VR, values: &[&str]) -> &mut Self {
        let values = values.iter().map(|v| clean(vr, v)).collect();
        self.put(tag, vr, PrimitiveValue::Strs(values))
    }

    /// Decimal strings.
    pub fn decimals(&mut self, tag: Tag, values: &[f64]) -> &mut Self {
        let values = values.iter().map(|&v| decimal(v)).collect();
        self.put(tag, VR::DS, PrimitiveValue::Strs(values))
    }

    /// An integer string.
    pub fn integer(&mut self, tag: Tag, value: i64) -> &mut Self {
        self.put(tag, VR::IS, PrimitiveValue::from(value.to_string()))
    }

    /// An unsigned short.
    pub fn short(&mut self, tag: Tag, value: u16) -> &mut Self {
        self.put(tag, VR::US, PrimitiveValue::from(value))
    }

    /// Any value.
    pub fn put(&mut self, tag: Tag, vr: VR, value: PrimitiveValue) -> &mut Self {
        self.0.put(DataElement::new(tag, vr, value));
        self
    }

    /// A sequence.
    pub fn sequence(&mut self, tag: Tag, items: Vec<Set>) -> &mut Self {
        let items: Vec<InMemDicomObject> = items.into_iter().map(|s| s.0).collect();
        self.0.put(DataElement::new(tag, VR::SQ, DataSetSequence::from(items)));
        self
    }

    /// A sequence of one code.
    pub fn code(&mut self, tag: Tag, code: &Code) -> &mut Self {
        self.sequence(tag, vec![code_item(code)])
    }

    /// Whether a coding scheme is used anywhere inside.
    pub fn uses_scheme(&self, scheme: &str) -> bool {
        fn inside(object: &InMemDicomObject, scheme: &str) -> bool {
            object.iter().any(|element| {
                let here = element.header().tag == tags::CODING_SCHEME_DESIGNATOR
                    && element.to_str().is_ok_and(|text| text.trim_end() == scheme);
                here || element.items().is_some_and(|items| items.iter().any(|item| inside(item, scheme)))
            })
        }
        inside(&self.0, scheme)
    }

    /// The data set itself.
    pub fn into_object(self) -> InMemDicomObject {
        self.0
    }
}

/// An item holding one code.
pub fn code_item(code: &Code) -> Set {
    let mut item = Set::new();
    item.text(tags::CODE_VALUE, VR::SH, &code.value).text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, code.scheme).text(
        tags::CODE_MEANING,
        VR::LO,
        &code.meaning,
    );
    item
}

/// A text fit for its representation: no control character, no value separator, cut to its length.
fn clean(vr: VR, value: &str) -> String {
    let longest = match vr {
        VR::SH | VR::CS | VR::DS => 16,
        VR::LO | VR::UI => 64,
        VR::ST => 1024,
        VR::LT => 10_240,
        VR::PN => 64 * 3 + 2,
        _ => usize::MAX,
    };
    let multiline = matches!(vr, VR::ST | VR::LT | VR::UT);
    let separates = !multiline;
    let safe = value.chars().map(|c| match c {
        '\n' if multiline => '\n',
        '\\' if separates => '/',
        c if c.is_control() => ' ',
        c => c,
    });
    safe.take(longest).collect::<String>().trim_end().to_owned()
}

/// A number as a decimal string of at most 16 characters: "64", not "64.0", and as exact as fits.
pub fn decimal(value: f64) -> String {
    let shortest = format!("{value}");
    if shortest.len() <= 16 {
        return shortest;
    }
    let trimmed = |text: String| {
        if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
    };
    let size = value.abs();
    // Fixed notation keeps most digits for everyday sizes; the exponent form takes the rest.
    if (1e-4..1e15).contains(&size) {
        for digits in (0..=14).rev() {
            let text = trimmed(format!("{value:.digits$}"));
            if text.len() <= 16 {
                return text;
            }
        }
    }
    for digits in (0..=12).rev() {
        let text = format!("{value:.digits$e}");
        if text.len() <= 16 {
            return text;
        }
    }
    "0".to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_strings_fit_and_stay_close() {
        for value in
            [64.0, 0.1, -160.0, 1.0 / 3.0, -2.0 / 3.0, 212.448_273_645_123_4, 1e-7 / 3.0, 123_456_789_012.345_67, 0.0]
        {
            let text = decimal(value);
            assert!(text.len() <= 16, "{text}");
            let back: f64 = text.parse().unwrap();
            assert!((back - value).abs() <= value.abs() * 1e-8, "{value} became {text}");
        }
        assert_eq!(decimal(64.0), "64");
    }

    #[test]
    fn foreign_text_stays_one_value() {
        assert_eq!(clean(VR::LO, "a\\b\r\nc"), "a/b  c");
        assert_eq!(clean(VR::SH, "12345678901234567890").len(), 16);
        assert_eq!(clean(VR::UT, "a\nb"), "a\nb");
    }
}
