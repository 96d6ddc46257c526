//! Would fewer sites do? Comparison of plans and fixed numbers of sites.

use crate::run::{Folder, with_plan};

const COUNT: &str = "--count lady_beetles,pirate_bugs,lacewings,spiders";

#[test]
fn fixed_numbers_of_sites_are_compared() {
    let folder = Folder::new();
    let words = "compare --fixed 15 --k 2 --plants 1 --inadequate 1.5 --adequate 3";
    let json = folder.does(&format!("{words} --means 0.5,1,2.25 --json")).json();
    assert_eq!((&json["format"], &json["version"]), (&"stopline/comparison".into(), &1.into()));
    // Derived with scipy; n = (1/m + 1/k)/D² (formula from memory).
    let risk = |name: &str| json["ways"][0]["risks"][name].as_f64().unwrap();
    assert!((risk("false_adequate") - 0.0835).abs() < 5e-5 && (risk("false_inadequate") - 0.0921).abs() < 5e-5);
    let sites = |i: usize| json["sites_for_precision"][i]["sites"].as_f64().unwrap();
    for (i, known) in [40.0, 250.0, 24.0, 150.0, 15.11, 94.4].into_iter().enumerate() {
        assert!((sites(i) - known).abs() < 0.05);
    }
    let per_plant = "compare --fixed 15 --k 2 --plants 3 --per plant --inadequate 0.5 --adequate 1 --json";
    assert_eq!(folder.does(per_plant).json()["ways"][0]["risks"], json["ways"][0]["risks"]);
    let text = folder.does(&words.replace("fixed 15", "fixed 10,15")).out;
    assert!(text.contains("Always 10 sites instead of 15"), "{text}");
    assert!(text.contains("Caution"), "{text}");
}

#[test]
fn plans_are_compared_at_their_own_thresholds() {
    let folder = with_plan();
    folder.does("plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 2 --method two-stage --out two.json");
    let json = folder.does("compare plan.json two.json --visits 3 --minutes-site 2 --json").json();
    let ways = json["ways"].as_array().unwrap();
    let names: Vec<&str> = ways.iter().map(|way| way["name"].as_str().unwrap()).collect();
    assert_eq!(names[4..], ["always 30 sites", "plan.json", "two.json"]);
    let p = ways[5]["risks"]["false_adequate"].as_f64().unwrap();
    let three = ways[5]["risks_over_visits"]["false_adequate"].as_f64().unwrap();
    assert!((three - (1.0 - (1.0 - p).powi(3))).abs() < 1e-12);
    // Two minutes a site, nothing for enemies.
    for at in ways[5]["at"].as_array().unwrap() {
        assert!((at["minutes"].as_f64().unwrap() - 2.0 * at["expected_sites"].as_f64().unwrap()).abs() < 1e-12);
    }
    let text = folder.does("compare plan.json --minutes-site 2 --minutes-in-out 10").out;
    for part in [
        "Minutes on average",
        "takes 10 minutes more, which stopping early may not save",
        "At the same risks plan.json",
    ] {
        assert!(text.contains(part), "{part} not in {text}");
    }
    // Other thresholds than the plan's.
    let other = folder.does("compare plan.json --per site --inadequate 0.5 --adequate 3 --json").json();
    assert_eq!(other["adequate"], 3.0);
    folder.does("plan --k 2 --plants 3 --per site --inadequate 1 --adequate 2 --out other.json");
    let ran = folder.run("compare plan.json other.json --json");
    assert_eq!((ran.code, &ran.json()["errors"][0]["code"]), (Some(2), &"combination".into()));
    folder.does("compare plan.json other.json --k 1.5");
}

#[test]
fn past_fields_make_a_season() {
    let folder = with_plan().with_demo();
    let words = format!("compare plan.json --from demo-data/larkmoor.csv {COUNT}");
    let json = folder.does(&format!("{words} --json")).json();
    let past = json["field_means"].as_array().unwrap();
    let weights: f64 = past.iter().map(|at| at[1].as_f64().unwrap()).sum();
    assert!(past.len() > 1 && (weights - 1.0).abs() < 1e-9);
    let season = &json["ways"][5]["season"];
    let sites = season["expected_sites"].as_f64().unwrap();
    // The same by evaluating the plan at each of the means.
    let means: Vec<String> = past.iter().map(|at| at[0].to_string()).collect();
    let k = json["k"].to_string();
    let rows = folder.does(&format!("evaluate plan.json --k {k} --means {} --json", means.join(","))).json();
    let mean: f64 = rows["rows"]
        .as_array()
        .unwrap()
        .iter()
        .zip(past)
        .map(|(row, at)| row["expected_sites"].as_f64().unwrap() * at[1].as_f64().unwrap())
        .sum();
    assert!((sites - mean).abs() < 1e-9, "{sites}, {mean}");
    let text = folder.does(&words).out;
    assert!(text.contains("An average season of yours") && text.contains("most clumped third"), "{text}");
}

#[test]
fn a_comparison_needs_clumping_and_thresholds() {
    let folder = with_plan();
    for (words, what) in [
        ("compare --inadequate 1 --adequate 2 --per site", "--k, --from or PLAN"),
        ("compare --k 1", "--inadequate, --adequate"),
        ("compare plan.json --inadequate 1", "--inadequate, --adequate"),
        ("compare plan.json --fixed 0", "--fixed"),
        ("compare plan.json --visits 0", "--visits"),
        ("compare plan.json --minutes-site -1", "minutes of a site"),
        ("compare plan.json --minutes-site x", "--minutes-site"),
        ("compare plan.json --plants 2", "plants of a site"),
    ] {
        let ran = folder.run(&format!("{words} --json"));
        assert_eq!((ran.code, &ran.json()["errors"][0]["what"]), (Some(2), &what.into()), "{words}");
    }
}

#[test]
fn walks_are_replayed() {
    let folder = with_plan().with_demo();
    let words = format!("replay plan.json demo-data/larkmoor.csv {COUNT}");
    let json = folder.does(&format!("{words} --orders 200 --leave-out --minutes-site 2 --json")).json();
    assert_eq!((&json["format"], &json["orders"], &json["seed"]), (&"stopline/replay".into(), &200.into(), &1.into()));
    let walks = json["walks"].as_array().unwrap();
    let stopped = walks.iter().filter(|walk| !walk["walked"]["stopped_at"].is_null()).count();
    assert_eq!((walks.len(), &json["tally"]["stopped"]), (24, &stopped.into()));
    assert_eq!(json["too_short"].as_array().unwrap().len(), 24 - stopped);
    assert!(json["random"]["agree"]["se"].as_f64().unwrap() > 0.0);
    assert_eq!(json["left_out"].as_array().unwrap().len(), 12);
    // The first walk, decided as in the field.
    let first = &walks[0];
    let table = folder.read("demo-data/larkmoor.csv");
    let counts: Vec<String> = table
        .lines()
        .skip(1)
        .take_while(|line| line.contains(",1,"))
        .take_while(|line| line.starts_with("bobolink,soybean,1,"))
        .map(|line| line.split(',').skip(5).collect::<Vec<_>>().join("+"))
        .collect();
    let decided = folder.run(&format!("decide plan.json --counts {} --json", counts.join(","))).json();
    assert_eq!(
        (&first["walked"]["stopped_at"], &first["walked"]["call"]),
        (&decided["stopped_at"], &decided["verdict"])
    );
    let text = folder.does(&format!("{words} --leave-out")).out;
    for part in
        ["In the order walked: the plan stopped on", "In 1000 random orders", "Each field under a plan made without it"]
    {
        assert!(text.contains(part), "{part} not in {text}");
    }
    let ran = folder.run(&format!("{words} --plants 2 --json"));
    assert_eq!(ran.code, Some(2), "{ran:?}");
}

#[test]
fn clustered_sites_are_exact_without_simulation() {
    let folder = with_plan();
    let words = "evaluate plan.json --means 1,2 --shared 0.25 --run 5";
    let exact = folder.does(&format!("{words} --json")).json();
    assert_eq!(exact["exact"], true);
    assert_eq!(exact["source"], serde_json::json!({"kind": "clustered", "shared": 0.25, "run": 5}));
    let simulated = folder.does(&format!("{words} --simulate 40000 --json")).json();
    for (exact, found) in exact["rows"].as_array().unwrap().iter().zip(simulated["rows"].as_array().unwrap()) {
        for key in ["adequate", "inadequate", "expected_sites", "sites_sd", "at_cap"] {
            let of = |row: &serde_json::Value, key: &str| row[key].as_f64().unwrap();
            let off = of(exact, key) - of(found, key);
            assert!(off.abs() < 4.0 * of(found, &format!("{key}_se")), "{key}: {exact} {found}");
        }
    }
    let text = folder.does("evaluate plan.json --means 1,2 --shared 0.25 --whole-walk").out;
    assert!(text.starts_with("Exact") && text.contains("the part walked differs from the field"), "{text}");
    // A plan for such sites keeps its risks there.
    let asked = "plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 2 --max-sites 45";
    let ran = folder.does(&format!("{asked} --shared 0.1 --run 5 --out alike.json"));
    let said: Vec<&str> = ran.out.split_whitespace().collect();
    assert!(said.join(" ").contains("the difference is the price"), "{}", ran.out);
    let rows = folder.does("evaluate alike.json --means 1,2 --shared 0.1 --run 5 --json").json()["rows"].clone();
    assert!(rows[0]["adequate"].as_f64().unwrap() <= 0.1 && rows[1]["inadequate"].as_f64().unwrap() <= 0.1, "{rows}");
    // Its file states both risks, which `verify` computes anew and `evaluate` shows.
    let plan = serde_json::from_str::<serde_json::Value>(&folder.read("alike.json")).unwrap();
    let alike = &plan["attained"]["alike"];
    assert_eq!(
        (&alike["shared"], &alike["run"], &alike["rows"][0]["p"]),
        (&0.1.into(), &5.into(), &rows[0]["adequate"])
    );
    assert_eq!(plan["aim"]["risks"]["false_adequate"], 0.1);
    // It says on standard error that these sites are independent.
    let alone = folder.run("evaluate alike.json --means 1,2 --json");
    assert!(alone.err.contains("--shared 0.1 --run 5 shows those"), "{alone:?}");
    let alone = alone.json()["rows"].clone();
    let off = plan["attained"]["rows"][0]["p"].as_f64().unwrap() - alone[0]["adequate"].as_f64().unwrap();
    assert!(off.abs() < 1e-12 && alone[0]["adequate"].as_f64() < rows[0]["adequate"].as_f64(), "{plan}");
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let verified = words(&folder.does("verify alike.json").out);
    assert!(
        verified.contains("Where 0.1 of the clumping is common to runs of 5 sites, a field truly at"),
        "{verified}"
    );
    assert!(words(&folder.does("evaluate alike.json --means 1").out).contains("--shared 0.1 --run 5 shows those"));
    let ran = folder.run(&format!("{asked} --method optimal --at 1.5 --shared 0.1 --run 5 --json"));
    assert_eq!(ran.code, Some(2), "{ran:?}");
    let never = folder.run(&format!("{asked} --shared 0.6 --whole-walk --json"));
    assert_eq!((never.code, &never.json()["errors"][0]["code"]), (Some(3), &"no_plan".into()));
}

#[test]
fn one_thing_after_the_other_is_otherwise() {
    let folder = with_plan();
    let json = folder.does("evaluate plan.json --sensitivity --json").json();
    let cases = json["cases"].as_array().unwrap();
    let words: Vec<&str> = cases.iter().map(|case| case["otherwise"].as_str().unwrap()).collect();
    let known = [
        "as_planned",
        "k_times",
        "k_times",
        "k_times",
        "k_times",
        "k_times",
        "share_caught",
        "observer_finds",
        "bare_share",
        "one_corner",
    ];
    assert_eq!(words, known);
    let halved = folder.does("evaluate plan.json --means 1,2 --k 0.6 --json").json();
    let p = |rows: &serde_json::Value, row: usize| rows[row]["adequate"].as_f64().unwrap();
    assert!((p(&cases[1]["rows"], 0) - p(&halved["rows"], 0)).abs() < 1e-12);
    let caught = folder.does("evaluate plan.json --sensitivity --caught 0.5 --means 2 --json").json();
    let own = folder.does("evaluate plan.json --means 1 --json").json();
    assert!((p(&caught["cases"][6]["rows"], 0) - p(&own["rows"], 0)).abs() < 1e-12);
    let text = folder.does("evaluate plan.json --sensitivity").out;
    for part in [
        "counts are not clumped",
        "the bucket catches 80 %",
        "an observer finds 30 % less",
        "33 % of the field is bare",
        "first 5 sites from one corner",
    ] {
        assert!(text.contains(part), "{part} not in {text}");
    }
}

#[test]
fn real_walks_are_drawn_again() {
    let folder = with_plan().with_demo();
    let words = format!("evaluate plan.json --resample demo-data/larkmoor.csv {COUNT} --sets 99 --simulate 2000");
    let json = folder.does(&format!("{words} --redraw blocks --block 4 --hold-out --seed 3 --json")).json();
    assert_eq!(json["source"], serde_json::json!({"draw": "blocks", "block": 4}));
    assert_eq!(
        (&json["held_out"], &json["seed"], json["rows"].as_array().unwrap().len()),
        (&true.into(), &3.into(), 24)
    );
    let row = &json["rows"][0];
    assert!(row["resampled"]["expected_sites_se"].as_f64().unwrap() > 0.0 && row["exact_expected_sites"].is_number());
    assert!(json["fairness"]["fair"].is_boolean());
    let text = folder.does(&words).out;
    assert!(text.contains("a fair description of these walks") && text.contains("±"), "{text}");
    for (words, what) in [
        (format!("{words} --block 3"), "--block"),
        (format!("{words} --k 1,2"), "--k"),
        ("evaluate plan.json --means 1 --seed 4".to_owned(), "--seed"),
    ] {
        let ran = folder.run(&format!("{words} --json"));
        assert_eq!((ran.code, &ran.json()["errors"][0]["what"]), (Some(2), &what.into()), "{words}");
    }
}

#[test]
fn minutes_that_counting_less_saves() {
    let folder = Folder::new();
    let words = "plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 3 --minutes-site 1 --minutes-enemy 0.2";
    let text = folder.does(&format!("{words} --score positive")).out;
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in ["minutes a walk", "saved", "takes the fewest minutes at its worst mean", "Minutes by your own times"] {
        assert!(text.contains(part), "{part} not in {text}");
    }
    let text = folder.does(&format!("{words} --counted-to 4")).out;
    assert!(text.contains("counted to 4") && text.contains("minutes a walk"), "{text}");
    // Minutes change no plan, and are refused where they would be passed over.
    let plan = |words: &str| folder.does(&format!("{words} --counted-to 4 --json")).out;
    let without = words.split(" --minutes").next().unwrap();
    assert_eq!(plan(words), plan(without));
    for other in [words.to_owned(), words.replace("--k 1.2", "--poisson") + " --counted-to 4"] {
        let ran = folder.run(&format!("{other} --json"));
        assert_eq!((ran.code, &ran.json()["errors"][0]["what"]), (Some(2), &"--minutes-site and the like".into()));
    }
}
