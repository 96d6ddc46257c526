//! Tables and columns of counts: every one is read or refused, none panics; what is read keeps its promises.
#![no_main]

use arbitrary::Arbitrary;
use stopline::counts::{Columns, Counts, Layout, Reading, Separator, Summary, Weights};
use stopline::{Errors, Plants};

#[derive(Arbitrary, Debug)]
struct Input<'a> {
    count: Vec<&'a str>,
    missing: Option<&'a str>,
    separator: u8,
    plants: u16,
    /// Which of the columns that say which site it is are filled down.
    filled: u8,
    counted_to: Option<u32>,
    weights: [&'a str; 2],
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
    let texts = |names: &[&str]| names.iter().map(|&name| name.to_owned()).collect::<Vec<_>>();
    let beside = Some(["x".to_owned(), "y".to_owned()]);
    let by = Some("by".to_owned());
    // Every layout, with what it may tell beside the counts.
    for (layout, columns, count, place, observer) in [
        (
            Layout::Sites,
            &["field", "visit", "site", "plants", "by", "x", "y", "a", "b"][..],
            &["a", "b"][..],
            &beside,
            &by,
        ),
        (Layout::Plants, &["field", "visit", "site", "plant", "by", "x", "y", "a", "b"], &["a", "b"], &beside, &by),
        (Layout::Walks, &["field", "visit", "plants", "by", "1", "2", "3"], &[], &None, &by),
        (Layout::Walks, &["field", "visit", "plants", "a", "b"], &["a", "b"], &None, &None),
        (Layout::Frequencies, &["field", "visit", "site", "plants", "count"], &[], &None, &None),
    ] {
        let filled = columns.iter().take(4).enumerate().filter(|(i, _)| input.filled >> i & 1 == 1);
        let how = Reading {
            layout,
            count: texts(count),
            fill_down: filled.map(|(_, &name)| name.to_owned()).collect(),
            place: place.clone(),
            observer: observer.clone(),
            counted_to: input.counted_to.filter(|most| (1..=10_000).contains(most)),
            plants_wanted: how.plants_wanted,
            ..Reading::default()
        };
        let header = columns.join(",") + "\n";
        let read = Counts::read(&[header.as_bytes(), input.table].concat()[..], &how);
        if let (Ok(counts), Ok(weights)) = (&read, Weights::new(&[("a", input.weights[0]), ("b", input.weights[1])])) {
            weighs(counts, &weights);
        }
        holds(read);
    }
    let filled = (input.filled & 1 == 1).then(|| "field".to_owned()).into_iter().collect();
    let how_summary = Reading { site: "sites".to_owned(), fill_down: filled, ..Reading::default() };
    match Summary::read(&[b"field,visit,sites,mean,variance\n", input.table].concat()[..], &how_summary) {
        Ok(fields) => {
            assert!(!fields.is_empty());
            let numbers = |of: &Summary| of.mean >= 0.0 && of.variance.is_none_or(|v| v >= 0.0);
            assert!(fields.iter().all(|of| of.sites > 0 && numbers(of)));
        }
        Err(errors) => assert!(!errors.as_slice().is_empty()),
    }
    holds(Counts::read(&[b"field,visit,site,plants,count\n", input.table].concat()[..], &Reading::default()));

    let (field, visit): (Vec<_>, Vec<_>) = input.columns.iter().map(|&(field, visit, ..)| (field, visit)).unzip();
    let (site, count): (Vec<_>, Vec<_>) = input.columns.iter().map(|&(.., site, count)| (site, count)).unzip();
    let counts = [("a", &count[..]), ("b", &site[..])];
    let columns = Columns {
        field: &field,
        visit: Some(&visit),
        site: Some(&site),
        plants: Some(&count),
        place: Some([&site, &count]),
        observer: Some(&visit),
        counts: &counts,
    };
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
            let sizes: Vec<usize> = counts.walks.iter().map(|walk| walk.sites.len()).collect();
            let same = |all: Vec<usize>| assert_eq!(all, sizes);
            counts.by_group.iter().for_each(|all| {
                for i in 0..counts.count_columns.len() {
                    same(all.iter().map(|groups| groups.get(i).map_or(0, Vec::len)).collect());
                }
            });
            counts.by_plant.iter().for_each(|all| same(all.iter().map(Vec::len).collect()));
            counts.places.iter().for_each(|all| same(all.iter().map(Vec::len).collect()));
            counts.observers.iter().for_each(|all| {
                same(all.of_sites.iter().map(Vec::len).collect());
                assert!(all.of_sites.iter().flatten().flatten().all(|by| *by < all.names.len()));
            });
        }
        Err(errors) => assert!(!errors.as_slice().is_empty() && !errors.to_string().is_empty()),
    }
}

/// Groups and their weighted sum agree with the sums that were read.
fn weighs(counts: &Counts, weights: &Weights) {
    let Ok(sums) = counts.weighted(weights) else { return };
    let [a, b] = ["a", "b"].map(|name| counts.group(name).expect("a column"));
    let whole: Vec<u64> = weights.whole().iter().map(|(_, weight)| u64::from(*weight)).collect();
    for (i, walk) in counts.walks.iter().enumerate() {
        for (j, count) in walk.counts.iter().enumerate() {
            let of = |group: &Counts| group.walks[i].counts[j].map(u64::from);
            let both = of(&a).zip(of(&b));
            assert_eq!(count.map(u64::from), both.map(|(a, b)| a + b));
            if whole.iter().all(|weight| *weight > 0) {
                assert_eq!(sums.totals[i][j], both.map(|(a, b)| whole[0] * a + whole[1] * b));
            }
        }
    }
}
