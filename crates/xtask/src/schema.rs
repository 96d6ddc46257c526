//! The JSON schema of a plan file: printed by an example of the core, kept beside it.

use crate::kit::{Kit, Ran, need, printed};
use std::fs;

const FILE: &str = "crates/stopline/schema/plan.schema.json";

/// Writes the schema, or compares the committed one with it.
pub fn run(kit: &Kit, check: bool) -> Ran {
    need(kit.root.join("crates/stopline/examples/schema.rs").exists(), "crates/stopline/examples/schema.rs is absent")?;
    let text = printed(&mut kit.cargo(["run", "--quiet", "-p=stopline", "--features=schema", "--example=schema"]))?;
    if check {
        return kit.compare(FILE, &text, "cargo xtask schema");
    }
    let path = kit.root.join(FILE);
    fs::create_dir_all(path.parent().unwrap_or(&kit.root))?;
    fs::write(&path, text)?;
    eprintln!("wrote {FILE}");
    Ok(())
}
