//! Transfer syntaxes (PS3.5 annex A, PS3.6 annex A): what is read, what is refused and why.

use super::fault::Fault;
use super::wire::Layout;
use crate::study::text::safe;

/// How pixel data are packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Packing {
    /// Plain numbers.
    Native,
    /// Run lengths (PS3.5 annex G).
    Rle,
    /// JPEG lossless, process 14.
    Jpeg,
    /// JPEG-LS lossless.
    JpegLs,
    /// JPEG 2000 or high-throughput JPEG 2000, reversible.
    Jpeg2000,
}

/// A transfer syntax of the table below, or a lossy one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Syntax {
    /// Its UID.
    pub uid: &'static str,
    /// What a person calls it.
    pub name: &'static str,
    layout: Layout,
    deflated: bool,
    /// How pixels are packed; `None` where that loses information.
    pub packing: Option<Packing>,
}

const EXPLICIT: Layout = Layout { explicit: true, big_endian: false };
const IMPLICIT: Layout = Layout { explicit: false, big_endian: false };
const BIG: Layout = Layout { explicit: true, big_endian: true };

const fn row(uid: &'static str, name: &'static str, layout: Layout, packing: Option<Packing>) -> Syntax {
    Syntax { uid, name, layout, deflated: false, packing }
}

/// Every syntax whose data set can be read.
pub const SYNTAXES: &[Syntax] = &[
    row("1.2.840.10008.1.2", "implicit little endian", IMPLICIT, Some(Packing::Native)),
    row("1.2.840.10008.1.2.1", "explicit little endian", EXPLICIT, Some(Packing::Native)),
    row("1.2.840.10008.1.2.2", "explicit big endian", BIG, Some(Packing::Native)),
    Syntax {
        uid: "1.2.840.10008.1.2.1.99",
        name: "deflated explicit little endian",
        layout: EXPLICIT,
        deflated: true,
        packing: Some(Packing::Native),
    },
    row("1.2.840.10008.1.2.5", "RLE lossless", EXPLICIT, Some(Packing::Rle)),
    row("1.2.840.10008.1.2.4.57", "JPEG lossless (process 14)", EXPLICIT, Some(Packing::Jpeg)),
    row("1.2.840.10008.1.2.4.70", "JPEG lossless (process 14, selection value 1)", EXPLICIT, Some(Packing::Jpeg)),
    row("1.2.840.10008.1.2.4.80", "JPEG-LS lossless", EXPLICIT, Some(Packing::JpegLs)),
    row("1.2.840.10008.1.2.4.90", "JPEG 2000 lossless", EXPLICIT, Some(Packing::Jpeg2000)),
    row("1.2.840.10008.1.2.4.201", "HTJ2K lossless", EXPLICIT, Some(Packing::Jpeg2000)),
    row("1.2.840.10008.1.2.4.202", "HTJ2K lossless RPCL", EXPLICIT, Some(Packing::Jpeg2000)),
    row("1.2.840.10008.1.2.4.50", "JPEG baseline", EXPLICIT, None),
    row("1.2.840.10008.1.2.4.51", "JPEG extended", EXPLICIT, None),
    row("1.2.840.10008.1.2.4.81", "JPEG-LS near-lossless", EXPLICIT, None),
    row("1.2.840.10008.1.2.4.91", "JPEG 2000", EXPLICIT, None),
    row("1.2.840.10008.1.2.4.203", "HTJ2K", EXPLICIT, None),
    row("1.2.840.10008.1.2.4.112", "JPEG XL", EXPLICIT, None),
];

impl Syntax {
    /// The syntax with this UID.
    pub fn from_uid(uid: &str) -> Result<Self, Fault> {
        SYNTAXES.iter().find(|s| s.uid == uid).copied().ok_or_else(|| {
            let text = format!("transfer syntax {} is not one this program reads", safe(uid, 64));
            Fault::new("unsupported-transfer-syntax", text)
        })
    }

    /// For a data set without file meta information.
    pub fn bare(explicit: bool) -> Self {
        let (uid, name, layout) = if explicit {
            ("1.2.840.10008.1.2.1", "explicit little endian", EXPLICIT)
        } else {
            ("1.2.840.10008.1.2", "implicit little endian", IMPLICIT)
        };
        row(uid, name, layout, Some(Packing::Native))
    }

    /// How elements are laid out.
    pub fn layout(self) -> Layout {
        self.layout
    }

    /// Whether the data set is deflated.
    pub fn deflated(self) -> bool {
        self.deflated
    }
}
