//! The JSON schemas of plan files and of logs of walks: printed by an example of the core, kept beside it.

use crate::kit::{Halt, Kit, Ran, need, printed};
use std::fs;

/// What the example is asked for, and where it is kept.
const FILES: [(&str, &str); 2] =
    [("plan", "crates/stopline/schema/plan.schema.json"), ("walk", "crates/stopline/schema/walk.schema.json")];

/// Writes the schemas, or compares the committed ones with them.
pub fn run(kit: &Kit, check: bool) -> Ran {
    need(kit.root.join("crates/stopline/examples/schema.rs").exists(), "crates/stopline/examples/schema.rs is absent")?;
    for (what, file) in FILES {
        let example = ["run", "--quiet", "-p=stopline", "--features=schema", "--example=schema", "--", what];
        let text = printed(&mut kit.cargo(example))?;
        let path = kit.root.join(file);
        if check {
            if fs::read_to_string(&path).is_ok_and(|committed| committed == text) {
                continue;
            }
            return Err(Halt::Failed(format!("{file} is not what `cargo xtask schema` writes")));
        }
        fs::create_dir_all(path.parent().unwrap_or(&kit.root))?;
        fs::write(&path, text)?;
        eprintln!("wrote {file}");
    }
    Ok(())
}
