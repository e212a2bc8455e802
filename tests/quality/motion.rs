//! Motion must be called on simulated motion and not on still data.
