//! The JSON schema of a plan file: printed by an example of the core, kept beside it.

use crate::kit::{Halt, Kit, Ran, need, output};
use std::fs;

const FILE: &str = "crates/stopline/schema/plan.schema.json";

/// Writes the schema, or compares the committed one with it.
pub fn run(kit: &Kit, check: bool) -> Ran {
    need(kit.root.join("crates/stopline/examples/schema.rs").exists(), "crates/stopline/examples/schema.rs is absent")?;
    let mut print = kit.cargo(["run", "--quiet", "-p", "stopline", "--features=schema", "--example=schema"]);
    let text = output(print.stderr(std::process::Stdio::inherit()));
    let text = text.ok_or_else(|| Halt::Failed("the schema could not be printed".into()))? + "\n";
    let path = kit.root.join(FILE);
    if !check {
        fs::create_dir_all(path.parent().unwrap_or(&kit.root))?;
        fs::write(&path, text)?;
        eprintln!("wrote {FILE}");
        return Ok(());
    }
    if fs::read_to_string(&path).is_ok_and(|committed| committed == text) {
        Ok(())
    } else {
        Err(Halt::Failed(format!("{FILE} is not what the source says: run `cargo xtask schema`")))
    }
}
