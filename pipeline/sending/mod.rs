//! From a published result to other systems: the archive (C-STORE, STOW-RS), the record (FHIR), the interface engine
//! (HL7 over MLLP), a folder. What may leave is decided in [`gate`]; how it leaves, in one file for each way. Nothing
//! here remembers anything: the service's outbox does, and asks again until every object has an end.

mod association;
pub mod destination;
mod dicom;
mod dimse;
mod fallback;
mod folder;
pub mod gate;
mod http;
mod mllp;
mod parcel;
mod stow;
#[cfg(feature = "tls")]
mod trust;
mod wire;

pub use destination::{Destination, Retry, Unreleased, Way};
pub use parcel::{Outcome, Parcel};

/// Sends parcels in order and tells of each, by its index, as soon as its end is known. After [`Outcome::Away`] the
/// rest is not tried.
pub fn deliver(destination: &Destination, parcels: &[Parcel], tell: &mut dyn FnMut(usize, Outcome)) {
    match &destination.way {
        Way::CStore(archive) => dicom::store(archive, destination.timeout, parcels, tell),
        Way::Stow(web) => one_by_one(parcels, tell, |parcel| stow::post(web, destination.timeout, parcel)),
        Way::Fhir(web) => one_by_one(parcels, tell, |parcel| http::post_bundle(web, destination.timeout, parcel)),
        Way::Mllp(engine) => mllp::send(engine, destination.timeout, parcels, tell),
        Way::Folder(folder) => one_by_one(parcels, tell, |parcel| folder::put(&folder.path, parcel)),
    }
}

fn one_by_one(parcels: &[Parcel], tell: &mut dyn FnMut(usize, Outcome), send: impl Fn(&Parcel) -> Outcome) {
    for (index, parcel) in parcels.iter().enumerate() {
        let outcome = send(parcel);
        let away = matches!(outcome, Outcome::Away(_));
        tell(index, outcome);
        if away {
            return;
        }
    }
}
