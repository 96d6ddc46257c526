//! Tables and columns of counts: every one is read or refused, none panics; what is read keeps its promises.
#![no_main]

use arbitrary::Arbitrary;
use stopline::counts::{Columns, Counts, Layout, Reading, Separator};
use stopline::{Errors, Plants};

#[derive(Arbitrary, Debug)]
struct Input<'a> {
    count: Vec<&'a str>,
    missing: Option<&'a str>,
    separator: u8,
    plants: u16,
    columns: Vec<(&'a str, &'a str, Option<f64>, Option<f64>)>,
    table: &'a [u8],
}

libfuzzer_sys::fuzz_target!(|input: Input<'_>| {
    let mut how = Reading {
        separator: Separator::ALL.get(usize::from(input.separator)).copied(),
        plants_wanted: Plants::new(input.plants).ok(),
        ..Reading::default()
    };
    holds(Counts::read(input.table, &how));
    how.count = input.count.iter().map(|&name| name.to_owned()).collect();
    how.missing.extend(input.missing.map(str::to_owned));
    holds(Counts::read(input.table, &how));
    for (layout, header) in [
        (Layout::Walks, &b"field,visit,plants,1,2,3\n"[..]),
        (Layout::Plants, b"field,visit,site,plant,count\n"),
        (Layout::Frequencies, b"field,visit,site,count,plants\n"),
    ] {
        let fill_down = vec!["field".to_owned(), "visit".to_owned()];
        let how = Reading { layout, fill_down, plants_wanted: how.plants_wanted, ..Reading::default() };
        holds(Counts::read(&[header, input.table].concat()[..], &how));
    }
    holds(Counts::read(&[b"field,visit,site,plants,count\n", input.table].concat()[..], &Reading::default()));

    let (field, visit): (Vec<_>, Vec<_>) = input.columns.iter().map(|&(field, visit, ..)| (field, visit)).unzip();
    let (site, count): (Vec<_>, Vec<_>) = input.columns.iter().map(|&(.., site, count)| (site, count)).unzip();
    let counts = [("a", &count[..]), ("b", &site[..])];
    let columns =
        Columns { field: &field, visit: Some(&visit), site: Some(&site), plants: Some(&count), counts: &counts };
    holds(Counts::from_columns(&columns, how.plants_wanted));
    holds(Counts::from_columns(&Columns { site: None, ..columns }, how.plants_wanted));
});

fn holds(read: Result<Counts, Errors>) {
    match read {
        Ok(counts) => {
            assert!(counts.walks.iter().any(|walk| walk.present().next().is_some()));
            for walk in &counts.walks {
                assert!(walk.sites.is_sorted_by(|a, b| a < b) && walk.sites.len() == walk.counts.len());
            }
            let sites: usize = counts.walks.iter().map(|walk| walk.sites.len()).sum();
            assert_eq!(sites as u64 + counts.noticed.dropped_other_plants, counts.noticed.rows);
            let _ = counts.notes();
        }
        Err(errors) => assert!(!errors.as_slice().is_empty() && !errors.to_string().is_empty()),
    }
}
