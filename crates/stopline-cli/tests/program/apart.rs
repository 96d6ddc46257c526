//! Groups, places and observers in `fit`, and alike neighbours in `plan --from`.

use crate::run::{Folder, TWO_FIELDS};

/// Made up: 6 fields of 6 × 4 sites in blocks of one clumping, two observers in turn, the second counting more.
fn ground() -> String {
    let mut table = "field,visit,site,plants,row,step,by,spiders,lacewings,count\n".to_owned();
    for (field, site) in (0..6_u32).flat_map(|field| (0..24_u32).map(move |site| (field, site))) {
        let (row, step) = (site % 6, site / 6);
        let patch = [0, 7, 1, 4, 0, 2][((row / 2) + 3 * (step / 2) + field) as usize % 6];
        let count = patch + (site * site + site / 2 + field) % 3 + 2 * (site % 2);
        let by = if site % 2 == 0 { "first" } else { "second" };
        table += &format!("F{field},1,{},3,{row},{step},{by},{},{},{count}\n", site + 1, count / 2, count - count / 2);
    }
    table
}

#[test]
fn groups_and_weighted_sums_are_fitted() {
    let folder = Folder::new();
    folder.write("ground.csv", ground());
    let words = "fit ground.csv --weights spiders=1,lacewings=0.5 --each --seed 4";
    let text = folder.does(words).out;
    for part in ["spiders", "Weighted sum: 1 spiders + 0.5 lacewings", "over 2", "Simulated: the limits of k (999 sets"]
    {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    let fit = folder.does(&format!("{words} --json")).json();
    assert_eq!(fit["groups"][1]["group"], "lacewings");
    let sum = &fit["weighted"];
    assert_eq!((&sum["how"], &sum["scale"], &sum["weights"][0]["whole"]), (&"resampled".into(), &2.into(), &2.into()));
    assert_eq!(fit["made_by"]["seed"], 4);
    assert!(sum["common"]["k_low"].as_f64() < sum["common"]["k_moments"].as_f64());
    // The same seed gives the same limits, another one others.
    assert_eq!(folder.does(&format!("{words} --json")).json()["weighted"], *sum);
    let other = folder.does(&format!("{} --json", words.replace("seed 4", "seed 5"))).json();
    assert_ne!(other["weighted"]["common"], sum["common"]);

    // One weight for all that count makes a count.
    let fit = folder.does("fit ground.csv --weights spiders=0.5,lacewings=0.5 --json").json();
    assert_eq!((&fit["weighted"]["how"], &fit["weighted"]["of_one"]), (&"exact".into(), &0.5.into()));
    assert_eq!(fit["weighted"]["common"], fit["common"]);
    for bad in [
        "--weights spiders",
        "--weights spiders=x",
        "--weights spiders=-1",
        "--weights spiders=0",
        "--weights spiders=1,spiders=2",
        "--weights mites=1",
        "--weights spiders=1,count=2 --count spiders,lacewings",
        "--each --counted-to 5",
        "--draws 500",
    ] {
        assert_eq!(folder.run(&format!("fit ground.csv {bad}")).code, Some(2), "{bad}");
    }
}

#[test]
fn places_and_observers_are_looked_at() {
    let folder = Folder::new();
    folder.write("ground.csv", ground());
    let words = "fit ground.csv --place row=0.75,step=0.75 --blocks 1.5,3 --distances 0.8,2 --observer by --draws 499";
    let text = folder.does(words).out.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in ["squares of side 1.5", "Morisita's index", "0 to 0.8", "Caution", "times (", "1 degree of freedom"] {
        assert!(text.contains(part), "{part} is not in {text}");
    }
    let fit = folder.does(&format!("{words} --json")).json();
    let places = &fit["places"];
    assert_eq!((&places["walks"], &places["sites"], &places["alike"]), (&6.into(), &144.into(), &true.into()));
    assert!(places["blocks"][0]["p"]["p"].as_f64() < Some(0.01) && places["blocks"][0]["side"] == 1.5);
    let observers = &fit["observers"];
    assert!(observers["observers"][1]["ratio"].as_f64() > Some(1.0) && observers["between_walks"].is_null());
    assert!(observers["between_walks_is"].as_str().unwrap().contains("walks of their own"));

    // Bad places and rows that have none are refused, all together.
    folder.write("bad.csv", "field,site,x,y,count\nheron,1,1,two,0\nheron,2,inf,1,3\nheron,3,,1,3\n");
    let errors = folder.run("fit bad.csv --place x,y --json").json()["errors"].clone();
    let found: Vec<_> = errors.as_array().unwrap().iter().map(|e| (e["row"].as_u64(), e["column"].as_str())).collect();
    assert_eq!(found, [(Some(2), Some("y")), (Some(3), Some("x"))]);
    for bad in
        ["--place x", "--place x,y,z", "--place x=0,y", "--place x,site", "--blocks 2", "--place x,y --blocks -1"]
    {
        assert_eq!(folder.run(&format!("fit bad.csv {bad}")).code, Some(2), "{bad}");
    }
    folder.write("wide.csv", "field,visit,plants,by,1,2\nheron,1,1,ann,1,2\n");
    assert_eq!(folder.run("fit wide.csv --wide --place by,1 --json").json()["errors"][0]["code"], "combination");
    let fit = folder.does("fit wide.csv --wide --observer by --json").json();
    assert!(fit["observers"]["within_walks_is"].as_str().unwrap().contains("fewer than two"));
}

#[test]
fn a_plan_tells_its_risks_where_neighbours_are_alike() {
    let folder = Folder::new();
    folder.write("ground.csv", ground());
    let words = "plan --from ground.csv --per site --inadequate 2 --adequate 4 --max-sites 20 --out plan.json";
    let text = folder.does(words).out;
    assert!(text.contains("sites of runs of 5 share"), "{text}");
    // What it says is what `evaluate` says at the upper limit.
    let words: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let after = |words: &str, mark: &str| -> String { words.split(mark).nth(1).unwrap().to_owned() };
    let share = after(&words, "of runs of 5 share ");
    let high = after(share.split(')').next().unwrap(), " to ");
    let rows = folder.does(&format!("evaluate plan.json --means 2,4 --shared {high} --run 5 --json")).json();
    let risk = |row: usize, call: &str| 100.0 * rows["rows"][row][call].as_f64().unwrap();
    let told = after(&share, "upper limit");
    let told = told.split(" in 100").next().unwrap();
    let told: Vec<f64> = told.split_whitespace().filter_map(|word| word.parse().ok()).collect();
    let close = |a: f64, b: f64| (a - b).abs() <= 0.15;
    assert!(close(told[0], risk(0, "adequate")) && close(told[1], risk(1, "inadequate")), "{told:?}, {rows}");

    // Two fields cannot tell.
    folder.write("two.csv", TWO_FIELDS);
    let text = folder.does("plan --from two.csv --per site --inadequate 1 --adequate 3").out;
    assert!(text.contains("whether neighbouring sites are alike is not known"), "{text}");
}

/// A field of zeros, one of a single site, one of equal counts, and one with a huge count are named and take nothing from
/// the others, whatever is asked.
#[test]
fn odd_fields_are_named_and_break_nothing() {
    let folder = Folder::new();
    let head = "field,visit,site,plants,x,y,by,a,b\n";
    let usual: String = ground()
        .lines()
        .skip(1)
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            format!("{},1,{},3,{},{},{},{},{}\n", cells[0], cells[2], cells[4], cells[5], cells[6], cells[7], cells[8])
        })
        .collect();
    let odd = |name: &str, counts: &[u32]| -> String {
        let row = |(site, count): (usize, &u32)| format!("{name},1,{},3,{site},1,first,{count},0\n", site + 1);
        counts.iter().enumerate().map(row).collect()
    };
    let odd = odd("zeros", &[0; 12])
        + &odd("single", &[6])
        + &odd("equal", &[2; 12])
        + &odd("outlier", &[0, 1, 0, 2, 0, 1, 1, 0, 3, 0, 2, 4_000_000_000]);
    folder.write("usual.csv", format!("{head}{usual}"));
    folder.write("all.csv", format!("{head}{usual}{odd}"));
    let words = "--count a,b --study --draws 99 --each --weights a=1,b=0.5 --place x,y --observer by --quality 0.2 --above 0 \
                 --at-means 1,5 --json";
    let usual = folder.does(&format!("fit usual.csv {words}")).json();
    let all = folder.does(&format!("fit all.csv {words}")).json();
    for (i, field) in usual["fields"].as_array().unwrap().iter().enumerate() {
        assert_eq!(field["k_cox_reid"], all["fields"][i]["k_cox_reid"]);
        assert_eq!(usual["weighted"]["fields"][i], all["weighted"]["fields"][i]);
        assert_eq!(usual["groups"][1]["fields"][i], all["groups"][1]["fields"][i]);
    }
    let odd: Vec<_> = all["fields"].as_array().unwrap().iter().skip(6).map(|field| field["notice"].is_null()).collect();
    assert_eq!(odd, [false; 4]);
    assert_eq!(all["places"]["walks"], 7); // the six and the outlier
    let text = folder.does(&format!("fit all.csv {}", words.replace(" --json", ""))).out;
    for name in ["zeros", "single", "equal", "outlier"] {
        assert!(text.contains(&format!("Look at {name}, visit 1")), "{text}");
    }
    let plan = "plan --from all.csv --count a,b --per site --inadequate 1 --adequate 3 --calibration --draws 99";
    assert!(matches!(folder.run(plan).code, Some(0 | 3)));
    for counts in ["heron,1,1,3,1,1,ann,0,0\n", "heron,1,1,3,1,1,ann,4,0\n", "heron,1,1,3,1,1,,NA,1\n"] {
        folder.write("one.csv", format!("{head}{counts}"));
        let run = folder.run(&format!("fit one.csv {words}"));
        assert!(run.code == Some(0) || run.json()["errors"][0]["code"] == "counts_empty", "{counts}");
    }
}
