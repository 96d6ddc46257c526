//! The invented demo data, read as a user would.
#![allow(clippy::unwrap_used, clippy::panic)] // a test

use stopline::Code;
use stopline::counts::{COUNT_COLUMN, Counts, FieldWalk, PlantsFrom, Reading};

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../demo-data/");
const GROUPS: &str = "lady_beetles,pirate_bugs,lacewings,spiders";

fn bytes(file: &str) -> Vec<u8> {
    std::fs::read(format!("{FOLDER}{file}")).unwrap()
}

#[test]
fn groups_must_be_chosen_and_are_listed() {
    let errors = Counts::read(&bytes("larkmoor.csv")[..], &Reading::default()).unwrap_err();
    let [e] = errors.as_slice() else { panic!("{errors}") };
    assert_eq!((e.code(), e.what(), e.allowed()), (Code::CountsColumn, COUNT_COLUMN, GROUPS));
}

#[test]
fn larkmoor_reads_as_its_readme_says() {
    let how = Reading { count: GROUPS.split(',').map(str::to_owned).collect(), ..Reading::default() };
    let counts = Counts::read(&bytes("larkmoor.csv")[..], &how).unwrap();
    assert_eq!((counts.plants.get(), counts.noticed.plants_from), (3, PlantsFrom::Column));
    assert_eq!(counts.walks.len(), 24);
    for walk in &counts.walks {
        assert!((25..=30).contains(&walk.sites.len()), "{walk:?}");
        assert_eq!((walk.sites[0], walk.skipped()), (1, 0), "{walk:?}");
        assert!(walk.present().sum::<u32>() > 0, "{walk:?}");
    }
    // Counted in the file with a text tool: rows with `NA`, and the sum of the other rows.
    assert_eq!((counts.noticed.rows, counts.noticed.missing_sites), (686, 12));
    assert_eq!(counts.walks.iter().flat_map(FieldWalk::present).sum::<u32>(), 1390);
}

/// `mistakes.csv`: every mistake once, and nothing else.
#[test]
fn every_mistake_is_found_on_its_row() {
    let errors = Counts::read(&bytes("mistakes.csv")[..], &Reading::default()).unwrap_err();
    let found: Vec<_> = errors
        .as_slice()
        .iter()
        .map(|e| (e.place().row.unwrap(), e.place().column.as_deref().unwrap_or(""), e.code(), e.value().unwrap()))
        .collect();
    let expected = [
        (3, "count", Code::CountsValue, "3.5"),
        (4, "count", Code::CountsValue, "-1"),
        (5, "count", Code::CountsValue, "few"),
        (6, "plants", Code::CountsPlants, "5"),
        (8, "site", Code::CountsRepeated, "6"),
        (9, "field", Code::CountsValue, "empty"),
        (10, "count", Code::CountsValue, "4294967296"),
        (11, "site", Code::CountsTotal, "Total in a row that seems to add up others"),
        (14, "site", Code::CountsOrder, "2"),
        (15, "site", Code::CountsValue, "empty"),
        (16, "", Code::CountsRow, "4"),
        (17, "plants", Code::CountsValue, "0"),
    ];
    assert_eq!(found, expected);
}
