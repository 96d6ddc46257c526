//! Reading counts: what is accepted, and every way of being refused.
//!
//! Quoting follows RFC 4180 (2005), section 2: quotes doubled within quotes, line breaks and
//! separators within quotes, lines ended by CR LF, a last line with or without an end.
#![allow(clippy::unwrap_used, clippy::panic)] // a test

mod layouts;

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::collections::{BTreeMap, BTreeSet};
use stopline::counts::{COUNT_COLUMN, Counts, FieldWalk, PlantsFrom, Reading, Separator};
use stopline::{Code, Errors, Plants};

fn read(table: &str) -> Result<Counts, Errors> {
    Counts::read(table.as_bytes(), &Reading::default())
}

fn how(set: impl FnOnce(&mut Reading)) -> Reading {
    let mut how = Reading::default();
    set(&mut how);
    how
}

/// Row, code and value of everything found.
fn found(result: Result<Counts, Errors>) -> Vec<(u64, Code, String)> {
    let errors = result.unwrap_err();
    let finding = |e: &stopline::Error| (e.place().row.unwrap_or(0), e.code(), e.value().unwrap_or("").to_owned());
    errors.as_slice().iter().map(finding).collect()
}

fn one(result: Result<Counts, Errors>) -> stopline::Error {
    let errors = result.unwrap_err();
    let [e] = errors.as_slice() else { panic!("one error, not {errors}") };
    e.clone()
}

fn walk(field: &str, visit: &str, sites: &[u32], counts: &[Option<u32>]) -> FieldWalk {
    FieldWalk { field: field.into(), visit: visit.into(), sites: sites.into(), counts: counts.into() }
}

// ---- accepted ----

#[test]
fn separators_marks_and_line_ends() {
    let table = "field,visit,site,plants,count\nheron,1,1,3,2\nheron,1,2,3,0\n";
    let expected = [walk("heron", "1", &[1, 2], &[Some(2), Some(0)])];
    for (sep, separator) in [(",", Separator::Comma), (";", Separator::Semicolon), ("\t", Separator::Tab)] {
        for end in ["\n", "\r\n", "\r"] {
            for mark in ["", "\u{feff}"] {
                for tail in ["", end, "\r\n\r\n", ",,,,\n"] {
                    let text = format!("{mark}{}", table.replace('\n', end)) + tail;
                    let text = text.replace(',', sep);
                    let counts = read(&text).unwrap_or_else(|e| panic!("{text:?}: {e}"));
                    assert_eq!(counts.walks, expected, "{text:?}");
                    assert_eq!((counts.separator, counts.noticed.rows), (Some(separator), 2));
                }
            }
        }
    }
    assert_eq!(read(table.trim_end()).unwrap().walks, expected);
}

#[test]
fn quotes_spaces_and_other_columns() {
    let table = "\"crop\", field ,\"visit\",site,plants,count,\n\
                 \"soy, late\",\"the \"\"low\"\" heron\",1, 1 ,3.0,\"2\",\n\
                 \"a\nb\",\"the \"\"low\"\" heron\",1,2,3,2.0\n\
                 ,heron,1,7,3,NA,\n";
    let counts = read(table).unwrap();
    let expected = [walk("the \"low\" heron", "1", &[1, 2], &[Some(2), Some(2)]), walk("heron", "1", &[7], &[None])];
    assert_eq!(counts.walks, expected);
}

#[test]
fn groups_are_added_and_a_missing_group_makes_the_site_missing() {
    let table = "field,visit,site,plants,a,b,count\nheron,1,1,3,2,1,9\nheron,1,2,3,,0,9\nheron,1,3,,NA,NA,9\n";
    let counts = Counts::read(table.as_bytes(), &how(|h| h.count = vec!["b".into(), "a".into()])).unwrap();
    assert_eq!(counts.walks, [walk("heron", "1", &[1, 2, 3], &[Some(3), None, None])]);
    assert_eq!(counts.count_columns, ["b", "a"]);
    assert_eq!((counts.walks[0].missing(), counts.noticed.missing_sites), (2, 2));
    // What is missing may be written otherwise; then an empty cell is not.
    let table = "field,site,count\nheron,1,-\nheron,2,0\nheron,3,\n";
    let dash = how(|h| h.missing = vec!["-".into()]);
    assert_eq!(found(Counts::read(table.as_bytes(), &dash)), [(4, Code::CountsValue, "empty".into())]);
    let counts = Counts::read(&table.as_bytes()[..table.len() - 9], &dash).unwrap();
    assert_eq!(counts.walks[0].counts, [None, Some(0)]);
    // Field, visit and site are needed all the same, and a number for missing counts is still a site.
    assert_eq!(found(Counts::read(&b"field,site,count\n,1,2\n-,2,2\n"[..], &dash)).len(), 2);
    let table = "field,site,plants,count\nheron,98,3,1\nheron,99,,99\n";
    let counts = Counts::read(table.as_bytes(), &how(|h| h.missing = vec!["99".into()])).unwrap();
    assert_eq!(counts.walks, [walk("heron", "1", &[98, 99], &[Some(1), None])]);
}

#[test]
fn walks_may_be_interleaved_and_skip_sites() {
    let table =
        "field,visit,site,plants,count\nheron,1,1,3,0\nheron,2,1,3,1\negret,1,4,3,2\nheron,1,2,3,3\nheron,2,5,3,4\n";
    let counts = read(table).unwrap();
    let expected = [
        walk("heron", "1", &[1, 2], &[Some(0), Some(3)]),
        walk("heron", "2", &[1, 5], &[Some(1), Some(4)]),
        walk("egret", "1", &[4], &[Some(2)]),
    ];
    assert_eq!(counts.walks, expected);
    assert_eq!(counts.noticed.skipped_sites, 3);
    assert_eq!(counts.notes(), ["3 site numbers are skipped, in 1 walk"]);
}

#[test]
fn visit_and_plants_may_be_left_out_and_it_is_said() {
    let table = "field,site,count\nheron,1,2\n";
    let counts = read(table).unwrap();
    assert_eq!((counts.walks[0].visit.as_str(), counts.plants), ("1", Plants::ONE));
    assert_eq!((counts.noticed.plants_from, counts.noticed.visit_column), (PlantsFrom::Assumed, false));
    assert_eq!(counts.notes().len(), 2);
    let three = Counts::read(table.as_bytes(), &how(|h| h.plants_wanted = Plants::new(3).ok())).unwrap();
    assert_eq!((three.plants.get(), three.noticed.plants_from), (3, PlantsFrom::Asked));
    // Asked for by name, they must be there.
    let asked = how(|h| (h.visit, h.plants) = (Some("date".into()), Some("stems".into())));
    let found = found(Counts::read(table.as_bytes(), &asked));
    assert_eq!(found.iter().map(|f| f.1).collect::<Vec<_>>(), [Code::CountsColumn; 2]);
}

#[test]
fn columns_may_have_other_names() {
    let table = "Schlag;visit;Stop;count\nheron;3;1;5\n";
    let names = how(|h| (h.field, h.site, h.count) = ("Schlag".into(), "Stop".into(), vec!["visit".into()]));
    let counts = Counts::read(table.as_bytes(), &names).unwrap();
    assert_eq!(counts.walks, [walk("heron", "1", &[1], &[Some(3)])]);
}

#[test]
fn sites_of_another_size_are_dropped_only_when_asked() {
    let table = "field,visit,site,plants,count\nheron,1,1,3,0\nheron,1,1,5,9\nheron,1,2,5,7\nheron,1,3,3,1\n";
    let wanted = |plants| Counts::read(table.as_bytes(), &how(|h| h.plants_wanted = Plants::new(plants).ok()));
    let counts = wanted(3).unwrap();
    assert_eq!(counts.walks, [walk("heron", "1", &[1, 3], &[Some(0), Some(1)])]);
    assert_eq!((counts.plants.get(), counts.noticed.dropped_other_plants), (3, 2));
    assert_eq!(counts.notes()[0], "2 of 4 rows are dropped: not sites of 3 plants");
    assert_eq!(wanted(5).unwrap().walks[0].counts, [Some(9), Some(7)]);
    let e = one(wanted(4));
    assert_eq!((e.code(), e.value(), e.allowed()), (Code::CountsPlants, Some("4"), "3 (2 rows) or 5 (2 rows)"));
}

// ---- refused ----

#[test]
fn encodings_other_than_utf8() {
    let table = "field,site,count\nréron,1,2\n";
    let utf16 = |order: fn(u16) -> [u8; 2]| "\u{feff}field,site,count\n".encode_utf16().flat_map(order).collect();
    let latin1: Vec<u8> = table.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    for bytes in [utf16(u16::to_le_bytes), utf16(u16::to_be_bytes), latin1] {
        let e = one(Counts::read(&bytes[..], &Reading::default()));
        assert_eq!(e.code(), Code::CountsEncoding);
        assert!(e.allowed().contains("save as CSV UTF-8"), "{e}");
    }
    assert!(read(table).is_ok());
}

#[test]
fn nothing_to_read() {
    for table in ["", "\u{feff}", "\n\r\n", "  \n", "field,site,count", "field,site,count\n\n,,\n"] {
        assert_eq!(one(read(table)).code(), Code::CountsEmpty, "{table:?}");
    }
    let e = one(read("field,site,count\nheron,1,NA\nheron,2,\n"));
    assert_eq!((e.code(), e.value()), (Code::CountsEmpty, Some("without a count: all are missing")));
}

#[test]
fn columns_that_are_not_there_once() {
    let e = one(read("Field,site,count\nheron,1,2\n"));
    assert_eq!(e.to_string(), "row 1: column is field, not in the header; allowed: one of Field, site, count");
    assert_eq!(found(read("a,b\n1,2\n")).len(), 3);
    let e = one(read("field,site,count,count\nheron,1,2,3\n"));
    assert_eq!((e.code(), e.value()), (Code::CountsColumn, Some("count, there twice")));
    // Twice, but not read.
    assert!(read("field,site,count,x,x\nheron,1,2,3,3\n").is_ok());
    for count in [&["count", "count"][..], &["count", "site"]] {
        let twice = how(|h| h.count = count.iter().map(|&c| c.to_owned()).collect());
        let e = one(Counts::read(&b"field,site,count\nheron,1,2\n"[..], &twice));
        assert_eq!(e.code(), Code::CountsColumn);
        assert!(e.value().unwrap().ends_with("asked for twice"));
    }
    // The separator was given and is another one.
    let tab = how(|h| h.separator = Some(Separator::Tab));
    assert_eq!(found(Counts::read(&b"field,site,count\nheron,1,2\n"[..], &tab)).len(), 3);
}

#[test]
fn candidates_for_the_count_are_listed() {
    let table =
        "field,visit,site,plants,crop,bugs,bees,empty,gps\nheron,1,1,3,soy,2,NA,,1.5\nheron,1,2,3,soy,0,1,,2.5\n";
    let e = one(read(table));
    assert_eq!((e.code(), e.what(), e.allowed()), (Code::CountsColumn, COUNT_COLUMN, "bugs,bees"));
    let e = one(read("field,site,crop\nheron,1,soy\n"));
    assert_eq!((e.what(), e.value()), (COUNT_COLUMN, Some("not in the header")));
}

#[test]
fn cells_that_are_not_counts() {
    let cells =
        ["3.5", "-1", "few", "nan", "NaN", "inf", "4294967296", "1e3", "+1", "0x1", "3 000", "\"3,000\"", "12."];
    let table: String = cells.iter().zip(1..).map(|(cell, site)| format!("heron,{site},{cell}\n")).collect();
    let found = found(read(&format!("field,site,count\n{table}")));
    let expected: Vec<_> = cells[..12]
        .iter()
        .zip(2..)
        .map(|(cell, row)| (row, Code::CountsValue, cell.trim_matches('"').to_owned()))
        .collect();
    assert_eq!(found, expected);
    let e = one(read("field,site,count\nheron,1,3.5\n"));
    assert_eq!(
        e.to_string(),
        "row 2, column count: count is 3.5; allowed: a whole number from 0 to 4294967295, or empty or NA where missing"
    );
    let e = one(read("field;site;count\nheron;1;3,5\n"));
    assert!(e.allowed().contains("decimal comma"), "{e}");
    assert!(!one(read("field;site;count\nheron;1;x\n")).allowed().contains("decimal comma"));
    let two = how(|h| h.count = vec!["a".into(), "b".into()]);
    let e = one(Counts::read(&b"field,site,a,b\nheron,1,4294967295,1\n"[..], &two));
    assert_eq!((e.what(), e.value()), ("sum of the count columns", Some("4294967296")));
}

#[test]
fn cells_that_are_not_names_sites_or_plants() {
    let table = "field,visit,site,plants,count\n,1,1,3,1\nheron,,2,3,1\nheron,1,A3,3,1\nheron,1,1.5,3,2\n\
                 heron,1,5,0,2\nheron,1,6,,2\nheron,1,7,70000,2\nNA,NA,x,x,x\nheron,1,9,3,1\n";
    let found: Vec<_> = found(read(table)).into_iter().map(|(row, code, value)| (row, (code, value))).collect();
    let value = |text: &str| (Code::CountsValue, text.to_owned());
    let expected = [
        (2, value("empty")),
        (3, value("empty")),
        (4, value("A3")),
        (5, value("1.5")),
        (6, value("0")),
        (7, value("empty")),
        (8, value("70000")),
        (9, value("x")),
        (9, value("x")),
        (9, value("NA")),
        (9, value("NA")),
        (9, value("x")),
    ];
    assert_eq!(found, expected);
}

#[test]
fn rows_of_another_length_and_open_quotes() {
    let table = "field,site,count\nheron,1\nheron,2,3,5\nheron,3,1,\nheron,4,\"1\nheron,5,1\n";
    let found = found(read(table));
    let expected = [
        (2, Code::CountsRow, "2".to_owned()),
        (3, Code::CountsRow, "4 (5 is beyond the header)".to_owned()),
        (5, Code::CountsRow, "opened and never closed".to_owned()),
    ];
    assert_eq!(found, expected);
    assert_eq!(one(read("field,site,\"count\nheron,1,2\n")).code(), Code::CountsRow);
}

#[test]
fn repeated_and_falling_sites() {
    let table = "field,visit,site,count\nheron,1,1,0\nheron,1,2,1\nheron,2,1,1\nheron,1,5,1\nheron,1,2,x\nheron,1,3,0\nheron,1,6,0\n";
    let errors = read(table).unwrap_err();
    let texts: Vec<_> = errors.as_slice().iter().map(ToString::to_string).collect();
    let expected = [
        "row 6, column count: count is x; allowed: a whole number from 0 to 4294967295, or empty or NA where missing",
        "row 6, column site: site is 2; allowed: once for heron, visit 1, which has it in row 3",
        "row 7, column site: site is 3; allowed: more than 5, the site of heron, visit 1 before it (row 5): sites rise along a walk",
    ];
    assert_eq!(texts, expected);
    assert_eq!(errors.as_slice()[1].code(), Code::CountsRepeated);
    assert_eq!(errors.as_slice()[2].code(), Code::CountsOrder);
}

#[test]
fn rows_of_totals() {
    let walk = "field,visit,site,plants,count\nheron,1,1,3,2\nheron,1,2,3,0\nheron,1,3,3,4\n";
    for total in [
        "heron,1,total,,6",
        "heron,1,Sum:,9,2.0",
        "heron Total,,,,6",
        "heron,1,,,6",
        "heron,1,all,,6",
        ",,,,6",
        ",,,,6.0",
    ] {
        let found = found(read(&format!("{walk}{total}\n")));
        assert_eq!(found.len(), 1, "{total}: {found:?}");
        assert_eq!((found[0].0, found[0].1), (5, Code::CountsTotal), "{total}");
    }
    // A total over two walks, below the second.
    let found = found(read(&format!("{walk}egret,1,1,3,2\n,,,,8\n")));
    assert_eq!(found[0].1, Code::CountsTotal);
    // A number of a site makes it a site, whatever the field is called.
    assert!(read(&format!("{walk}heron,1,4,3,6\nTotal,1,1,3,6\n")).is_ok());
    // An empty site that adds up nothing is a value left out.
    assert_eq!(one(read(&format!("{walk}heron,1,,3,5\n"))).code(), Code::CountsValue);
}

#[test]
fn sites_of_several_sizes() {
    let table = "field,site,plants,count\nheron,1,5,0\nheron,2,3,1\nheron,3,3,1\n";
    let e = one(read(table));
    assert_eq!((e.code(), e.place().row, e.value()), (Code::CountsPlants, Some(2), Some("5")));
    assert_eq!(e.allowed(), "3, as in 2 other rows; or ask for the sites of one size");
}

#[test]
fn unreadable_input() {
    struct Broken;
    impl std::io::Read for Broken {
        fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
            Err(std::io::Error::other("the disk is gone"))
        }
    }
    assert_eq!(one(Counts::read(Broken, &Reading::default())).code(), Code::FileRead);
}

#[test]
fn of_very_many_findings_the_first_are_kept() {
    let rows: String = (0..5000).map(|i| format!("heron,{i},x\n")).collect();
    let errors = read(&format!("field,site,count\n{rows}")).unwrap_err();
    assert_eq!((errors.as_slice().len(), errors.more()), (1000, 4000));
    assert!(errors.to_string().ends_with("\nand 4000 more"));
}

/// Every code for counts is met by a test above; a new one needs a line here and a test.
#[test]
fn all_codes_of_counts_are_met() {
    let met: BTreeSet<_> = [
        read("\0"),
        read(""),
        read("a\n1\n"),
        read("field,site,count\nheron,1,x\n"),
        read("field,site,count\nheron\n"),
        read("field,site,count\nheron,1,1\nheron,1,1\n"),
        read("field,site,count\nheron,2,1\nheron,1,1\n"),
        read("field,site,count\nheron,total,1\n"),
        read("field,site,plants,count\nheron,1,1,1\nheron,2,2,1\n"),
    ]
    .into_iter()
    .map(|result| found(result)[0].1)
    .collect();
    let all: BTreeSet<_> = Code::ALL.iter().copied().filter(|c| c.as_str().starts_with("counts_")).collect();
    assert_eq!(met, all);
}

/// A million rows, walks interleaved: one pass, nothing quadratic. Far below the bound even unoptimised.
#[test]
fn a_million_rows() {
    let mut table = String::from("field,visit,site,plants,count\n");
    for site in 0..1000 {
        for field in 0..1000 {
            table += &format!("field {field},1,{site},3,{}\n", (site * field) % 7);
        }
    }
    let start = std::time::Instant::now();
    let counts = read(&table).unwrap();
    assert_eq!((counts.walks.len(), counts.noticed.rows), (1000, 1_000_000));
    assert!(start.elapsed().as_secs() < 20, "{:?}", start.elapsed());
}

// ---- properties ----

/// Walks by field and visit: site and count.
fn walks() -> impl Strategy<Value = BTreeMap<(String, String), BTreeMap<u32, Option<u32>>>> {
    let name = "[a-z \",;\t\né]{0,6}[a-z\"é]".prop_map(|s| s.trim().to_owned());
    let sites = prop::collection::btree_map(any::<u32>(), prop::option::weighted(0.9, any::<u32>()), 1..9);
    prop::collection::btree_map((name.clone(), name), sites, 1..6)
}

/// The same cases on every run.
fn seeded() -> ProptestConfig {
    ProptestConfig { cases: 1000, rng_seed: RngSeed::Fixed(20), failure_persistence: None, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(seeded())]

    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = Counts::read(&bytes[..], &Reading::default());
    }

    #[test]
    fn any_table_is_read_or_refused(rows in "(field|site|count|plants|visit|[,;\t\n\r\"]|[0-9]|NA|total|é|\\PC){0,60}") {
        let table = format!("field,visit,site,plants,count\n{rows}");
        for text in [&rows, &table] {
            if let Err(errors) = read(text) {
                prop_assert!(!errors.as_slice().is_empty());
            }
        }
    }

    #[test]
    fn what_is_written_is_read(
        walks in walks(),
        separator in prop::sample::select(&Separator::ALL[..]),
        crlf in any::<bool>(),
        plants in 1..=u16::MAX,
    ) {
        let counted = walks.values().any(|sites| sites.values().any(Option::is_some));
        let delimiter = match separator { Separator::Comma => b',', Separator::Semicolon => b';', Separator::Tab => b'\t' };
        let end = if crlf { csv::Terminator::CRLF } else { csv::Terminator::Any(b'\n') };
        let mut table = csv::WriterBuilder::new().delimiter(delimiter).terminator(end).from_writer(Vec::new());
        table.write_record(["field", "visit", "site", "plants", "count"]).unwrap();
        for ((field, visit), sites) in &walks {
            for (site, count) in sites {
                let count = count.map_or_else(String::new, |c| c.to_string());
                table.write_record([field, visit, &site.to_string(), &plants.to_string(), &count]).unwrap();
            }
        }
        let read = Counts::read(&table.into_inner().unwrap()[..], &Reading::default());
        if !counted {
            prop_assert_eq!(read.unwrap_err().as_slice()[0].code(), Code::CountsEmpty);
            return Ok(());
        }
        let counts = read.map_err(|e| TestCaseError::fail(e.to_string()))?;
        prop_assert_eq!((counts.plants.get(), counts.separator), (plants, Some(separator)));
        let expected: Vec<_> = walks
            .into_iter()
            .map(|((field, visit), sites)| {
                let (sites, counts) = sites.into_iter().unzip();
                FieldWalk { field, visit, sites, counts }
            })
            .collect();
        prop_assert_eq!(counts.walks, expected);
    }
}
