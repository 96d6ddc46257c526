//! What happens where there is no room, no reader, or no patience.
#![cfg(unix)]

use crate::run::{Folder, Ran, with_plan};
use std::fs::OpenOptions;
use std::process::{Command, Stdio};

const PLAN: &str = "plan --k 1.2 --per site --inadequate 1 --adequate 2";

/// Opens the device that is always full, where there is one.
fn full() -> Option<Stdio> {
    OpenOptions::new().write(true).open("/dev/full").ok().map(Stdio::from)
}

#[test]
fn a_full_device_as_output_is_a_failure_of_the_machine() {
    let folder = with_plan();
    for words in [PLAN, "card plan.json", "verify plan.json --json", "evaluate plan.json --means 1", "--help"] {
        let Some(full) = full() else { return };
        let ran: Ran = folder.command(words).stdout(full).output().unwrap().into();
        assert_eq!(ran.code, Some(1), "{words}: {ran:?}");
        assert!(ran.err.contains("standard output is not written"), "{words}: {ran:?}");
    }
    // Refused input stays refused, though nobody can be told.
    let full = full().unwrap();
    let ran: Ran = folder.command("verify none.json --json").stdout(full).output().unwrap().into();
    assert!(ran.code == Some(2) && ran.err.contains("none.json"), "{ran:?}");
}

/// A limit on the size of files stands for a disk without room.
fn without_room(folder: &Folder, words: &str) -> Ran {
    let program = env!("CARGO_BIN_EXE_stopline");
    let mut shell = Command::new("sh");
    shell.args(["-c", &format!("ulimit -f 0; exec {program} {words}")]).current_dir(folder.path("."));
    shell.output().unwrap().into()
}

#[test]
fn without_room_no_file_is_left_and_the_old_one_stays() {
    let folder = with_plan();
    let old = folder.read("plan.json");
    let words = PLAN.replace("1.2", "1.5");
    for (words, exit) in [
        (format!("{words} --out plan.json --card card.txt"), 1),
        (format!("{words} --card card.txt --json"), 1),
        ("card plan.json --out card.txt".to_owned(), 1),
        ("card plan.json".to_owned(), 0),
    ] {
        let ran = without_room(&folder, &words);
        assert_eq!(ran.code, Some(exit), "{words}: {ran:?}");
        assert_eq!(folder.names(), ["plan.json"], "{words}");
        assert_eq!(folder.read("plan.json"), old);
    }
    let ran = without_room(&folder, &format!("{words} --out new.json --json"));
    let e = &ran.json()["errors"][0];
    assert_eq!((e["code"].as_str(), e["what"].as_str()), (Some("file_write"), Some("new.json")));
}

#[test]
fn a_folder_that_is_not_there_is_a_failure_of_the_machine() {
    let folder = with_plan();
    let ran = folder.run(&format!("{PLAN} --out none/plan.json --card card.txt"));
    assert_eq!((ran.code, ran.out.as_str()), (Some(1), ""));
    assert!(ran.err.contains("none/plan.json is not written (No such file"), "{ran:?}");
    assert_eq!(folder.names(), ["plan.json"]);
    assert_eq!(folder.run(&format!("{PLAN} --out .")).code, Some(1));
}

#[test]
fn counts_are_never_overwritten_by_a_plan_from_them() {
    let folder = Folder::new();
    folder.write("counts.csv", crate::run::TWO_FIELDS);
    for out in ["counts.csv", "./counts.csv"] {
        let ran = folder.run(&format!("plan --from counts.csv --per site --inadequate 1 --adequate 2 --out {out}"));
        assert!(ran.code == Some(2) && ran.err.contains("another file than --from"), "{ran:?}");
    }
    assert_eq!(folder.read("counts.csv"), crate::run::TWO_FIELDS);
}

#[test]
fn an_old_file_is_replaced_and_a_link_stays_a_link() {
    let folder = with_plan();
    std::os::unix::fs::symlink("plan.json", folder.path("link.json")).unwrap();
    let ran = folder.does(&format!("{} --out link.json", PLAN.replace("1.2", "1.5")));
    assert!(ran.out.ends_with("Written: link.json\n"));
    assert!(folder.path("link.json").is_symlink());
    assert!(folder.read("plan.json").contains("\"k\": 1.5"));
    let ran = folder.does(&format!("{PLAN} --card /dev/null"));
    assert!(ran.out.ends_with("Written: /dev/null\n"));
}

#[test]
fn a_reader_that_has_gone_is_no_failure() {
    let folder = with_plan();
    let means = vec!["1"; 5000].join(",");
    let mut words = folder.command("evaluate plan.json --means");
    let mut child = words.arg(means).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    let ran: Ran = child.wait_with_output().unwrap().into();
    assert_eq!((ran.code, ran.err.as_str()), (Some(0), ""));
}

/// Work of many seconds, interrupted.
#[test]
fn an_interruption_is_told_and_nothing_is_written() {
    let folder = Folder::new();
    let words = "plan --k 1.2 --per site --inadequate 1000 --adequate 2000 --out plan.json";
    for json in ["", " --json"] {
        let mut command = folder.command(&format!("{words}{json}"));
        let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(500));
        assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
        let ran: Ran = child.wait_with_output().unwrap().into();
        assert_eq!(ran.code, Some(130), "{ran:?}");
        if json.is_empty() {
            assert_eq!((ran.out.as_str(), ran.err.as_str()), ("", "error: interrupted before the end\n"));
        } else {
            assert_eq!(ran.json()["errors"][0]["code"], "interrupted");
        }
        assert!(folder.names().is_empty());
    }
}
