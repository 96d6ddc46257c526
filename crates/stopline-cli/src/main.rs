//! The program `stopline`.
fn main() {}
