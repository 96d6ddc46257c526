//! The JSON schema of a plan file: printed by an example of the core, kept beside it.

use crate::kit::{Halt, Kit, Ran, need, printed};
use std::fs;

const FILE: &str = "crates/stopline/schema/plan.schema.json";

/// Writes the schema, or compares the committed one with it.
pub fn run(kit: &Kit, check: bool) -> Ran {
    need(kit.root.join("crates/stopline/examples/schema.rs").exists(), "crates/stopline/examples/schema.rs is absent")?;
    let text = printed(&mut kit.cargo(["run", "--quiet", "-p=stopline", "--features=schema", "--example=schema"]))?;
    let path = kit.root.join(FILE);
    if check {
        let same = fs::read_to_string(&path).is_ok_and(|committed| committed == text);
        return if same {
            Ok(())
        } else {
            Err(Halt::Failed(format!("{FILE} is not what `cargo xtask schema` writes")))
        };
    }
    fs::create_dir_all(path.parent().unwrap_or(&kit.root))?;
    fs::write(&path, text)?;
    eprintln!("wrote {FILE}");
    Ok(())
}
