//! Tables of lines typed in, of every aim, and what stands beside them.

use crate::run::Folder;

/// A plan derived, its table typed in anew, and the report of that.
fn typed_in(asked: &str, columns: &[&str]) -> String {
    let folder = Folder::new();
    let derived = folder.run(&format!("plan {asked} --json")).json();
    let mut table = format!("sites,{}\n", columns.join(","));
    for row in derived["lines"].as_array().unwrap() {
        let cells = columns.iter().map(|column| row[*column].as_i64().map_or_else(String::new, |t| t.to_string()));
        table += &format!("{},{}\n", row["sites"], cells.collect::<Vec<_>>().join(","));
    }
    folder.write("table.csv", table);
    let shape = ["--min-sites", "--max-sites", "--every", "--method", "--closing"];
    let mut words = asked.split(' ').collect::<Vec<_>>();
    while let Some(at) = words.iter().position(|word| shape.contains(word)) {
        words.drain(at..at + 2);
    }
    let report = folder.does(&format!("plan {} --lines table.csv --out table.json", words.join(" "))).out;
    folder.does("verify table.json");
    report
}

#[test]
fn a_table_of_every_aim_stands_beside_what_it_could_have_been() {
    let two = &["inadequate_at_most", "adequate_at_least"][..];
    let three = &["inadequate_at_most", "marginal_from", "marginal_to", "adequate_at_least"][..];
    for (asked, columns, said) in [
        (
            "--k 2 --per site --inadequate 1.5 --adequate 3 --max-sites 20 --method wald",
            two,
            &["calibrated plan, no larger risks", "optimal plan, no larger risks"][..],
        ),
        (
            "--score positive --above 1 --k 1.2 --per site --inadequate 0.5 --adequate 2 --max-sites 40 --method wald",
            two,
            &["calibrated plan, no larger risks", "optimal plan, no larger risks"],
        ),
        (
            "--counted-to 4 --k 1.2 --per site --inadequate 1 --adequate 2 --max-sites 40 --method wald",
            two,
            &["calibrated plan, no larger risks"],
        ),
        (
            "--k 1.2 --per site --aim three-calls --inadequate 1 --adequate 2 --upper-inadequate 4 --upper-adequate 7 \
             --max-sites 60 --method wald",
            three,
            &["wrong calls in 100 fields", "calibrated plan, no larger risks", "As straight lines"],
        ),
        (
            "--power-law 3.05,1.02 --per site --aim interval --critical 1 --confidence 0.85 --sides one --min-sites 15 \
             --max-sites 50",
            two,
            &["errs as often as its confidence allows", "the formula's lines", "calibrated plan, no larger risks"],
        ),
        (
            "--k 2 --per site --aim precision --se-over-mean 0.25 --min-sites 10 --max-sites 60",
            &["enough_at_least"],
            &["means from 0.3167 to 8", "the formula's lines", "tuned plan, no less precise", "worst true"],
        ),
    ] {
        let report = typed_in(asked, columns);
        assert!(report.contains("Other plans at the same checks") && report.contains("this plan"), "{report}");
        let report = report.split_whitespace().collect::<Vec<_>>().join(" ");
        said.iter().for_each(|said| assert!(report.contains(said), "{said} not in {report}"));
    }
}
