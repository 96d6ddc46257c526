//! What the README shows is what the program prints.

use crate::run::{Folder, root};

/// The text between a fence of this kind and the next, after `heading`.
fn fenced<'a>(readme: &'a str, heading: &str, kind: &str) -> &'a str {
    let after = readme.split_once(heading).unwrap().1;
    after.split_once(&format!("```{kind}\n")).unwrap().1.split_once("```").unwrap().0
}

#[test]
fn the_first_command_prints_what_the_readme_shows() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let command = fenced(&readme, "## Try it", "sh").replace("\\\n", " ");
    let words = command.split_once(" -- ").unwrap().1;
    let folder = Folder::new().with_demo();
    let printed = folder.does(words).out;
    if std::env::var_os("UPDATE_README").is_some() {
        let shown = fenced(&readme, "## Try it", "text");
        let new = readme.replacen(&format!("```text\n{shown}```"), &format!("```text\n{printed}```"), 1);
        std::fs::write(root().join("README.md"), new).unwrap();
        return;
    }
    assert_eq!(fenced(&readme, "## Try it", "text"), printed, "UPDATE_README=1 writes it anew");
    assert_eq!(folder.names(), ["card.txt", "demo-data", "plan.json"]);
    folder.does("verify plan.json");
    assert_eq!(folder.read("card.txt"), folder.does("card plan.json").out);
}

/// The commands of the table run on files of these names.
#[test]
fn every_command_of_the_table_runs() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let folder = Folder::new();
    folder.write("counts.csv", crate::run::TWO_FIELDS);
    folder.write("plants.csv", "field,site,count\nheron,1,2\nheron,1,3\nheron,2,0\nheron,2,0\n");
    folder.write("groups.csv", "field,site,lady_beetles,spiders\nheron,1,2,1\nheron,2,0,4\nheron,3,0,0\n");
    folder.write(
        "places.csv",
        "field,site,row,step,scout,count\nheron,1,1,1,ann,2\nheron,2,1,2,bea,0\nheron,3,2,1,ann,5\n",
    );
    folder.write("table.csv", "sites,inadequate_at_most,adequate_at_least\n5,,14\n15,31,32\n");
    let mut commands =
        readme.lines().filter_map(|line| line.strip_prefix("| ")?.split_once("`stopline ")?.1.strip_suffix("` |"));
    let mut ran = 0;
    assert!(commands.all(|words| {
        ran += 1;
        folder.run(words).code == Some(0)
    }));
    assert_eq!(ran, 27);
}

/// The numbers of the table of plans are those of the plans.
#[test]
fn the_table_of_plans_is_true() {
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let folder = Folder::new();
    let mut seen = 0;
    for line in readme.lines().filter_map(|line| line.strip_prefix("| `--method ")) {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let method = cells[0].trim_end_matches('`');
        let asked = "--k 1.2 --per site --inadequate 1 --adequate 2 --max-sites 33";
        folder.does(&format!("plan {asked} --method {method} --out {method}.json"));
        let rows = folder.does(&format!("evaluate {method}.json --means 1,1.414,2 --json")).json()["rows"].clone();
        // Risks are rounded up, so that none is said to be smaller than it is.
        let risk = |row: usize, call: &str| (rows[row][call].as_f64().unwrap() * 1000.0 - 1e-9).ceil() / 10.0;
        let sites = (0..3).map(|row| rows[row]["expected_sites"].as_f64().unwrap());
        let true_ones: Vec<String> =
            [risk(0, "adequate"), risk(2, "inadequate")].into_iter().chain(sites).map(|x| format!("{x:.1}")).collect();
        assert_eq!(cells[2..7], true_ones, "{method}");
        seen += 1;
    }
    assert_eq!(seen, 8);
}

type DesignOfGuide =
    (&'static str, [&'static str; 2], &'static str, &'static str, &'static str, &'static str, &'static str);

/// The designs of the guide, by its headings: flags, thresholds, k and an interval around it, the middle, the most a
/// site is counted to.
const DESIGNS: [DesignOfGuide; 3] = [
    ("## Thresholds 1 and 2 per", ["1", "2"], "1.2", "0.9,1.8", "1.414", "4", "60"),
    ("## Few enemies", ["0.2", "0.6"], "0.5", "0.35,0.8", "0.346", "2", "120"),
    ("## Many enemies", ["4", "8"], "2", "1.4,3", "5.657", "12", "40"),
];

/// The guide's tables are those of the plans.
#[test]
fn the_guide_is_true() {
    let path = root().join("crates/stopline/PLANS.md");
    let mut guide = std::fs::read_to_string(&path).unwrap();
    let folder = Folder::new();
    for (heading, [low, high], k, interval, middle, most, cap) in DESIGNS {
        let two = format!("--inadequate {low} --adequate {high}");
        let kinds = [
            ("calibrated", two.clone()),
            ("optimal", format!("{two} --method optimal")),
            ("converging", format!("{two} --method converging")),
            ("wald", format!("{two} --method wald")),
            ("two-stage", format!("{two} --method two-stage")),
            ("curtailed", format!("{two} --method curtailed")),
            ("fixed", format!("{two} --method fixed")),
            ("interval, confidence 0.9", format!("--aim interval --critical {middle}")),
            (&format!("counted to {most}"), format!("{two} --counted-to {most}")),
            ("whether any", format!("{two} --score positive")),
            (&format!("interval of k, {}", interval.replace(',', " to ")), format!("{two} --k-interval {interval}")),
        ];
        let mut table =
            "| kind | low called adequate | high called inadequate | sites at low | in the middle | at high |\n"
                .to_owned();
        table += "|---|---|---|---|---|---|\n";
        for (kind, flags) in kinds {
            let ran = folder.run(&format!("plan --k {k} --per site --max-sites {cap} {flags} --out p.json"));
            if ran.code == Some(3) {
                table += &format!("| {kind} | no such plan up to {cap} sites | | | | |\n");
                continue;
            }
            assert_eq!(ran.code, Some(0), "{kind}: {ran:?}");
            let rows =
                folder.does(&format!("evaluate p.json --means {low},{middle},{high} --json")).json()["rows"].clone();
            // For an interval of k the plan states the worst.
            let plan: serde_json::Value = serde_json::from_str(&folder.read("p.json")).unwrap();
            let stated = |i: usize| plan["attained"]["rows"][i]["p"].as_f64().unwrap();
            let risks = if plan["aim"]["kind"] == "interval" {
                [rows[0]["adequate"].as_f64().unwrap(), rows[2]["inadequate"].as_f64().unwrap()]
            } else {
                [stated(0), stated(1)]
            };
            let risks = risks.map(|p| format!("{:.1}", (p * 1000.0 - 1e-9).ceil() / 10.0)).join(" | ");
            let sites = [0, 1, 2].map(|i| format!("{:.1}", rows[i]["expected_sites"].as_f64().unwrap())).join(" | ");
            table += &format!("| {kind} | {risks} | {sites} |\n");
        }
        let (before, after) = guide.split_once(heading).unwrap();
        let (title, rest) = after.split_once('\n').unwrap();
        let next = rest.find("\n## ").map_or(rest.len(), |i| i + 1);
        let new = format!(
            "{before}{heading}{title}\n\n{table}{}{}",
            if next < rest.len() { "\n" } else { "" },
            &rest[next..]
        );
        if std::env::var_os("UPDATE_README").is_some() {
            guide = new;
            std::fs::write(&path, &guide).unwrap();
        } else {
            assert_eq!(guide, new, "UPDATE_README=1 writes it anew");
        }
    }
}
