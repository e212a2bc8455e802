//! A DICOM association as the requestor (PS3.8 7.1 and 9.3), over any connection.

use super::wire::Wire;
use dicom_ul::pdu::{
    AbortRQSource, AssociationRQ, PresentationContextProposed, PresentationContextResultReason, UserVariableItem,
    read_pdu, write_pdu,
};
use dicom_ul::{IMPLEMENTATION_CLASS_UID, IMPLEMENTATION_VERSION_NAME, Pdu};
use std::io;

/// DICOM's only application context (PS3.7 A.2.1).
const APPLICATION_CONTEXT: &str = "1.2.840.10008.3.1.1.1";
/// Longest PDU we ask for; answers are short.
const LONGEST_PDU: u32 = 16 * 1024;
/// What a peer that names no limit is sent at most.
const NO_LIMIT: u32 = u32::MAX;
/// A peer that sends more than this without ending a PDU is not answering us.
const LONGEST_UNREAD: usize = 1 << 20;

/// An established association.
pub(super) struct Association {
    wire: Box<dyn Wire>,
    unread: Vec<u8>,
    contexts: Vec<Context>,
    largest: u32,
}

/// An accepted presentation context.
pub(super) struct Context {
    pub id: u8,
    pub class: String,
    pub syntax: String,
}

/// Why there is no association.
pub(super) enum Fault {
    /// It takes none of the classes.
    NothingAccepted,
    /// It cannot be used now; for a person.
    Away(String),
}

impl Association {
    /// Asks for these classes, each in any of these transfer syntaxes.
    pub fn establish(
        wire: Box<dyn Wire>,
        [calling, called]: [&str; 2],
        classes: impl IntoIterator<Item = impl Into<String>>,
        syntaxes: &[&str],
    ) -> Result<Self, Fault> {
        let propose = |(id, class): (u8, _)| PresentationContextProposed {
            id,
            abstract_syntax: class,
            transfer_syntaxes: syntaxes.iter().map(|&syntax| syntax.to_owned()).collect(),
        };
        // Identifiers are odd (PS3.8 9.3.2.2).
        let proposed: Vec<_> = (1u8..).step_by(2).zip(classes.into_iter().map(Into::into)).map(propose).collect();
        let mut association = Self { wire, unread: Vec::new(), contexts: Vec::new(), largest: NO_LIMIT };
        let request = Pdu::AssociationRQ(AssociationRQ {
            protocol_version: 1,
            calling_ae_title: calling.to_owned(),
            called_ae_title: called.to_owned(),
            application_context_name: APPLICATION_CONTEXT.to_owned(),
            presentation_contexts: proposed.clone(),
            user_variables: vec![
                UserVariableItem::MaxLength(LONGEST_PDU),
                UserVariableItem::ImplementationClassUID(IMPLEMENTATION_CLASS_UID.to_owned()),
                UserVariableItem::ImplementationVersionName(IMPLEMENTATION_VERSION_NAME.to_owned()),
            ],
        });
        association.send(&request).map_err(Fault::Away)?;
        let answer = match association.receive().map_err(Fault::Away)? {
            Pdu::AssociationAC(answer) => answer,
            Pdu::AssociationRJ(_) => {
                return Err(Fault::Away("it rejects the association; see the AE titles".to_owned()));
            }
            _ => return Err(Fault::Away("the association broke".to_owned())),
        };
        for item in &answer.user_variables {
            if let UserVariableItem::MaxLength(limit) = item {
                association.largest = if *limit == 0 { NO_LIMIT } else { *limit };
            }
        }
        for result in answer.presentation_contexts {
            let asked = proposed.iter().find(|asked| asked.id == result.id);
            if let Some(asked) = asked.filter(|_| result.reason == PresentationContextResultReason::Acceptance) {
                let syntax = result.transfer_syntax.trim_end_matches('\0').to_owned();
                association.contexts.push(Context { id: asked.id, class: asked.abstract_syntax.clone(), syntax });
            }
        }
        if association.contexts.is_empty() {
            association.abort();
            return Err(Fault::NothingAccepted);
        }
        Ok(association)
    }

    /// What was accepted.
    pub fn contexts(&self) -> &[Context] {
        &self.contexts
    }

    /// The longest PDU the peer takes.
    pub fn largest(&self) -> u32 {
        self.largest
    }

    /// Sends one PDU.
    pub fn send(&mut self, pdu: &Pdu) -> Result<(), String> {
        let mut bytes = Vec::new();
        write_pdu(&mut bytes, pdu).map_err(|_| "the request cannot be written".to_owned())?;
        self.wire.write_all(&bytes).and_then(|()| self.wire.flush()).map_err(|error| broken(&error))
    }

    /// The next PDU; an abort is an error.
    pub fn receive(&mut self) -> Result<Pdu, String> {
        let mut buffer = [0; 4096];
        loop {
            let mut rest = self.unread.as_slice();
            let pdu = read_pdu(&mut rest, LONGEST_PDU, false).map_err(|_| "the association broke".to_owned())?;
            if let Some(pdu) = pdu {
                let used = self.unread.len() - rest.len();
                self.unread.drain(..used);
                return match pdu {
                    Pdu::AbortRQ { .. } => Err("it aborted the association".to_owned()),
                    pdu => Ok(pdu),
                };
            }
            match self.wire.read(&mut buffer) {
                Ok(0) => return Err("it closed the connection".to_owned()),
                Ok(read) => self.unread.extend_from_slice(buffer.get(..read).unwrap_or_default()),
                Err(error) => return Err(broken(&error)),
            }
            if self.unread.len() > LONGEST_UNREAD {
                return Err("the association broke".to_owned());
            }
        }
    }

    /// Ends it in order. Everything has its end already, so that nothing depends on the answer.
    pub fn release(mut self) {
        let _ = self.send(&Pdu::ReleaseRQ).and_then(|()| self.receive());
    }

    /// Breaks it off.
    pub fn abort(mut self) {
        let _ = self.send(&Pdu::AbortRQ { source: AbortRQSource::ServiceUser });
    }
}

/// Why a connection could not be used, without anything the peer wrote.
fn broken(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut => "no answer in time".to_owned(),
        io::ErrorKind::UnexpectedEof | io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe => {
            "it closed the connection".to_owned()
        }
        kind => format!("the association broke: {kind}"),
    }
}
