//! Plan files under every small edit: a byte changed, a key taken out, added, or given twice.
//! A file is refused unless what it says is unchanged or only what never alters a decision has changed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, missing_docs)]

#[path = "small_plans.rs"]
mod small_plans;

use serde_json::Value;
use small_plans::plans;
use stopline::Code;
use stopline::plan::Plan;

/// Keys that belong to people and embedders.
const FREE: [&str; 3] = ["about", "host", "made_by"];

/// What decides, in one form whatever the spelling.
fn deciding(text: &str) -> Option<Value> {
    let mut value: Value = serde_json::from_str(text).ok()?;
    let object = value.as_object_mut()?;
    for free in FREE {
        object.remove(free)?;
    }
    Some(value)
}

/// Numbers may be spelt another way or differ in the last places of what is recomputed.
fn same(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Number(a), Value::Number(b)) => a.as_f64() == b.as_f64(),
        (Value::Array(a), Value::Array(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b)),
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len() && a.iter().all(|(key, a)| b.get(key).is_some_and(|b| same(a, b)))
        }
        (a, b) => a == b,
    }
}

#[test]
fn every_changed_byte_that_decides_is_refused() {
    for plan in plans() {
        let text = plan.to_json().unwrap();
        let whole = deciding(&text).unwrap();
        let (mut refused, mut read) = (0, 0);
        for at in 0..text.len() {
            for to in [b'0', b'1', b'7', b'9', b'-', b'e', b'x', b' ', b'"'] {
                let mut bytes = text.clone().into_bytes();
                if bytes[at] == to {
                    continue;
                }
                bytes[at] = to;
                let Ok(changed) = String::from_utf8(bytes) else { continue };
                match Plan::from_json(&changed) {
                    Err(_) => refused += 1,
                    Ok(other) => {
                        let now = deciding(&changed).unwrap();
                        assert!(same(&whole, &now), "byte {at} as {} was read:\n{changed}", char::from(to));
                        assert_eq!(other.digest(), plan.digest());
                        assert_eq!(other.lines(), plan.lines());
                        read += 1;
                    }
                }
            }
        }
        assert!(refused > 1000 && read > 10, "{refused} refused, {read} read");
    }
}

/// Every object in `value`, as the keys that lead there.
fn objects(value: &Value, path: &str, found: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            found.push(path.to_owned());
            for (key, value) in object {
                objects(value, &format!("{path}/{key}"), found);
            }
        }
        Value::Array(values) => {
            for (i, value) in values.iter().enumerate() {
                objects(value, &format!("{path}/{i}"), found);
            }
        }
        _ => {}
    }
}

#[test]
fn keys_taken_out_added_or_given_twice_are_refused() {
    for plan in plans() {
        let whole: Value = serde_json::from_str(&plan.to_json().unwrap()).unwrap();
        let mut places = Vec::new();
        objects(&whole, "", &mut places);
        for place in places.iter().filter(|p| !p.starts_with("/host")) {
            let object = whole.pointer(place).unwrap().as_object().unwrap();
            let refused = |text: &str, what: &str| match Plan::from_json(text) {
                Ok(_) => panic!("{what} at '{place}' was read:\n{text}"),
                Err(e) => assert!(
                    matches!(e.code(), Code::PlanFormat | Code::PlanEdited | Code::PlanVersion),
                    "{what} at '{place}': {e}"
                ),
            };
            for key in object.keys() {
                let mut edited = whole.clone();
                edited.pointer_mut(place).unwrap().as_object_mut().unwrap().remove(key);
                refused(&edited.to_string(), &format!("without '{key}'"));
                // The same key again with the same value: written by hand, since maps hold a key once.
                let mark = "\u{1}twice";
                let mut edited = whole.clone();
                let again = edited.pointer_mut(place).unwrap().as_object_mut().unwrap();
                again.insert(mark.to_owned(), object[key].clone());
                let text = edited.to_string().replace("\\u0001twice", key);
                refused(&text, &format!("'{key}' twice"));
            }
            let mut edited = whole.clone();
            edited.pointer_mut(place).unwrap().as_object_mut().unwrap().insert("unknown".into(), Value::Null);
            refused(&edited.to_string(), "an unknown key");
        }
    }
}

#[test]
fn what_people_and_embedders_keep_never_alters_a_plan() {
    for plan in plans() {
        let mut file: Value = serde_json::from_str(&plan.to_json().unwrap()).unwrap();
        file["about"]["title"] = "Larkmoor, Lapwing field".into();
        file["host"] = serde_json::json!({"colour": [1, null, {"nested": true}]});
        file["made_by"]["version"] = "0.0.9".into();
        let read = Plan::from_json(&file.to_string()).unwrap();
        assert_eq!((read.digest(), read.lines()), (plan.digest(), plan.lines()));
        let again: Value = serde_json::from_str(&read.to_json().unwrap()).unwrap();
        assert_eq!(again["host"], file["host"]);
        assert_eq!(again["about"], file["about"]);
    }
}
