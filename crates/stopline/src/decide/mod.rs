//! decide
