//! The liver: found automatically, supplied or amended. Pure.
