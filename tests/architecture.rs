//! The house rules that a compiler does not hold.
