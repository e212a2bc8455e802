//! Image quality measured in numbers that a profile can limit. Pure.
