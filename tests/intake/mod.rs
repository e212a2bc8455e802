//! Reading: formats, grouping, scaling, hostile input.

mod containers;
mod faults;
mod files;
mod grouping;
mod hostile;
mod matrix;
mod properties;
mod shared_data;
mod vendor;
