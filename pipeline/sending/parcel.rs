//! One object on its way, and how that ended.

/// One object to be sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parcel {
    /// What it is, as `result.json` names it under `files`.
    pub purpose: String,
    /// Its file name in the result's folder.
    pub file: String,
    /// Names the result at a folder destination: made of its digest, never of anything in a header.
    pub shelf: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// The UID under which the destination took another form of it before; that form is sent again.
    pub taken_as: Option<String>,
}

/// How an attempt ended. The texts are for a person and hold nothing a receiver said in free words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The destination has it.
    Delivered {
        /// A remark, such as a warning status.
        note: Option<String>,
        /// The UID of the form it took, where that is not the object's own.
        taken_as: Option<String>,
    },
    /// It will not take this object as it is; a person must act.
    Refused(String),
    /// It may take this object later.
    Later(String),
    /// It cannot be reached or takes nothing now; the other objects need not be tried.
    Away(String),
}

impl Outcome {
    /// Delivered as it is, without a remark.
    pub fn delivered() -> Self {
        Self::Delivered { note: None, taken_as: None }
    }
}
