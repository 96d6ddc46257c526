//! evaluate
