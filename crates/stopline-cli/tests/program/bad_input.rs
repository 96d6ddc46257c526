//! Every bad input is refused with the right exit code and a message that names the thing, its value
//! and what is allowed, in words and as JSON.

use crate::run::{Folder, Ran, TWO_FIELDS, with_plan};
use serde_json::Value;

/// Exit code, stable code, thing, value, part of what is allowed.
type Refusal = (i32, &'static str, &'static str, Option<&'static str>, &'static str);

fn first_error(ran: &Ran) -> Value {
    ran.json()["errors"][0].clone()
}

/// Runs `words` both ways.
#[track_caller]
fn refused(folder: &Folder, words: &str, (exit, code, what, value, allowed): Refusal) {
    let before = folder.names();
    let ran = folder.run(words);
    assert_eq!((ran.code, ran.out.as_str()), (Some(exit), ""), "{words}: {ran:?}");
    for part in [what, value.unwrap_or(""), allowed] {
        assert!(ran.err.starts_with("error: ") && ran.err.contains(part), "{words}: no {part:?} in {}", ran.err);
    }

    let ran = folder.run(&format!("{words} --json"));
    assert_eq!((ran.code, ran.err.as_str()), (Some(exit), ""), "{words}: {ran:?}");
    let e = first_error(&ran);
    assert_eq!(
        (e["code"].as_str(), e["what"].as_str(), e["value"].as_str()),
        (Some(code), Some(what), value),
        "{words}"
    );
    assert!(e["allowed"].as_str().unwrap().contains(allowed), "{words}: {e}");
    let keys: Vec<&String> = e.as_object().unwrap().keys().collect();
    assert_eq!(keys, ["allowed", "code", "column", "file", "message", "row", "value", "what"]);
    assert_eq!(folder.names(), before, "{words} wrote something");
}

const OUT_OF_RANGE: &str = "out_of_range";
const NOT_A_NUMBER: &str = "not_a_number";

#[test]
fn numbers_out_of_range() {
    let folder = Folder::new();
    let positive = "more than 0";
    let cases: &[(&str, &str, Refusal)] = &[
        ("--inadequate", "-1", (2, OUT_OF_RANGE, "--inadequate", Some("-1"), positive)),
        ("--inadequate", "0", (2, OUT_OF_RANGE, "--inadequate", Some("0"), positive)),
        ("--inadequate", "nan", (2, NOT_A_NUMBER, "--inadequate", Some("NaN"), positive)),
        ("--inadequate", "inf", (2, NOT_A_NUMBER, "--inadequate", Some("inf"), positive)),
        ("--inadequate", "-inf", (2, NOT_A_NUMBER, "--inadequate", Some("-inf"), positive)),
        ("--inadequate", "few", (2, NOT_A_NUMBER, "--inadequate", Some("few"), "a number more than 0")),
        ("--adequate", "-2", (2, OUT_OF_RANGE, "--adequate", Some("-2"), positive)),
        ("--adequate", "1e10", (2, OUT_OF_RANGE, "--adequate", Some("10000000000"), "at most 1000000000")),
        ("--inadequate", "2", (2, "thresholds_order", "--inadequate", Some("2"), "less than --adequate, 2")),
        ("--inadequate", "3", (2, "thresholds_order", "--inadequate", Some("3"), "less than --adequate, 2")),
        ("--false-adequate", "0", (2, OUT_OF_RANGE, "--false-adequate", Some("0"), "less than 1")),
        ("--false-adequate", "1", (2, OUT_OF_RANGE, "--false-adequate", Some("1"), "less than 1")),
        ("--false-inadequate", "-0.1", (2, OUT_OF_RANGE, "--false-inadequate", Some("-0.1"), positive)),
        (
            "--false-inadequate",
            "0.9",
            (2, "risks_sum", "--false-adequate + --false-inadequate", Some("1"), "less than 1"),
        ),
        ("--k", "0", (2, OUT_OF_RANGE, "--k", Some("0"), positive)),
        ("--k", "-1.2", (2, OUT_OF_RANGE, "--k", Some("-1.2"), positive)),
        ("--k", "NaN", (2, NOT_A_NUMBER, "--k", Some("NaN"), positive)),
        ("--k", "inf", (2, NOT_A_NUMBER, "--k", Some("inf"), "Poisson")),
        ("--min-sites", "0", (2, OUT_OF_RANGE, "--min-sites", Some("0"), "from 1 to 100000")),
        ("--min-sites", "31", (2, "checks", "--min-sites", Some("31"), "at most --max-sites, 30")),
        ("--max-sites", "-3", (2, OUT_OF_RANGE, "--max-sites", Some("-3"), "from 1 to 100000")),
        ("--max-sites", "2.5", (2, OUT_OF_RANGE, "--max-sites", Some("2.5"), "a whole number")),
        ("--max-sites", "nan", (2, NOT_A_NUMBER, "--max-sites", Some("nan"), "a whole number")),
        ("--every", "0", (2, OUT_OF_RANGE, "--every", Some("0"), "from 1 to 100000")),
        ("--checks", "10,5", (2, "checks", "--checks", Some("10,5"), "rising")),
        ("--checks", "5,x", (2, NOT_A_NUMBER, "--checks", Some("x"), "a whole number")),
        ("--plants", "0", (2, OUT_OF_RANGE, "--plants", Some("0"), "from 1 to 65535")),
        ("--per", "acre", (2, "usage", "--per", Some("acre"), "site, plant or 100-plants")),
        ("--method", "guess", (2, "usage", "--method", Some("guess"), "calibrated")),
        ("--method", "given", (2, "usage", "--method", Some("given"), "--lines")),
        ("--closing", "maybe", (2, "usage", "--closing", Some("maybe"), "call or undecided")),
        ("--undecided-at-most", "0.1", (2, "combination", "--undecided-at-most", Some("given"), "--method optimal")),
        ("--at", "10,29", (2, "combination", "--at", Some("given"), "after given numbers of sites are --checks")),
        ("--prior-from", "counts.csv", (2, "combination", "--prior-from", Some("given"), "--method optimal")),
        ("--method optimal --at", "0,1", (2, OUT_OF_RANGE, "--at", Some("0"), positive)),
        ("--method optimal --at", "1,x", (2, NOT_A_NUMBER, "--at", Some("x"), "a number")),
        ("--method optimal --at 1,2 --weights", "1", (2, "combination", "number of --weights", Some("1"), "--at, 2")),
        ("--method optimal --at 1,2 --weights", "1,-1", (2, OUT_OF_RANGE, "--weights", Some("-1"), "from 0")),
        ("--method optimal --at 1,2 --weights", "0,0", (2, OUT_OF_RANGE, "sum of --weights", Some("0"), positive)),
        ("--method optimal --at 1,2 --weights", "1,inf", (2, NOT_A_NUMBER, "--weights", Some("inf"), "from 0")),
        ("--above", "1", (2, "combination", "--above", Some("given"), "--score positive")),
        ("--score", "sum", (2, "usage", "--score", Some("sum"), "count, positive")),
        ("--out", "-", (2, "usage", "--out", Some("-"), "--json prints the plan")),
    ];
    for (flag, value, refusal) in cases {
        let mut words = String::from("plan");
        for (name, good) in
            [("--k", "1.2"), ("--per", "site"), ("--inadequate", "1"), ("--adequate", "2"), ("--false-adequate", "0.1")]
        {
            if name != *flag {
                words += &format!(" {name} {good}");
            }
        }
        refused(&folder, &format!("{words} {flag} {value}"), *refusal);
    }
}

#[test]
fn what_is_missing_or_does_not_fit() {
    let folder = with_plan();
    folder.does("plan --score positive --inadequate 0.1 --adequate 0.3 --out shares.json");
    let thresholds = "--inadequate 1 --adequate 2";
    let cases: &[(String, Refusal)] = &[
        (
            format!("plan --per site {thresholds}"),
            (2, "usage", "--k, --poisson, --power-law or --from", Some("missing"), "clumped"),
        ),
        (format!("plan --k 1 {thresholds}"), (2, "usage", "--per", Some("missing"), "site, plant or 100-plants")),
        (format!("plan --k 1 --plants 3 {thresholds}"), (2, "usage", "--per", Some("missing"), "--plants 1")),
        (format!("plan --k 1 --per plant {thresholds}"), (2, "usage", "--plants", Some("missing"), "plants of a site")),
        (
            format!("plan --score positive --units 3 --k 1 --per site {thresholds}"),
            (2, "combination", "--units", Some("3"), "1 where means of counts"),
        ),
        ("plan --aim interval --k 1".into(), (2, "usage", "--critical", Some("missing"), "a mean")),
        (
            format!("plan --aim precision --k 1 {thresholds}"),
            (2, "combination", "--inadequate", Some("given"), "not with --aim precision"),
        ),
        (
            format!("plan --aim three-calls --k 1 --per site {thresholds} --upper-inadequate 1.5 --upper-adequate 4"),
            (2, "combination", "adequate mean of the lower pair", Some("2"), "at most 1.5"),
        ),
        (
            "plan --aim precision --k 1 --method calibrated".into(),
            (2, "combination", "method of a plan for precision", Some("calibrated"), "nominal"),
        ),
        ("plan --aim precision --k 1 --method tuned".into(), (2, "usage", "--over", Some("missing"), "two means")),
        (
            "plan --aim precision --k 1 --method tuned --over 3,1".into(),
            (2, "combination", "lowest mean of a range", Some("3"), "less than the highest mean, 1"),
        ),
        (
            "plan --aim precision --power-law 1,2.5".into(),
            (2, "combination", "b of a power law for a precision", Some("2.5"), "less than 2"),
        ),
        (
            format!("plan --power-law 1,x --per site {thresholds}"),
            (2, NOT_A_NUMBER, "--power-law", Some("x"), "a number"),
        ),
        (
            format!("plan --k 1 --k-interval 2,3 --per site {thresholds}"),
            (2, "combination", "--k", Some("1"), "from 2 to 3"),
        ),
        (
            "plan --score positive --inadequate 0.1 --adequate 1.2".into(),
            (2, OUT_OF_RANGE, "--adequate", Some("1.2"), "less than 1"),
        ),
        (
            "plan --score positive --per site --inadequate 0.1 --adequate 0.2".into(),
            (2, "combination", "--per", Some("site"), "shares"),
        ),
        (
            format!("plan --k 1 --per site {thresholds} --out x --card x"),
            (2, "combination", "--card", Some("x"), "another file than --out"),
        ),
        ("plan --k 1".into(), (2, "usage", "--inadequate, --adequate", Some("missing"), "a value")),
        ("plan --k".into(), (2, "usage", "--k", Some("missing"), "a value")),
        (
            String::new(),
            (
                2,
                "usage",
                "command",
                Some("missing"),
                "fit, levels, plan, evaluate, compare, replay, study, decide, walk, card, verify",
            ),
        ),
        ("predict".into(), (2, "usage", "command", Some("predict"), "fit, levels, plan")),
        ("evaluate plan.json --means 1,-1".into(), (2, OUT_OF_RANGE, "--means", Some("-1"), "more than 0")),
        ("evaluate shares.json --means 0.2,1.5".into(), (2, OUT_OF_RANGE, "--means", Some("1.5"), "less than 1")),
        ("evaluate shares.json --means 0.2 --k 1".into(), (2, "combination", "--k", Some("1"), "no clumping")),
        ("evaluate plan.json --means 1,,2".into(), (2, NOT_A_NUMBER, "--means", Some("empty"), "a number")),
        ("evaluate plan.json --means 1 --k 0,1".into(), (2, OUT_OF_RANGE, "--k", Some("0"), "more than 0")),
        ("evaluate plan.json --means 1 --simulate 1".into(), (2, OUT_OF_RANGE, "--simulate", Some("1"), "from 2")),
        ("evaluate plan.json --means 1 --simulate x".into(), (2, NOT_A_NUMBER, "--simulate", Some("x"), "from 2")),
        (
            "evaluate plan.json --means 1 --simulate 9 --seed 9007199254740992".into(),
            (2, OUT_OF_RANGE, "--seed", Some("9007199254740992"), "9007199254740991"),
        ),
        (
            "evaluate plan.json --means 1 --simulate 9 --shared 1.5 --run 2".into(),
            (2, OUT_OF_RANGE, "--shared", Some("1.5"), "from 0 to 1"),
        ),
        (
            "evaluate plan.json --means 1 --simulate 9 --shared 0.5 --run 0".into(),
            (2, OUT_OF_RANGE, "--run", Some("0"), "from 1"),
        ),
        (
            "evaluate plan.json --means 1 --simulate 9 --shared 0.5".into(),
            (2, "usage", "--run or --whole-walk", Some("missing"), "one of them"),
        ),
        (
            "evaluate shares.json --means 0.2 --simulate 9 --shared 0.5 --run 2".into(),
            (2, "combination", "--shared", Some("binomial"), "clumping"),
        ),
        ("decide plan.json --counts 1,-2".into(), (2, OUT_OF_RANGE, "--counts, site 2,", Some("-2"), "NA for a site")),
        ("decide plan.json --counts -1,0".into(), (2, OUT_OF_RANGE, "--counts, site 1,", Some("-1"), "whole number")),
        ("decide plan.json --counts 2.5".into(), (2, OUT_OF_RANGE, "--counts, site 1,", Some("2.5"), "whole number")),
        (
            "decide plan.json --counts 0,4294967296".into(),
            (2, OUT_OF_RANGE, "--counts, site 2,", Some("4294967296"), "4294967295"),
        ),
        ("decide plan.json --counts 1,two".into(), (2, NOT_A_NUMBER, "--counts, site 2,", Some("two"), "whole number")),
        ("levels --around 0 --per site --k 1".into(), (2, OUT_OF_RANGE, "--around", Some("0"), "more than 0")),
        ("levels --around 1 --k 1".into(), (2, "usage", "--per", Some("missing"), "site, plant")),
        ("levels --around 1 --per site".into(), (2, "usage", "--from", Some("missing"), "a value")),
        ("fit none.csv --study --draws 9".into(), (2, OUT_OF_RANGE, "--draws", Some("9"), "from 99")),
        ("fit none.csv --study --seed -1".into(), (2, OUT_OF_RANGE, "--seed", Some("-1"), "from 0")),
        ("fit none.csv --level 1".into(), (2, OUT_OF_RANGE, "--level", Some("1"), "less than 1")),
    ];
    for (words, refusal) in cases {
        refused(&folder, words, *refusal);
    }
}

#[test]
fn words_the_parser_does_not_know() {
    let ran = Folder::new().run("plan --harvest 3 --json");
    let e = first_error(&ran);
    assert_eq!((ran.code, e["code"].as_str()), (Some(2), Some("usage")));
    assert!(e["message"].as_str().unwrap().contains("--harvest"), "{e}");
    let ran = Folder::new().run("plan --harvest 3");
    assert!(ran.code == Some(2) && ran.err.contains("--harvest") && ran.out.is_empty(), "{ran:?}");
}

#[cfg(unix)]
#[test]
fn names_that_are_no_text_are_no_reason_to_panic() {
    use std::os::unix::ffi::OsStrExt;
    let folder = Folder::new();
    let name = std::ffi::OsStr::from_bytes(b"caf\xe9.csv");
    for at in ["fit", "fit --count", "fit --json"] {
        let ran: Ran = folder.command(at).arg(name).output().unwrap().into();
        assert_eq!(ran.code, Some(2), "{ran:?}");
    }
    std::fs::write(folder.path(".").join(name), "field,site,a\nheron,1,2\nheron,2,4\n").unwrap();
    let ran: Ran = folder.command("fit").arg(name).output().unwrap().into();
    assert!(ran.code == Some(2) && ran.err.contains("--count a"), "{ran:?}");
    let ran: Ran = folder.command("fit --count a").arg(name).output().unwrap().into();
    assert_eq!(ran.code, Some(0), "{ran:?}");
}

#[test]
fn no_plan_says_what_would_do() {
    let folder = Folder::new();
    let words = "plan --k 1.2 --per site --inadequate 1 --adequate 2 --max-sites 15 --out plan.json";
    let what = "--max-sites for a calibrated plan at the asked risks";
    // 22: the fewest fixed sites at k 1.2, thresholds 1 and 2, risks .10 (derived; see outside_values).
    refused(&folder, words, (3, "no_plan", what, Some("15"), "the fewest fixed sites at these risks are 22"));
    let would_do = first_error(&folder.run(&format!("{words} --json")))["allowed"].as_str().unwrap().to_owned();
    let cap: u32 = would_do.split_whitespace().nth(1).unwrap().parse().unwrap();
    assert!(cap > 15 && folder.run(&words.replace("15", &cap.to_string())).code == Some(0), "{would_do}");
    assert!(folder.run(&words.replace("15", &(cap - 1).to_string())).code == Some(3), "{would_do}");
}

#[test]
fn counts_that_cannot_be_read() {
    let folder = Folder::new();
    let head = "field,visit,site,plants,count\n";
    let rows = |rows: &str| format!("{head}heron,1,1,3,0\n{rows}");
    folder
        .write("negative.csv", rows("heron,1,2,3,-1\n"))
        .write("fraction.csv", rows("heron,1,2,3,3.5\n"))
        .write("word.csv", rows("heron,1,2,3,few\n"))
        .write("huge.csv", rows("heron,1,2,3,4294967297\n"))
        .write("sizes.csv", rows("heron,1,2,3,1\nheron,1,3,5,1\n"))
        .write("empty.csv", "")
        .write("header.csv", head)
        .write("utf16.csv", b"\xff\xfef\0i\0e\0l\0d\0")
        .write("latin1.csv", b"field,site,count\nh\xe9ron,1,2\n")
        .write("two.csv", TWO_FIELDS)
        .write("zeros.csv", "field,site,count\nheron,1,0\nheron,2,0\nowl,1,0\nowl,2,0\n")
        .write("one.csv", rows("heron,1,2,3,4\n"));
    let whole = "a whole number from 0 to 4294967295";
    let cases: &[(&str, Refusal)] = &[
        ("negative.csv", (2, "counts_value", "count", Some("-1"), whole)),
        ("fraction.csv", (2, "counts_value", "count", Some("3.5"), whole)),
        ("word.csv", (2, "counts_value", "count", Some("few"), whole)),
        ("huge.csv", (2, "counts_value", "count", Some("4294967297"), whole)),
        ("sizes.csv", (2, "counts_plants", "plants", Some("5"), "3, as in 2 other rows")),
        ("empty.csv", (2, "counts_empty", "table of counts", Some("empty"), "a header")),
        (
            "header.csv",
            (2, "counts_empty", "table of counts", Some("without a row below its header"), "at least one site"),
        ),
        ("two.csv --count bees", (2, "counts_column", "column", Some("bees, not in the header"), "count")),
        ("two.csv --separator |", (2, "usage", "--separator", Some("|"), ", or ; or tab")),
    ];
    for (file, refusal) in cases {
        refused(&folder, &format!("fit {file}"), *refusal);
        refused(
            &folder,
            &format!("plan --from {file} --per site --inadequate 1 --adequate 2 --out plan.json"),
            *refusal,
        );
    }
    for file in ["utf16.csv", "latin1.csv"] {
        let ran = folder.run(&format!("fit {file}"));
        assert!(ran.code == Some(2) && ran.err.contains("CSV UTF-8"), "{ran:?}");
        assert_eq!(first_error(&folder.run(&format!("fit {file} --json")))["code"], "counts_encoding");
    }
    for path in ["none.csv", "."] {
        let e = first_error(&folder.run(&format!("fit {path} --json")));
        assert_eq!((e["code"].as_str(), e["file"].as_str()), (Some("file_read"), Some(path)));
        assert_eq!(folder.run(&format!("plan --from {path} --per site --inadequate 1 --adequate 2")).code, Some(2));
    }
    let plan = "--per site --inadequate 1 --adequate 2";
    let one_field = (2, OUT_OF_RANGE, "number of fields in --from", Some("1"), "at least 2");
    refused(&folder, &format!("plan --from one.csv {plan}"), one_field);
    refused(&folder, "levels --around 1 --per site --from one.csv", one_field);
    let zeros =
        (2, "dispersion_undefined", "clumping", Some("undefined (every count is 0)"), "at least two were found");
    refused(&folder, &format!("plan --from zeros.csv {plan}"), zeros);
    assert_eq!(first_error(&folder.run("fit sizes.csv --json"))["row"], 4);
    assert_eq!(first_error(&folder.run("fit sizes.csv --json"))["column"], "plants");
}

#[test]
fn many_bad_rows_are_shown_in_part_and_counted() {
    let folder = Folder::new();
    let rows: String = (1..=25).map(|site| format!("heron,{site},x{site}\n")).collect();
    folder.write("bad.csv", format!("field,site,count\n{rows}"));
    let ran = folder.run("fit bad.csv");
    assert_eq!(ran.err.lines().filter(|l| l.starts_with("error: ")).count(), 20);
    assert!(ran.err.contains("row 21, column count: count is x20") && !ran.err.contains("x21"));
    assert!(ran.err.ends_with("and 5 more\n"), "{}", ran.err);
    assert_eq!(folder.run("fit bad.csv --json").json()["errors"].as_array().unwrap().len(), 25);
}

#[test]
fn columns_to_choose_from_come_as_a_command() {
    let folder = Folder::new().with_demo();
    let ran = folder.run("fit demo-data/larkmoor.csv");
    let command = "stopline fit demo-data/larkmoor.csv --count lady_beetles,pirate_bugs,lacewings,spiders";
    assert!(ran.code == Some(2) && ran.err.contains(command), "{ran:?}");
    folder.does(command.strip_prefix("stopline ").unwrap());
}

#[test]
fn plans_that_were_edited_or_are_none() {
    let folder = with_plan();
    let good = folder.read("plan.json");
    let edits = [
        ("plan_edited", good.replacen("\"k\": 1.2", "\"k\": 1.3", 1)),
        ("plan_edited", good.replacen("\"adequate_at_least\": 1", "\"adequate_at_least\": 2", 1)),
        ("plan_format", good.replacen("\"closing\": \"call\",", "", 1)),
        ("plan_format", good.replacen("\"closing\"", "\"more\": 1, \"closing\"", 1)),
        ("plan_version", good.replacen("\"version\": 1", "\"version\": 2", 1)),
        ("plan_format", "not a plan".to_owned()),
        ("plan_format", String::new()),
    ];
    for (code, text) in edits {
        assert_ne!(text, good);
        folder.write("edited.json", &text);
        for words in [
            "verify edited.json",
            "card edited.json",
            "evaluate edited.json --means 1",
            "decide edited.json --counts 1",
        ] {
            let ran = folder.run(&format!("{words} --json"));
            let e = first_error(&ran);
            assert_eq!((ran.code, e["code"].as_str(), e["file"].as_str()), (Some(2), Some(code), Some("edited.json")));
            let ran = folder.run(words);
            assert!(
                ran.code == Some(2) && ran.out.is_empty() && ran.err.starts_with("error: edited.json: "),
                "{ran:?}"
            );
        }
    }
    folder.write("latin1.json", b"\xe9");
    assert_eq!(folder.run("verify latin1.json").code, Some(2));
    // Words about the plan alter no decision.
    folder.write("about.json", good.replacen("\"title\": \"\"", "\"title\": \"Beans\"", 1));
    folder.does("verify about.json");
}

#[test]
fn tables_of_lines_that_are_not_usable() {
    let folder = Folder::new();
    let head = "sites,inadequate_at_most,adequate_at_least\n";
    let cases: &[(&str, Refusal)] = &[
        ("5,x,14\n10,9,10\n", (2, "counts_value", "inadequate_at_most", Some("x"), "a total from 0")),
        ("10,3,4\n5,1,2\n", (2, "lines", "sites of a check", Some("5"), "rising")),
        ("5,9,9\n10,9,10\n", (2, "lines", "stops at 5 sites", Some("a stop from 9 to None"), "rising order")),
    ];
    for (rows, refusal) in cases {
        folder.write("table.csv", format!("{head}{rows}"));
        refused(&folder, "plan --lines table.csv --k 1", *refusal);
    }
    let ran = folder.run("plan --lines table.csv --k 1 --max-sites 9 --json");
    assert_eq!((ran.code, first_error(&ran)["code"].as_str()), (Some(2), Some("usage")));
}
