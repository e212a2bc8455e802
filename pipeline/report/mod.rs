//! The result document, pictures, pages and DICOM objects. Composing is pure.
