//! The tally in the field, driven as by a person at a terminal.

use crate::run::{Folder, Ran, with_plan};
use serde_json::Value;
use std::io::{BufReader, Read, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Arc;
use stopline::decide::{Log, LogHead};
use stopline::plan::Plan;

/// Types lines into a run and gives what it printed.
fn typed(folder: &Folder, words: &str, lines: &str) -> Ran {
    let mut child =
        folder.command(words).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(lines.as_bytes()).unwrap();
    child.wait_with_output().unwrap().into()
}

/// Words with one blank between them, however they were wrapped.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A run that is spoken to line by line.
struct Spoken {
    child: Child,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
}

impl Spoken {
    fn new(mut command: Command) -> Self {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let (input, output) = (child.stdin.take().unwrap(), BufReader::new(child.stdout.take().unwrap()));
        Self { child, input, output }
    }

    fn types(&mut self, line: &str) {
        writeln!(self.input, "{line}").unwrap();
    }

    /// Reads until a prompt that ends in this.
    fn until(&mut self, end: &str) -> String {
        let mut seen = Vec::new();
        while !String::from_utf8_lossy(&seen).ends_with(end) {
            let mut byte = [0];
            assert_eq!(self.output.read(&mut byte).unwrap(), 1, "{}", String::from_utf8_lossy(&seen));
            seen.push(byte[0]);
        }
        String::from_utf8(seen).unwrap()
    }
}

#[test]
fn a_field_is_walked_left_and_gone_on_with() {
    let folder = with_plan();
    let words = "walk plan.json --field Plover --visit 1 --log plover.jsonl";
    let ran = typed(&folder, words, "2\n3\nthree\n3.5\nskip\nnote dew\nshort\nundo\n4\npause\n7\nleave\n");
    assert_eq!((ran.code, ran.err.as_str()), (Some(0), ""));
    for said in [
        "KEEP SAMPLING",
        "Not taken",
        "A site is 3 plants",
        "never scale up",
        "type resume",
        "Site 4:",
        "(common practice)",
    ] {
        assert!(flat(&ran.out).contains(said), "{said}: {}", ran.out);
    }
    assert!(ran.out.lines().all(|line| line.len() <= 80) && !ran.out.contains('\u{1b}'), "{}", ran.out);
    let log = folder.read("plover.jsonl");
    assert_eq!(log.lines().count(), 1 + 7);
    // Torn by a crash, then gone on with to a stop.
    folder.write("plover.jsonl", format!("{log}{{\"seq\":8,\"at"));
    let ran = typed(&folder, words, "resume\n9\n2\nend\n");
    assert!(ran.out.contains("Going on with") && ran.out.contains("ADEQUATE"), "{}", ran.out);
    let d = folder.does("decide --log plover.jsonl --json").json();
    assert_eq!((&d["verdict"], &d["sites"], &d["total"]), (&"adequate".into(), &5.into(), &20.into()));
    assert_eq!(folder.does("decide plan.json --counts 2,3,4,9,2 --json").json(), d);
    // Another plan, another field, a log that was changed.
    folder.does("plan --k 1 --plants 3 --per site --inadequate 1 --adequate 2 --out other.json");
    for (words, lines) in [
        ("walk other.json --field Plover --log plover.jsonl --json", ""),
        ("walk plan.json --field Heron --log plover.jsonl --json", ""),
        ("decide other.json --log plover.jsonl --json", ""),
    ] {
        let ran = typed(&folder, words, lines);
        assert_eq!((ran.code, &ran.json()["errors"][0]["code"]), (Some(2), &"log".into()), "{words}: {ran:?}");
    }
    folder.write("plover.jsonl", folder.read("plover.jsonl").replacen("\"counts\":[3]", "\"counts\":[2]", 1));
    let ran = typed(&folder, &format!("{words} --json"), "");
    assert_eq!((ran.code, &ran.json()["errors"][0]["row"]), (Some(2), &4.into()), "{ran:?}");
}

/// A line too long to be typed is no note with a count at its end; another visit is another walk; a walk of another day is
/// told as such.
#[test]
fn a_log_is_gone_on_with_only_by_its_own_walk() {
    let folder = with_plan();
    let long = format!("note {}12\n3\nleave\n", "x".repeat(4091));
    let ran = typed(&folder, "walk plan.json --field Snipe --visit 1 --log snipe.jsonl", &long);
    assert!(flat(&ran.out).contains("Not taken: a line of more than 4096 bytes"), "{}", ran.out);
    assert_eq!(folder.does("decide --log snipe.jsonl --json").json()["total"], 3);
    let ran = typed(&folder, "walk plan.json --field Snipe --visit 2 --log snipe.jsonl --json", "");
    assert_eq!((ran.code, &ran.json()["errors"][0]["what"]), (Some(2), &"visit".into()));
    let ran = typed(&folder, "walk plan.json --field Snipe --log snipe.jsonl", "leave\n");
    assert!(flat(&ran.out).contains("visit 1.") && !ran.out.contains("another day"), "{}", ran.out);
    let plan = Arc::new(Plan::from_json(&folder.read("plan.json")).unwrap());
    let head = LogHead { field: "Snipe".into(), visit: "1".into(), at: "2026-06-30T08:00:00Z".into() };
    folder.write("old.jsonl", Log::start(plan, head).unwrap().1);
    let ran = typed(&folder, "walk plan.json --field Snipe --log old.jsonl", "leave\n");
    assert!(flat(&ran.out).contains("Another day starts from zero"), "{}", ran.out);
}

#[test]
fn what_is_confirmed_survives_a_kill() {
    let folder = with_plan();
    let mut walk = Spoken::new(folder.command("walk plan.json --field Heron --log heron.jsonl"));
    walk.until("Site 1:");
    for (number, count) in (2..).zip(["0", "2", "1"]) {
        walk.types(count);
        walk.until(&format!("Site {number}:"));
    }
    // A second window on the log is refused while the first is open.
    let second = typed(&folder, "walk plan.json --field Heron --log heron.jsonl --json", "");
    assert_eq!((second.code, &second.json()["errors"][0]["value"]), (Some(2), &"open in another window".into()));
    walk.child.kill().unwrap(); // SIGKILL
    walk.child.wait().unwrap();
    let d = folder.does("decide --log heron.jsonl --json").json();
    assert_eq!((&d["sites"], &d["total"], &d["verdict"]), (&3.into(), &3.into(), &"keep_sampling".into()));
    let ran = typed(&folder, "walk plan.json --field Heron --log heron.jsonl", "leave\n");
    assert!(ran.out.contains("Site 4:"), "{}", ran.out);
}

/// Killed at any moment while counts pour in: the log holds what was confirmed, in order, and goes on.
#[test]
fn a_kill_at_any_moment_keeps_what_was_confirmed() {
    let folder = with_plan();
    let words = "walk plan.json --field Rail --log rail.jsonl";
    let mut known = 0;
    for kill in 0..15_u64 {
        let mut walk = Spoken::new(folder.command(words));
        walk.until(&format!("Site {}:", known + 1));
        for count in 1..=20 {
            walk.types(&count.to_string());
        }
        std::thread::sleep(std::time::Duration::from_millis(3 * kill));
        walk.child.kill().unwrap(); // SIGKILL
        walk.child.wait().unwrap();
        let mut said = String::new();
        walk.output.read_to_string(&mut said).unwrap();
        let confirmed = said.matches(" taken.").count();
        // The first line is on disk before the first count is asked for.
        let log = folder.read("rail.jsonl");
        let whole = log.rsplit_once('\n').map_or("", |(whole, _)| whole);
        let entries: Vec<Value> = whole.lines().skip(1).map(|line| serde_json::from_str(line).unwrap()).collect();
        let counts: Vec<u64> = entries[known..].iter().map(|entry| entry["counts"][0].as_u64().unwrap()).collect();
        assert!((confirmed..=20).contains(&counts.len()), "{confirmed} {counts:?}");
        assert!((1..).zip(&counts).all(|(i, &count)| i == count), "{counts:?}");
        known = entries.len();
        let d = folder.does("decide --log rail.jsonl --json").json();
        assert_eq!(d["sites"].as_u64().unwrap() + d["after_stop"].as_u64().unwrap(), known as u64);
    }
    assert!(known > 0);
}

#[test]
fn an_alarm_names_the_plan_for_a_lower_k() {
    let folder = Folder::new();
    let plan = "plan --k 2 --plants 3 --per site --inadequate 1.5 --adequate 3 --min-sites 5 --max-sites 25";
    let report = folder.does(&format!("{plan} --out plan.json --fallback low.json")).out;
    assert!(flat(&report).contains("silence is not reassurance"), "{report}");
    let low: Value = serde_json::from_str(&folder.read("low.json")).unwrap();
    assert_eq!(low["dispersion"]["k"], 1.0);
    let d = folder.does("decide plan.json --counts 0,0,9,1 --fallback low.json --json").json();
    assert_eq!((&d["check_of_k"]["alarmed_at"], &d["cautions"][0]["code"]), (&3.into(), &"more_clumped".into()));
    assert_eq!((&d["check_of_k"]["sites"], &d["fallback"]["verdict"]), (&4.into(), &"keep_sampling".into()));
    let calm = folder.does("decide plan.json --counts 2,3,1,2 --fallback low.json --json").json();
    assert_eq!((&calm["check_of_k"]["alarmed_at"], &calm["fallback"]), (&Value::Null, &Value::Null));
    let text = flat(&folder.does("decide plan.json --counts 2,3,1,2").out);
    assert!(text.contains("no alarm. Silence is not reassurance"), "{text}");
    let ran = typed(&folder, "walk plan.json --field Ruff --log ruff.jsonl --fallback low.json", "0\n0\n9\nleave\n");
    let said = flat(&ran.out);
    assert!(
        said.contains("MORE CLUMPED THAN PLANNED") && said.contains("By the plan for a lower k (low.json)"),
        "{said}"
    );
    assert!(ran.out.lines().all(|line| line.len() <= 80));
    // What each walk is told after a site: sites still likely, at both thresholds too, and the chance of each call.
    assert!(
        said.contains("As counted so far:") && said.contains("If truly 1.5:") && said.contains("If truly 3:"),
        "{said}"
    );
    // Another site cannot be its fallback; a plan without the check says why.
    folder.does("plan --k 2 --plants 1 --per site --inadequate 1.5 --adequate 3 --out one.json");
    let ran = folder.run("decide plan.json --counts 1 --fallback one.json --json");
    assert_eq!((ran.code, &ran.json()["errors"][0]["code"]), (Some(2), &"combination".into()));
    folder.does(
        "plan --power-law 2,1.4 --plants 3 --per site --inadequate 1 --adequate 2.5 --max-sites 60 --out law.json",
    );
    let d = folder.does("decide law.json --counts 0,1,0,2 --json").json();
    assert_eq!(d["check_of_k"], Value::Null);
    assert!(d["cautions"].as_array().unwrap().iter().any(|c| c["code"] == "k_not_checked"), "{d}");
    // Of the plan, and of a season.
    let found = folder.does("evaluate plan.json --check-of-k --json").json();
    assert!(found["false_alarms"].as_f64().unwrap() <= 0.05 && found["rows"].as_array().unwrap().len() == 2, "{found}");
    let seasons = found["seasons"].as_array().unwrap();
    assert!(seasons[2]["noticed"].as_f64() > seasons[0]["noticed"].as_f64(), "{found}");
    folder.write(
        "stopped.csv",
        "field,visit,site,plants,count\na,1,1,3,0\na,1,2,3,0\na,1,3,3,19\na,1,4,3,0\na,1,5,3,1\nb,1,1,3,0\nb,1,2,3,17\nb,1,3,3,0\nb,1,4,3,0\nb,1,5,3,2\n",
    );
    let fit = folder.does("fit stopped.csv --stopped-by plan.json --json").json();
    assert!(fit["check_of_k"]["p"].as_f64().unwrap() < 0.01 && fit["check_of_k"]["walks"] == 2, "{fit}");
    let text = flat(&folder.does("fit stopped.csv --stopped-by plan.json").out);
    assert!(text.contains("2 walks together") && text.contains("More clumped than the plan"), "{text}");
}

#[test]
fn several_fields_a_day_and_an_early_end() {
    let folder = with_plan();
    let lines = "1\n2\nend\n";
    let ran = typed(&folder, "walk plan.json --field Owl --visit 2 --log owl.jsonl --json", lines);
    let d = ran.json();
    assert_eq!((&d["verdict"], &d["ended_by"], &d["final"]), (&"keep_sampling".into(), &"scout".into(), &true.into()));
    assert!(
        flat(&ran.err).contains("NO CALL") && flat(&ran.err).contains("Another day starts from zero"),
        "{}",
        ran.err
    );
    assert!(flat(&ran.err).contains("Whenever one looks"), "{}", ran.err);
    // The most sites without a call: what was learnt, and that nothing is carried over.
    folder.does("plan --k 2 --plants 3 --per site --inadequate 1.5 --adequate 3 --max-sites 6 --method wald --closing undecided --out open.json");
    let text = flat(&folder.does("decide open.json --counts 2,2,2,2,2,3").out);
    for said in ["Undecided: total 13 after 6 sites", "Another day starts from zero", "corrected for stopping"] {
        assert!(text.contains(said), "{said}: {text}");
    }
    let ran = typed(&folder, "walk plan.json --visit 2", "Wren\n3\nfield Sand martin\n1\nfield\nKite\n2\n");
    assert_eq!(ran.code, Some(0));
    let names = folder.names();
    for name in ["walk-Wren-2.jsonl", "walk-Sand-martin-2.jsonl", "walk-Kite-2.jsonl"] {
        assert!(names.iter().any(|n| n == name), "{names:?}");
    }
}

#[test]
fn conditions_that_the_plan_names_are_asked() {
    let folder = with_plan();
    let plan = folder.read("plan.json").replacen("\"stage\": \"\"", "\"stage\": \"first bloom\"", 1);
    assert!(plan.contains("first bloom"));
    folder.write("plan.json", plan);
    let words = "walk plan.json --field Dove --log dove.jsonl";
    let ran = typed(&folder, words, "no\nno\n");
    assert!(ran.out.contains("first bloom") && ran.out.contains("Not begun"), "{}", ran.out);
    assert!(!folder.names().contains(&"dove.jsonl".to_owned()));
    typed(&folder, words, "yes\n1\nleave\n");
    assert!(folder.read("dove.jsonl").contains("Growth stage: first bloom: yes"));
}

#[test]
fn a_full_disk_is_told_and_tried_again() {
    let folder = with_plan();
    let program = env!("CARGO_BIN_EXE_stopline");
    let shell = |script: &str| {
        let mut command = Command::new("sh");
        command.args(["-c", script]).current_dir(folder.path("."));
        command
    };
    typed(&folder, "walk plan.json --field Teal --log teal.jsonl", "1\nleave\n");
    let before = folder.read("teal.jsonl");
    // The file may grow by less than a block of 512 bytes: a few entries find no room.
    let blocks = before.len() / 512 + 1;
    let script = format!("ulimit -S -f {blocks}; exec {program} walk plan.json --field Teal --log teal.jsonl");
    let mut walk = Spoken::new(shell(&script));
    walk.until("Site 2:");
    let mut refused = 0;
    for site in 3..9 {
        walk.types("1");
        refused += usize::from(walk.until(&format!("Site {site}:")).contains("NOT ON DISK"));
    }
    assert!(refused > 0);
    let there = folder.read("teal.jsonl");
    assert!(there.starts_with(&before) && there.ends_with('\n'), "whole lines only");
    let pid = walk.child.id().to_string();
    let lifted = Command::new("prlimit").args(["--pid", &pid, "--fsize=unlimited"]).status();
    if lifted.is_ok_and(|status| status.success()) {
        walk.types("");
        let said = walk.until("Site 8:");
        assert!(said.contains("On disk now"), "{said}");
        walk.types("leave");
        assert!(walk.child.wait().unwrap().success());
        let d: Value = folder.does("decide --log teal.jsonl --json").json();
        assert_eq!((&d["sites"], &d["total"]), (&7.into(), &7.into()));
    } else {
        eprintln!("no prlimit here: the second attempt was not tested");
        walk.child.kill().unwrap();
    }
    // Left with no room: the entries are told, and it is a failure of the machine.
    let mut shell = shell(&format!("ulimit -f 0; exec {program} walk plan.json --field Coot --log coot.jsonl"));
    let mut child = shell.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(b"4\n").unwrap();
    let ran: Ran = child.wait_with_output().unwrap().into();
    assert_eq!(ran.code, Some(1));
    assert!(ran.out.contains("NOT ON DISK") && ran.out.contains("\"counts\":[4]"), "{}", ran.out);
    // The same without a plan; nobody goes on to the next field meanwhile.
    let script = format!("ulimit -f 0; exec {program} walk --field Coot --visit 1 --log coot.csv");
    let mut command = Command::new("sh");
    command.args(["-c", &script]).current_dir(folder.path("."));
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(b"4\nfield Rail\n5\nend\n").unwrap();
    let ran: Ran = child.wait_with_output().unwrap().into();
    assert_eq!(ran.code, Some(1));
    assert!(ran.out.contains("Coot,1,1,3,4\nCoot,1,2,3,5\n") && !ran.out.contains("Kept in"), "{}", ran.out);
}

#[test]
fn counting_without_a_plan_makes_a_table_that_fit_reads() {
    let folder = Folder::new();
    let words = "walk --visit 1 --groups lady_beetles,spiders --plants 3 --log counts.csv";
    let ran = typed(
        &folder,
        &format!("{words} --field Plover"),
        "1 2\n0+0\n3\nskip\n5 5\nundo\nfield Heron\n0 2\n1 3\n2 0\n",
    );
    assert_eq!((ran.code, ran.err.as_str()), (Some(0), ""), "{}", ran.out);
    let table = "field,visit,site,plants,lady_beetles,spiders\n\
        Plover,1,1,3,1,2\nPlover,1,2,3,0,0\nPlover,1,3,3,NA,NA\nHeron,1,1,3,0,2\nHeron,1,2,3,1,3\nHeron,1,3,3,2,0\n";
    assert_eq!(folder.read("counts.csv"), table);
    // Torn by a crash, gone on with; the last site can still be taken back.
    folder.write("counts.csv", format!("{table}Heron,1,4,"));
    typed(&folder, &format!("{words} --field Heron"), "undo\n4 0\nend\n");
    assert_eq!(folder.read("counts.csv"), table.replace("Heron,1,3,3,2,0", "Heron,1,3,3,4,0"));
    // Back in a field that was counted before: its sites go on.
    typed(&folder, &format!("{words} --field Heron"), "field Plover\n7 7\nend\n");
    assert!(folder.read("counts.csv").ends_with("Plover,1,4,3,7,7\n"), "{}", folder.read("counts.csv"));
    folder.does("fit counts.csv --count lady_beetles,spiders");
    let ran = typed(&folder, "walk --field Heron --log counts.csv --json", "");
    assert_eq!((ran.code, &ran.json()["errors"][0]["code"]), (Some(2), &"counts_column".into()));
}

#[test]
fn a_practice_field_keeps_nothing() {
    let folder = with_plan();
    let ran = typed(&folder, "walk plan.json --practice --seed 3", &"\n".repeat(30));
    assert!(ran.out.contains("The hidden mean was") && ran.out.contains("You count"), "{}", ran.out);
    assert_eq!(folder.names(), ["plan.json"]);
    let again = typed(&folder, "walk plan.json --practice --seed 3", &"\n".repeat(30));
    assert_eq!(ran.out, again.out);
    // More taken back than there is: said, and the field goes on.
    let ran = typed(&folder, "walk plan.json --practice --seed 3", "\nundo\nundo\n\nend\n");
    assert!(ran.code == Some(0) && ran.out.contains("Not taken") && ran.out.contains("The hidden mean"), "{ran:?}");
}

#[test]
fn plain_words_and_a_record() {
    let folder = with_plan();
    let text = folder.does("decide plan.json --counts 4,5,3,6,2 --words --record a.json").out;
    assert!(flat(&text).contains("There are enough natural enemies"), "{text}");
    assert!(flat(&text).contains("at most 10 times in 100"), "{text}");
    assert!(!text.contains("% sure") && !text.contains("alpha"), "{text}");
    // Nominal lines that call a field at the high level inadequate 10.8 times in 100, asked 10.
    folder.does("plan --k 0.5 --plants 1 --per site --inadequate 0.2 --adequate 0.4 --method wald --min-sites 1 --max-sites 120 --out over.json");
    let zeros = vec!["0"; 60].join(",");
    let text = flat(&folder.does(&format!("decide over.json --counts {zeros} --words")).out);
    assert!(text.contains("too few") && !text.contains("at most 10 times in 100"), "{text}");
    let record: Value = serde_json::from_str(&folder.read("a.json")).unwrap();
    assert_eq!((&record["format"], &record["decision"]["verdict"]), (&"stopline/record".into(), &"adequate".into()));
    assert_eq!(record["entries"][1], serde_json::json!(["site", "5"]));
    folder.does("decide plan.json --counts 4,5,3,6,2 --record b.csv");
    let table = folder.read("b.csv");
    for part in ["what,value", "verdict,adequate", "site,5", "caution_informs_only,", "plan,sha256:"] {
        assert!(table.contains(part), "{part}: {table}");
    }
    let text = folder.does("decide plan.json --counts 1,2 --ended --words").out;
    assert!(flat(&text).contains("another day starts from zero"), "{text}");
}
