//! Every command on good input: the JSON of the contract, and words for people.

use crate::run::{Folder, TWO_FIELDS, with_plan};
use serde_json::Value;

const COMMANDS: [&str; 7] = ["fit", "levels", "plan", "evaluate", "decide", "card", "verify"];

fn keys(value: &Value) -> Vec<&str> {
    value.as_object().unwrap().keys().map(String::as_str).collect()
}

#[test]
fn help_has_an_example_and_commands_in_the_order_of_the_work() {
    let folder = Folder::new();
    for command in COMMANDS {
        let help = folder.does(&format!("{command} --help")).out;
        assert!(help.contains("Example") && help.contains(&format!("  stopline {command} ")), "{help}");
        assert!(help.contains("--json"), "{help}");
    }
    let help = folder.does("--help").out;
    let places: Vec<usize> = COMMANDS.iter().map(|c| help.find(&format!("\n  {c} ")).unwrap()).collect();
    assert!(places.is_sorted(), "{help}");
    assert!(folder.does("--version").out.starts_with("stopline 0."));
}

#[test]
fn fit_gives_each_walk_and_the_common_k() {
    let folder = Folder::new().with_demo();
    let words = "fit demo-data/larkmoor.csv --count lady_beetles,pirate_bugs,lacewings,spiders";
    let ran = folder.run(&format!("{words} --json"));
    let fit = ran.json();
    assert!(ran.err.contains("12 of 686 sites are missing"), "{}", ran.err);
    assert_eq!(keys(&fit), ["common", "fields", "made_by"]);
    let fields = fit["fields"].as_array().unwrap();
    assert_eq!(fields.len(), 24);
    for key in [
        "field",
        "visit",
        "sites",
        "missing",
        "mean",
        "variance",
        "k",
        "k_is",
        "why",
        "k_low",
        "k_high",
        "k_cox_reid",
        "k_cox_reid_is",
        "k_cox_reid_low",
        "k_cox_reid_high",
        "level",
    ] {
        assert!(fields.iter().all(|f| f.get(key).is_some()), "{key}");
    }
    for key in ["k_cox_reid", "k_conditional", "k_ml", "k_low", "k_high", "level"] {
        assert!(fit["common"].get(key).is_some(), "{key}");
    }
    let text = folder.does(words).out;
    assert_eq!(text.lines().filter(|l| l.starts_with("plover ")).count(), 2);
    assert!(text.contains("Most clumped: plover"), "{text}");
}

#[test]
fn a_plan_printed_is_the_plan_written_and_keeps_its_risks() {
    let folder = Folder::new();
    let printed = folder.run("plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 2 --out plan.json --json");
    assert_eq!(printed.err, "Written: plan.json\n");
    assert_eq!(printed.out, folder.read("plan.json"));
    let plan = printed.json();
    assert_eq!(
        (&plan["format"], &plan["version"], &plan["method"]),
        (&"stopline/plan".into(), &1.into(), &"calibrated".into())
    );
    assert_eq!(plan["site"]["plants"], 3);
    let rows = plan["attained"]["rows"].as_array().unwrap();
    assert!(rows.len() == 2 && rows.iter().all(|row| row["p"].as_f64().unwrap() <= 0.1), "{rows:?}");
    // Read back it evaluates to the same numbers, to the last bit.
    let evaluation = folder.does("evaluate plan.json --means 1,2 --json").json();
    assert_eq!((&evaluation["plan"], &evaluation["k"]), (&plan["digest"], &plan["dispersion"]["k"]));
    for (row, call) in rows.iter().zip(["adequate", "inadequate"]) {
        let at = evaluation["rows"].as_array().unwrap().iter().find(|r| r["mean"] == row["mean"]).unwrap();
        assert!((at[call].as_f64().unwrap() - row["p"].as_f64().unwrap()).abs() < 1e-12);
    }
}

#[test]
fn thresholds_are_the_same_in_every_unit() {
    let folder = Folder::new();
    let digest = |words: &str| folder.does(&format!("plan --k 1.2 {words} --json")).json()["digest"].clone();
    let per_site = digest("--plants 4 --per site --inadequate 1 --adequate 2");
    assert_eq!(digest("--plants 4 --per plant --inadequate 0.25 --adequate 0.5"), per_site);
    assert_eq!(digest("--plants 4 --per 100-plants --inadequate 25 --adequate 50"), per_site);
    assert_ne!(digest("--plants 1 --inadequate 1 --adequate 2"), per_site);
    let text = folder.does("plan --k 1.2 --plants 4 --per 100-plants --inadequate 25 --adequate 50").out;
    assert!(text.contains("1 per site = 0.25 per plant = 25 per 100 plants"), "{text}");
    // Nobody said how many plants a site has: three, and it is said.
    let ran = folder.does("plan --k 1.2 --per site --inadequate 1 --adequate 2");
    assert!(ran.out.contains("a site is taken as 3 plants"), "{}", ran.out);
}

#[test]
fn every_method_and_shape_of_a_plan() {
    let folder = Folder::new();
    let plan = |words: &str| folder.does(&format!("plan --k 1.2 --per site --inadequate 1 --adequate 2 {words}"));
    for method in ["wald", "calibrated", "optimal", "fixed"] {
        let out = plan(&format!("--method {method}")).out;
        assert!(out.contains("Would fewer sites do?") && out.contains("Caution"), "{out}");
    }
    let wald = plan("--method wald --false-adequate 0.01 --max-sites 10").out;
    let wald: Vec<&str> = wald.split_whitespace().collect();
    assert!(wald.join(" ").contains("more than the 1.0 asked"), "{wald:?}");
    assert!(plan("--method optimal").out.contains("this plan"));
    let json = |words: &str| serde_json::from_str::<Value>(&plan(&format!("{words} --json")).out).unwrap();
    assert_eq!(json("--checks 10,29")["checks"], serde_json::json!({"at": [10, 29]}));
    let undecided = json("--closing undecided --every 5");
    assert_eq!((&undecided["closing"], &undecided["checks"]["every"]), (&"undecided".into(), &5.into()));
    let optimal = json("--closing undecided --method optimal --undecided-at-most 0.2");
    assert_eq!(optimal["method"], "optimal");
    // Twice the upper threshold is no mean any more, and 30 sites there are too much work.
    folder.write("table.csv", "sites,inadequate_at_most,adequate_at_least\n3,5,6\n");
    let huge = folder.does("plan --lines table.csv --k 1 --plants 1 --inadequate 4e8 --adequate 8e8");
    assert!(huge.out.contains("Not worked out: ") && huge.out.contains("Stop lines"), "{}", huge.out);
    let poisson = folder.does("plan --poisson --per site --inadequate 1 --adequate 2 --json").json();
    assert_eq!(poisson["dispersion"]["model"], "poisson");
}

#[test]
fn a_plan_from_counts_uses_their_common_k() {
    let folder = Folder::new().with_demo();
    let count = "--count lady_beetles,pirate_bugs,lacewings,spiders";
    let common = folder.run(&format!("fit demo-data/larkmoor.csv {count} --json")).json()["common"].clone();
    let words = format!("plan --from demo-data/larkmoor.csv {count} --per site --inadequate 1 --adequate 2");
    let plan = folder.run(&format!("{words} --json")).json();
    assert_eq!((&plan["dispersion"]["k"], &plan["site"]["plants"]), (&common["k_conditional"], &3.into()));
    assert_eq!(plan["about"]["source"], "24 walks in 12 fields (larkmoor.csv)");
}

#[test]
fn an_optimal_plan_has_fewest_sites_where_it_is_asked_to() {
    let folder = Folder::new().with_demo();
    let count = "--count lady_beetles,pirate_bugs,lacewings,spiders";
    let words = "plan --k 1.2 --plants 3 --inadequate 1 --adequate 2 --per site --method optimal";
    let at = folder.does(&format!("{words} --at 0.5,1,2 --weights 1,2,1 --json")).json();
    let means = |plan: &Value| plan["proof"]["at"].as_array().unwrap().clone();
    assert_eq!(at["proof"]["objective"], "expected_sites");
    let given =
        serde_json::json!([{"mean": 0.5, "weight": 0.25}, {"mean": 1.0, "weight": 0.5}, {"mean": 2.0, "weight": 0.25}]);
    assert_eq!(at["proof"]["at"], given);
    // Means are counted like the thresholds.
    let plants = words.replace("--per site", "--per plant").replace("1 --adequate 2", "0.5 --adequate 1");
    let plants = folder.does(&format!("{plants} --at 0.25,0.5 --json")).json();
    assert_eq!(plants["proof"]["at"][1]["mean"], 1.5);

    let prior = format!("{words} --prior-from demo-data/larkmoor.csv {count}");
    let json = folder.does(&format!("{prior} --json")).json();
    assert!(means(&json).len() > 1, "{json}");
    let overall: f64 =
        means(&json).iter().map(|at| at["mean"].as_f64().unwrap() * at["weight"].as_f64().unwrap()).sum();
    assert!((1.9..2.3).contains(&overall), "the mean of all sites of the demo is 2.06: {overall}");
    let text = folder.does(&format!("{prior} --out prior.json")).out;
    folder.does("verify prior.json");
    let text: Vec<&str> = text.split_whitespace().collect();
    assert!(text.join(" ").contains("fitted to the 24 walks of larkmoor.csv with the error of sampling taken out"));
    // No other plan has fewer sites over these means.
    let value = |plan: &Value| plan["proof"]["value"].as_f64().unwrap();
    let list = |key: &str| means(&json).iter().map(|at| at[key].to_string()).collect::<Vec<_>>().join(",");
    let again = folder.does(&format!("{words} --at {} --weights {} --json", list("mean"), list("weight"))).json();
    assert!((value(&again) - value(&json)).abs() < 1e-9);
    folder.write("one.csv", "field,site,count\nheron,1,2\nheron,2,1\n");
    let one = folder.run(&format!("{words} --prior-from one.csv --json"));
    assert_eq!((one.code, &one.json()["errors"][0]["what"]), (Some(2), &"number of fields in --prior-from".into()));
}

#[test]
fn several_k_are_several_evaluations() {
    let folder = with_plan();
    let one = folder.does("evaluate plan.json --means 0.5,1 --k 0.8 --json").json();
    assert_eq!(keys(&one), ["dispersion", "even_mean", "exact", "format", "k", "plan", "rows", "version"]);
    assert_eq!(
        keys(&one["rows"][0]),
        [
            "adequate",
            "at_cap",
            "expected_sites",
            "inadequate",
            "mean",
            "sites_p50",
            "sites_p90",
            "sites_sd",
            "undecided"
        ]
    );
    let two = folder.does("evaluate plan.json --means 0.5,1 --k 0.8,2 --json").json();
    assert_eq!((&two["evaluations"][0], &two["evaluations"][1]["k"]), (&one, &2.0.into()));
    let text = folder.does("evaluate plan.json --means 0.5,1 --k 0.8,2").out;
    assert!(text.contains("k 0.8") && text.contains("k 2"), "{text}");
}

#[test]
fn simulated_walks_have_errors_and_are_repeatable() {
    let folder = with_plan();
    let words = "evaluate plan.json --means 0.5,1 --simulate 20000 --seed 7";
    let simulated = folder.does(&format!("{words} --json")).json();
    let exact = folder.does("evaluate plan.json --means 0.5,1 --json").json();
    let known =
        ["dispersion", "even_mean", "exact", "format", "k", "plan", "rows", "seed", "source", "version", "walks"];
    assert_eq!(keys(&simulated), known);
    assert_eq!(
        (&simulated["exact"], &simulated["walks"], &simulated["seed"]),
        (&false.into(), &20_000.into(), &7.into())
    );
    assert_eq!(simulated["source"], serde_json::json!({"kind": "independent"}));
    for (row, exact) in simulated["rows"].as_array().unwrap().iter().zip(exact["rows"].as_array().unwrap()) {
        for key in keys(exact).into_iter().filter(|key| *key != "mean") {
            let (value, se, exact) = (&row[&key], &row[format!("{key}_se")], &exact[&key]);
            let (value, se, exact) = (value.as_f64().unwrap(), se.as_f64().unwrap(), exact.as_f64().unwrap());
            // 16 numbers; quantiles are whole.
            assert!(
                (value - exact).abs() <= if key.contains("_p") { 1.0 } else { 4.5 * se },
                "{key}: {value} ± {se}, {exact}"
            );
        }
    }
    assert_eq!(simulated, folder.does(&format!("{words} --json")).json());
    let clustered = folder.does(&format!("{words} --shared 0.25 --run 5 --json")).json();
    assert_eq!(clustered["source"], serde_json::json!({"kind": "clustered", "shared": 0.25, "run": 5}));
    let whole = folder.does(&format!("{words} --shared 0.25 --whole-walk --json")).json();
    assert_eq!(whole["source"], serde_json::json!({"kind": "clustered", "shared": 0.25, "run": null}));
    let text = folder.does(&format!("{words} --shared 0.25 --whole-walk --k 1,2")).out;
    assert!(
        text.contains("20000 simulated walks") && text.contains("±") && text.contains("differs from the field"),
        "{text}"
    );
}

#[test]
fn decisions_of_a_walk() {
    let folder = with_plan();
    folder.write("table.csv", "sites,inadequate_at_most,adequate_at_least\n2,0,9\n4,3,8\n6,7,8\n");
    folder.does("plan --lines table.csv --k 1 --out table.json");
    let decide = |words: &str| folder.run(&format!("decide table.json {words} --json"));
    let d = decide("--counts 3,0,2").json();
    assert_eq!(
        keys(&d),
        [
            "after_stop",
            "any_time",
            "cautions",
            "check_of_k",
            "ended_by",
            "estimate",
            "final",
            "next_check",
            "plan",
            "sites",
            "stopped_at",
            "total",
            "verdict",
            "what_next"
        ]
    );
    assert_eq!((&d["verdict"], &d["final"], &d["ended_by"]), (&"keep_sampling".into(), &false.into(), &Value::Null));
    assert_eq!(d["next_check"], serde_json::json!({"sites": 4, "inadequate_at_most": 3, "adequate_at_least": 8}));
    // A total of 8 at site 4 stops; what is counted later changes nothing.
    let d = decide("--counts 3,0,2,3,0,0").json();
    assert_eq!((&d["verdict"], &d["stopped_at"], &d["after_stop"]), (&"adequate".into(), &4.into(), &2.into()));
    assert_eq!((&d["total"], &d["ended_by"], &d["final"]), (&8.into(), &"line".into(), &true.into()));
    // A site not counted is no site: the fourth counted one comes after it.
    let ran = decide("--counts 3,NA,0,2,3");
    assert_eq!((&ran.json()["verdict"], &ran.json()["stopped_at"]), (&"adequate".into(), &4.into()));
    assert!(ran.err.contains("1 site not counted"), "{}", ran.err);
    assert_eq!(decide("--counts 0,0").json()["verdict"], "inadequate");
    assert_eq!(decide("--counts 1,1,2,1,1,1").json()["ended_by"], "max_sites");
    // Rain: no call.
    let d = decide("--counts 3,0 --ended").json();
    assert_eq!((&d["verdict"], &d["final"], &d["ended_by"]), (&"keep_sampling".into(), &true.into(), &"scout".into()));
    assert_eq!((&d["next_check"], &d["cautions"][0]["code"]), (&Value::Null, &"ended_early".into()));
    // Groups are added.
    assert_eq!(decide("--counts 1+2,0,2+0").json()["total"], 5);
    let text = folder.does("decide table.json --counts 3,0,2").out;
    assert!(text.starts_with("Keep sampling: total 5 after 3 sites.\nNext check after 4 sites: "), "{text}");
    assert!(folder.does("decide table.json --counts 3,0,2,3").out.starts_with("ADEQUATE: total 8 after 4 sites."));
    assert!(folder.does("decide table.json --counts 3 --ended").out.starts_with("No call"));
}

#[test]
fn units_are_judged_one_by_one() {
    let folder = Folder::new();
    folder.write("table.csv", "sites,inadequate_at_most,adequate_at_least\n2,2,3\n");
    folder.does("plan --lines table.csv --score positive --above 1 --units 3 --out plan.json");
    let d = folder.does("decide plan.json --counts 5+0+2,1+1+2 --json").json();
    assert_eq!((&d["total"], &d["verdict"]), (&3.into(), &"adequate".into()));
    let ran = folder.run("decide plan.json --counts 5,1 --json");
    assert_eq!((ran.code, &ran.json()["errors"][0]["code"]), (Some(2), &"entry".into()));
}

#[test]
fn card_and_verification() {
    let folder = with_plan();
    let card = folder.does("card plan.json").out;
    let lines = folder.does("evaluate plan.json --means 1 --json"); // a plan that reads
    assert!(lines.code == Some(0) && card.contains("\n    5 ") && card.contains("   30 "), "{card}");
    assert_eq!(folder.does("card plan.json --out card.txt").out, "Written: card.txt\n");
    assert_eq!(folder.read("card.txt"), card);
    let json = folder.does("card plan.json --json").json();
    assert_eq!(json["card"].as_str(), Some(card.as_str()));
    let verified = folder.does("verify plan.json --json").json();
    assert_eq!((&verified["verified"], &verified["plan"]), (&true.into(), &json["plan"]));
    assert!(folder.does("verify plan.json").out.starts_with("Unchanged since it was made: sha256:"));
}

#[test]
fn levels_show_where_past_means_fall_and_pick_none() {
    let folder = Folder::new();
    folder.write("counts.csv", TWO_FIELDS);
    // Around 1.5 per site: one of the pairs is 1 and 2, and the means are 1.7 and 2.4.
    let levels = folder.does("levels --around 0.5 --per plant --from counts.csv --json").json();
    let pair = &levels["levels"].as_array().unwrap().iter().find(|l| l["adequate"] == 2.0).unwrap()["past"];
    assert_eq!(*pair, serde_json::json!({"at_or_below": 0, "between": 1, "at_or_above": 1}));
    let text = folder.does("levels --around 0.5 --per plant --from counts.csv").out;
    assert!(text.contains("0.3333 / 0.6667") && text.contains("0 / 1 / 1"), "{text}");
    assert!(text.contains("No pair is recommended"), "{text}");
}

/// The walks of the demo, as a plan would have stopped them, and what a study adds.
#[test]
fn fit_studies_walks_and_takes_account_of_a_plan() {
    let folder = Folder::new().with_demo();
    folder.does("plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 2 --out plan.json");
    let words = "fit demo-data/larkmoor.csv --count spiders,lacewings,pirate_bugs,lady_beetles";
    let fit = folder.run(&format!("{words} --stopped-by plan.json --study --draws 99 --json")).json();
    assert!(fit["stopped"]["walks"].as_u64().unwrap() > 10);
    assert!(fit["stopped"]["k"].as_f64().unwrap() > 0.2);
    assert_eq!(fit["laws"]["laws"].as_array().unwrap().len(), 4);
    assert_eq!(fit["spread"]["few_walks"], false);
    assert_eq!(fit["draws"]["seed"], 1);
    let again = folder.run(&format!("{words} --stopped-by plan.json --study --draws 99 --json")).json();
    assert_eq!(fit, again);
    let text = folder.run(&format!("{words} --study --draws 99")).out;
    for part in ["Power law a·m^b", "One k for all?", "Spread of k over fields", "These walks support"] {
        assert!(text.contains(part), "{part} not in {text}");
    }
}

/// Sites that are counted to a most: read, fitted, planned, decided and carried.
#[test]
fn counting_less() {
    let folder = Folder::new();
    let capped = TWO_FIELDS.replace(",9\n", ",4+\n");
    folder.write("capped.csv", &capped);
    let fit = folder.does("fit capped.csv --counted-to 4 --json").json();
    assert_eq!(fit["counted_to"], 4);
    assert!(fit["common"].get("k_cox_reid").is_some() && fit["fields"][0].get("at_most").is_some());
    assert!(folder.does("fit capped.csv --counted-to 4").out.contains("at the most"));
    assert_eq!(folder.run("fit capped.csv --counted-to 4 --study").code, Some(2));

    let asked = "plan --k 1.2 --plants 3 --per site --inadequate 1 --adequate 3 --max-sites 40";
    let report = folder.does(&format!("{asked} --counted-to 4 --out plan.json")).out;
    assert!(report.contains("What counting less costs") && report.contains("counted to 4"), "{report}");
    assert!(folder.does("card plan.json").out.contains("up to 4 and no further"));
    let decision = folder.does("decide plan.json --counts 9,4,12 --json").json();
    assert_eq!(decision["total"], 12);
    let plan: Value = serde_json::from_str(&folder.read("plan.json")).unwrap();
    assert_eq!(plan["score"], serde_json::json!({"of": "capped", "counted_to": 4}));
    folder.does("verify plan.json");

    let report = folder.does(&format!("{asked} --score positive --above 1")).out;
    assert!(report.contains("--above 0") && report.contains("bears another k best"), "{report}");
    let relation = folder.run("fit capped.csv --above 0 --counted-to 4 --json");
    assert_eq!(relation.code, Some(2));
}

/// The relation of positive sites to the mean is told as a plan takes it.
#[test]
fn the_relation_of_positive_sites_goes_into_a_plan() {
    let folder = Folder::new().with_demo();
    let words = "fit demo-data/larkmoor.csv --count lady_beetles,pirate_bugs,lacewings,spiders --above 0";
    let relation = folder.run(&format!("{words} --json")).json()["proportion"].clone();
    assert!(relation["walks"].as_u64().unwrap() > 10, "{relation}");
    let text = folder.does(words).out.replace('\n', " ");
    let flags = text.split_once("For a plan: ").unwrap().1.trim().to_owned();
    folder.does(&format!("plan {flags} --per site --inadequate 0.5 --adequate 2 --max-sites 100 --out plan.json"));
    let plan: Value = serde_json::from_str(&folder.read("plan.json")).unwrap();
    assert_eq!(plan["dispersion"]["model"], "proportion");
}

/// What the uncertainty of k does to the plan, and sites of another size.
#[test]
fn plans_say_what_an_uncertain_k_does() {
    let folder = Folder::new().with_demo();
    let words = "plan --from demo-data/larkmoor.csv --count lady_beetles,pirate_bugs,lacewings,spiders --per plant \
                 --inadequate 0.5 --adequate 1 --max-sites 80";
    let text = folder.does(&format!("{words} --calibration --draws 99 --seed 3")).out;
    assert!(
        text.contains("had these fields been counted anew") && text.contains("99 sets drawn from seed 3"),
        "{text}"
    );
    let ran = folder.run(&format!("{words} --calibration --draws 99 --json"));
    assert!(ran.code == Some(0) && ran.err.contains("counted anew"), "{ran:?}");
    let plan = folder.run(&format!("{words} --for-plants 6 --json")).json();
    assert_eq!((&plan["site"]["plants"], &plan["dispersion"]["model"]), (&6.into(), &"k_interval".into()));
    let [low, high] = ["low", "high"].map(|end| plan["dispersion"][end].as_f64().unwrap());
    assert!((high / low - 2.0).abs() < 1e-12);
    // Per plant: twice as many at a site of twice the plants.
    assert_eq!(plan["aim"]["thresholds"]["adequate"], 6.0);
    let text = folder.does(&format!("{words} --for-plants 6")).out;
    assert!(text.contains("nobody knows where"), "{text}");
}

/// Every stop with its interval by either order, as `decide` tells it for one walk.
#[test]
fn every_stop_by_plain_mean_and_by_stage() {
    let folder = with_plan();
    let found = ["plain_mean", "stage"].map(|order| {
        let table = folder
            .does(&format!("evaluate plan.json --means 1.5,3 --estimates --stops 6 --order {order} --json"))
            .json();
        assert_eq!((&table["order"], &table["level"]), (&order.into(), &0.9.into()));
        let rows = table["rows"].as_array().unwrap();
        assert!(rows.iter().all(|row| row["estimate"]["covers"].as_f64().unwrap() >= 0.9), "{table}");
        let d = folder.does(&format!("decide plan.json --counts 4,5,3,6,2 --order {order} --json")).json();
        let at = |stop: &&Value| stop["sites"] == d["sites"] && stop["total"] == d["total"];
        let stop = table["stops"].as_array().unwrap().iter().find(at).unwrap().clone();
        for limit in ["low", "high"] {
            let (a, b) = (stop[limit].as_f64().unwrap(), d["estimate"][limit].as_f64().unwrap());
            assert!((a / b - 1.0).abs() < 1e-7, "{order}: {stop} {d}");
        }
        stop
    });
    assert!(found[0]["mean"] == found[1]["mean"] && found[0]["low"] != found[1]["low"], "{found:?}");
    let text = folder.does("evaluate plan.json --means 1.5 --stops 6 --order stage").out;
    assert!(text.contains("stops in order by stage"), "{text}");
}
