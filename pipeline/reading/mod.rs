//! From R2* to LIC: calibration, uncertainty, measuring range, course over time. Pure.
