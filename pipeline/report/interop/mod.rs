//! For other systems: FHIR R4, HL7 v2.5.1, NIfTI, a line for a table. Each says what the result document says.

pub mod fhir;
pub mod hl7;
pub mod nifti;
pub mod table;
