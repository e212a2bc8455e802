//! Reading: formats, grouping, scaling, hostile input.

mod files;
mod shared_data;
