//! Prints the JSON schema of a plan file.

use std::io::Write;

fn main() -> std::io::Result<()> {
    std::io::stdout().write_all(stopline::plan::schema().as_bytes())
}
