//! Studies that are stopped and go on.

use crate::run::{Folder, with_plan};
use std::process::Stdio;
use std::time::Duration;

const GRID: &str = "--means 0.5,1,2 --k 0.6,1.2 --shared 0,0.25 --run 5 --simulate 2000 --repeats 50 --seed 7";

fn shards(folder: &Folder, study: &str) -> usize {
    let names = std::fs::read_dir(folder.path(study)).into_iter().flatten();
    names.filter(|entry| entry.as_ref().unwrap().file_name().to_string_lossy().starts_with("shard-")).count()
}

/// Killed 50 times at random, the results are those of a study that was not. One that ends before its kill is
/// compared, and another begun.
#[test]
fn a_study_that_is_killed_goes_on() {
    let folder = with_plan();
    folder.does(&format!("study plan.json --folder whole {GRID} --workers 1"));
    let known = folder.read("whole/results.csv");
    assert_eq!(known.lines().count(), 1 + 2 * 2 * 50 * 3);
    let (mut random, mut killed, mut study, mut begun) = (1_u64, 0, 0, 0);
    let command = |study: u32| format!("study plan.json --folder killed-{study} {GRID}");
    while killed < 50 {
        let mut child = folder.command(&command(study)).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        std::thread::sleep(Duration::from_millis(2 + (random >> 33) % 60));
        if child.try_wait().unwrap().is_none() {
            child.kill().unwrap(); // SIGKILL
            child.wait().unwrap();
            killed += 1;
        } else {
            assert_eq!(folder.read(&format!("killed-{study}/results.csv")), known);
            study += 1;
        }
        begun = begun.max(shards(&folder, &format!("killed-{study}")));
        assert!(study < 1000, "the study ends before it can be killed");
    }
    assert!(begun >= 2, "{begun} shards of one study");
    let command = command(study);
    folder.does(&format!("{command} --workers 3"));
    assert_eq!(folder.read(&format!("killed-{study}/results.csv")), known);
    // What is done is not done again.
    let again = folder.run(&format!("{command} --json --out again.csv"));
    assert_eq!((again.code, &again.json()["computed"]), (Some(0), &0.into()));
    assert_eq!(folder.read("again.csv"), known);
}

#[test]
fn real_walks_are_drawn_again() {
    let folder = with_plan();
    let mut counts = "field,visit,site,plants,count\n".to_owned();
    for (site, count) in (1..).zip([0, 3, 1, 0, 2, 5, 1, 0]) {
        counts += &format!("owl,1,{site},3,{count}\n");
    }
    folder.write("counts.csv", counts);
    let grid = "--resample counts.csv --redraw with-replacement,blocks --block 2 --simulate 500 --repeats 3";
    let ran = folder.run(&format!("study plan.json --folder r {grid} --json"));
    assert_eq!((ran.code, &ran.json()["cells"]), (Some(0), &6.into()));
    let table = folder.read("r/results.csv");
    assert_eq!(table.lines().filter(|line| line.contains(",blocks,2,")).count(), 3);
    assert!(table.lines().skip(1).all(|line| line.contains(",owl,1,1.5,")), "{table}");
    // Beside the cells of laws; other counts are another study.
    let ran = folder.run(&format!("study plan.json --folder both {grid} --means 1,2 --json"));
    assert_eq!((ran.code, &ran.json()["cells"]), (Some(0), &9.into()));
    folder.write("counts.csv", folder.read("counts.csv") + "owl,1,9,3,4\n");
    let ran = folder.run(&format!("study plan.json --folder r {grid} --json"));
    assert_eq!((ran.code, &ran.json()["errors"][0]["code"]), (Some(2), &"combination".into()));
    for (words, what) in [
        ("--resample counts.csv --block 2 --simulate 10", "--block"),
        ("--resample counts.csv --counted-to 2 --simulate 10", "--counted-to"),
        ("--resample counts.csv --plants 2 --simulate 10", "plants of a site"),
    ] {
        let ran = folder.run(&format!("study plan.json --folder t {words} --json"));
        assert_eq!(ran.code, Some(2), "{words}");
        if what != "plants of a site" {
            assert_eq!(ran.json()["errors"][0]["what"], what, "{words}");
        }
    }
}

#[test]
fn a_folder_keeps_one_study() {
    let folder = with_plan();
    let grid = "--means 1 --simulate 100 --repeats 3";
    let ran = folder.run(&format!("study plan.json --folder s {grid} --json"));
    assert_eq!((ran.code, &ran.json()["cells"], &ran.json()["computed"]), (Some(0), &3.into(), &3.into()));
    let again = folder.run(&format!("study plan.json --folder s {grid} --json"));
    assert_eq!((again.code, &again.json()["computed"]), (Some(0), &0.into()));
    let other = folder.run(&format!("study plan.json --folder s {grid} --seed 2 --json"));
    assert_eq!((other.code, &other.json()["errors"][0]["code"]), (Some(2), &"combination".into()));
    // A line that was changed is named.
    let shard = folder.read("s/shard-1.jsonl").replacen("adequate\":0", "adequate\":1", 1);
    folder.write("s/shard-1.jsonl", shard);
    let ran = folder.run(&format!("study plan.json --folder s {grid} --json"));
    assert_eq!((ran.code, &ran.json()["errors"][0]["code"]), (Some(2), &"log".into()));
    for (words, what) in [
        ("study plan.json --folder t --means 1 --simulate 1", "--simulate"),
        ("study plan.json --folder t --means 1 --simulate 10 --shared 0.2", "--run or --whole-walk"),
        ("study plan.json plan.json --folder t --means 1 --simulate 10", "name of two plans"),
    ] {
        let ran = folder.run(&format!("{words} --json"));
        assert_eq!((ran.code, &ran.json()["errors"][0]["what"]), (Some(2), &what.into()), "{words}");
    }
}
