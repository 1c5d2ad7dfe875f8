//! Tests of the whole way from bytes to a spectrum.
