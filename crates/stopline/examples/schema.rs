//! Prints the JSON schema of a plan file, or with `walk` that of the lines of a walk's log.

use std::io::Write;

fn main() -> std::io::Result<()> {
    let walk = std::env::args().nth(1).is_some_and(|what| what == "walk");
    let schema = if walk { stopline::decide::log_schema() } else { stopline::plan::schema() };
    std::io::stdout().write_all(schema.as_bytes())
}
