//! The digital phantom behind `simulate`, `demo` and the tests. Never imports `fit`: one mistake must not sit on both sides of a test.
