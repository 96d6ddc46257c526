//! The JSON schemas kept beside the core are those of its types. `UPDATE_SCHEMAS=1` writes them anew.

use std::path::Path;

#[test]
fn schemas_are_those_of_the_types() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../crates/stopline/schema");
    let files = [("plan.schema.json", stopline::plan::schema()), ("walk.schema.json", stopline::decide::log_schema())];
    for (name, schema) in files {
        let path = folder.join(name);
        if std::env::var_os("UPDATE_SCHEMAS").is_some() {
            std::fs::write(&path, &schema).unwrap();
        }
        let kept = std::fs::read_to_string(&path).unwrap();
        assert!(kept == schema, "{name} is out of date: UPDATE_SCHEMAS=1 writes it anew");
    }
}
