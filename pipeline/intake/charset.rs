//! Character sets (PS3.5 section 6.1, PS3.3 section C.12.1.1.2): what Specific Character Set names, and the
//! code extensions of ISO 2022 that switch between them inside one value.

use encoding_rs::Encoding;
use std::borrow::Cow;

/// A set of characters that bytes can be in.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Set {
    Ascii,
    Latin1,
    /// JIS X 0201: ASCII with yen and overline below, half-width katakana above.
    Katakana,
    /// One byte a character, or a multi-byte encoding that needs no escapes.
    Table(&'static Encoding),
    /// Two bytes of seven bits, to be read with this prefix and the top bits set.
    JisX0208,
    JisX0212,
    /// Two bytes of eight bits.
    Korean,
    Chinese,
}

/// What Specific Character Set says.
#[derive(Clone, Debug)]
pub struct Charset {
    first: Set,
    extended: bool,
    unknown: Option<String>,
}

impl Default for Charset {
    fn default() -> Self {
        Self { first: Set::Ascii, extended: false, unknown: None }
    }
}

/// Escape sequences and the set each brings in; the first byte after ESC decides between the lower
/// half (`(`, `$B`, `$(`) and the upper half (`)`, `-`, `$)`) of the code table.
const ESCAPES: &[(&[u8], bool, Set)] = &[
    (b"(B", false, Set::Ascii),
    (b"(J", false, Set::Katakana),
    (b")I", true, Set::Katakana),
    (b"-A", true, Set::Latin1),
    (b"-B", true, Set::Table(encoding_rs::ISO_8859_2)),
    (b"-C", true, Set::Table(encoding_rs::ISO_8859_3)),
    (b"-D", true, Set::Table(encoding_rs::ISO_8859_4)),
    (b"-L", true, Set::Table(encoding_rs::ISO_8859_5)),
    (b"-G", true, Set::Table(encoding_rs::ISO_8859_6)),
    (b"-F", true, Set::Table(encoding_rs::ISO_8859_7)),
    (b"-H", true, Set::Table(encoding_rs::ISO_8859_8)),
    (b"-M", true, Set::Table(encoding_rs::WINDOWS_1254)),
    (b"-b", true, Set::Table(encoding_rs::ISO_8859_15)),
    (b"-T", true, Set::Table(encoding_rs::WINDOWS_874)),
    (b"$B", false, Set::JisX0208),
    (b"$(D", false, Set::JisX0212),
    (b"$)C", true, Set::Korean),
    (b"$)A", true, Set::Chinese),
];

fn named(term: &str) -> Option<Set> {
    // "ISO 2022 IR 100" and "ISO_IR 100" name the same characters.
    let plain = term.replace("ISO 2022 IR ", "ISO_IR ").replace("ISO_IR_", "ISO_IR ");
    Some(match plain.as_str() {
        "" | "ISO_IR 6" => Set::Ascii,
        "ISO_IR 100" => Set::Latin1,
        "ISO_IR 101" => Set::Table(encoding_rs::ISO_8859_2),
        "ISO_IR 109" => Set::Table(encoding_rs::ISO_8859_3),
        "ISO_IR 110" => Set::Table(encoding_rs::ISO_8859_4),
        "ISO_IR 144" => Set::Table(encoding_rs::ISO_8859_5),
        "ISO_IR 127" => Set::Table(encoding_rs::ISO_8859_6),
        "ISO_IR 126" => Set::Table(encoding_rs::ISO_8859_7),
        "ISO_IR 138" => Set::Table(encoding_rs::ISO_8859_8),
        "ISO_IR 148" => Set::Table(encoding_rs::WINDOWS_1254),
        "ISO_IR 203" => Set::Table(encoding_rs::ISO_8859_15),
        "ISO_IR 166" => Set::Table(encoding_rs::WINDOWS_874),
        "ISO_IR 13" => Set::Katakana,
        "ISO_IR 192" => Set::Table(encoding_rs::UTF_8),
        "GB18030" => Set::Table(encoding_rs::GB18030),
        "GBK" => Set::Table(encoding_rs::GBK),
        "ISO_IR 87" => Set::JisX0208,
        "ISO_IR 159" => Set::JisX0212,
        "ISO_IR 149" => Set::Korean,
        "ISO_IR 58" => Set::Chinese,
        _ => return None,
    })
}

impl Charset {
    /// From the values of Specific Character Set. The first is in force where a value begins; more than one,
    /// or one of the ISO 2022 kind, allows escapes.
    pub fn new(terms: &[String]) -> Self {
        let sets: Vec<Option<Set>> = terms.iter().map(|t| named(t)).collect();
        let unknown = terms.iter().zip(&sets).find(|(_, set)| set.is_none()).map(|(term, _)| term.clone());
        let extended = terms.len() > 1 || terms.iter().any(|t| t.starts_with("ISO 2022"));
        let first = sets.first().copied().flatten().unwrap_or(Set::Ascii);
        // A multi-byte set of seven bits cannot be in force without its escape.
        let first = if matches!(first, Set::JisX0208 | Set::JisX0212) { Set::Ascii } else { first };
        Self { first, extended, unknown }
    }

    /// A term that is not one of the standard's.
    pub fn unknown(&self) -> Option<&str> {
        self.unknown.as_deref()
    }

    /// Bytes of a value as text. What is in no known set becomes U+FFFD.
    pub fn decode<'a>(&self, bytes: &'a [u8], vr: &[u8; 2]) -> Cow<'a, str> {
        if bytes.is_ascii() && !bytes.contains(&0x1B) {
            return String::from_utf8_lossy(bytes);
        }
        if !self.extended {
            return match self.first {
                // Default repertoire with upper bytes: many exports say nothing and write UTF-8.
                Set::Ascii => String::from_utf8_lossy(bytes),
                Set::Table(encoding) => encoding.decode_without_bom_handling(bytes).0,
                set => Cow::Owned(bytes.iter().map(|&b| single(set, b)).collect()),
            };
        }
        Cow::Owned(self.decode_extended(bytes, vr))
    }

    fn decode_extended(&self, bytes: &[u8], vr: &[u8; 2]) -> String {
        let mut out = String::new();
        let initial = if self.first == Set::Katakana { Set::Katakana } else { Set::Ascii };
        let (mut lower, mut upper) = (initial, self.first);
        let mut rest = bytes;
        while let Some((&byte, tail)) = rest.split_first() {
            if byte == 0x1B {
                let known = ESCAPES.iter().find(|(escape, ..)| tail.starts_with(escape));
                rest = match known {
                    Some(&(escape, is_upper, set)) => {
                        *(if is_upper { &mut upper } else { &mut lower }) = set;
                        tail.get(escape.len()..).unwrap_or_default()
                    }
                    None => {
                        out.push(char::REPLACEMENT_CHARACTER);
                        tail
                    }
                };
                continue;
            }
            let two_bytes = matches!(lower, Set::JisX0208 | Set::JisX0212) && (0x21..=0x7E).contains(&byte);
            let set = if byte < 0x80 { lower } else { upper };
            let wide = two_bytes || (byte >= 0x80 && matches!(set, Set::Korean | Set::Chinese));
            if wide && let Some((&second, after)) = tail.split_first() {
                out.push_str(&pair(set, byte, second));
                rest = after;
                continue;
            }
            out.push(single(set, byte));
            // Delimiters bring back the first set (PS3.5 section 6.1.2.5.3).
            let delimits =
                matches!(byte, b'\\' | b'\r' | b'\n' | 0x0C | b'\t') || (vr == b"PN" && matches!(byte, b'^' | b'='));
            if delimits {
                (lower, upper) = (initial, self.first);
            }
            rest = tail;
        }
        out
    }
}

/// A character of one byte.
fn single(set: Set, byte: u8) -> char {
    match (set, byte) {
        (Set::Katakana, 0xA1..=0xDF) => {
            char::from_u32(0xFF61 + u32::from(byte) - 0xA1).unwrap_or(char::REPLACEMENT_CHARACTER)
        }
        // The backslash of this set prints as yen but separates values all the same.
        (_, 0..0x80) => char::from(byte),
        (Set::Latin1, _) => char::from(byte),
        (Set::Table(encoding), _) => {
            let bytes = [byte];
            let (text, _) = encoding.decode_without_bom_handling(&bytes);
            text.chars().next().unwrap_or(char::REPLACEMENT_CHARACTER)
        }
        _ => char::REPLACEMENT_CHARACTER,
    }
}

/// A character of two bytes. The seven-bit sets are the EUC code with its top bits off.
fn pair(set: Set, first: u8, second: u8) -> String {
    let (encoding, bytes): (_, Vec<u8>) = match set {
        Set::JisX0208 => (encoding_rs::EUC_JP, vec![first | 0x80, second | 0x80]),
        Set::JisX0212 => (encoding_rs::EUC_JP, vec![0x8F, first | 0x80, second | 0x80]),
        Set::Korean => (encoding_rs::EUC_KR, vec![first, second]),
        _ => (encoding_rs::GBK, vec![first, second]),
    };
    encoding.decode_without_bom_handling(&bytes).0.into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn charset(terms: &[&str]) -> Charset {
        Charset::new(&terms.iter().map(|t| (*t).to_owned()).collect::<Vec<_>>())
    }

    /// The worked examples of PS3.5 annexes H.3.1, H.3.2, I.2 and J.1 (byte values as printed there).
    #[test]
    fn names_of_the_standards_examples() {
        let japanese = b"Yamada^Tarou=\x1b$B;3ED\x1b(B^\x1b$BB@O:\x1b(B=\x1b$B$d$^$@\x1b(B^\x1b$B$?$m$&\x1b(B";
        assert_eq!(charset(&["", "ISO 2022 IR 87"]).decode(japanese, b"PN"), "Yamada^Tarou=山田^太郎=やまだ^たろう");
        let katakana = b"\xd4\xcf\xc0\xde^\xc0\xdb\xb3=\x1b$B;3ED\x1b(J^\x1b$BB@O:\x1b(J";
        assert_eq!(charset(&["ISO 2022 IR 13", "ISO 2022 IR 87"]).decode(katakana, b"PN"), "ﾔﾏﾀﾞ^ﾀﾛｳ=山田^太郎");
        let korean = b"Hong^Gildong=\x1b$)C\xfb\xf3^\x1b$)C\xd1\xce\xd4\xd7=\x1b$)C\xc8\xab^\x1b$)C\xb1\xe6\xb5\xbf";
        assert_eq!(charset(&["", "ISO 2022 IR 149"]).decode(korean, b"PN"), "Hong^Gildong=洪^吉洞=홍^길동");
        let chinese = b"Wang^XiaoDong=\xcd\xf5^\xd0\xa1\xb6\xab";
        assert_eq!(charset(&["GB18030"]).decode(chinese, b"PN"), "Wang^XiaoDong=王^小东");
        assert_eq!(charset(&["ISO_IR 144"]).decode(b"\xbb\xee\xda\xe1", b"LO"), "Люкс");
        assert_eq!(charset(&["ISO_IR 100"]).decode(b"Buc^J\xe9r\xf4me", b"PN"), "Buc^Jérôme");
    }

    #[test]
    fn what_cannot_be_decoded_is_marked_and_never_an_escape() {
        let unknown = charset(&["ISO_IR 999"]);
        assert_eq!(unknown.unknown(), Some("ISO_IR 999"));
        for text in [b"\x1b$Z\xff".as_slice(), b"\x1b$B;", b"\x1b", b"\x1b$)C\xfb"] {
            let decoded = charset(&["", "ISO 2022 IR 87"]).decode(text, b"PN").into_owned();
            assert!(!decoded.contains('\u{1b}'), "{decoded:?}");
        }
    }
}
