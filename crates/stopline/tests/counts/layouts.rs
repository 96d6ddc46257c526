//! Rows that are no sites, merged cells, and what stands beside counts.

use crate::{found, how, one, read, walk};
use stopline::counts::{Counts, Layout, Observers, PlantsFrom, Reading};
use stopline::{Code, Errors, Plants};

fn laid_out(table: &str, layout: Layout, set: impl FnOnce(&mut Reading)) -> Result<Counts, Errors> {
    let mut how = Reading { layout, ..Reading::default() };
    set(&mut how);
    Counts::read(table.as_bytes(), &how)
}

#[test]
fn a_walk_in_a_row() {
    // Sites by the numbers of the header, in any order; empty is not visited, NA is missing.
    let table = "field,visit,plants,10,2,1,total\nheron,a,3,5,NA,0,5\nplover,a,3,,1,2,3\nheron,b,3,,,,0\n";
    let counts = laid_out(table, Layout::Walks, |_| ()).unwrap();
    let expected =
        [walk("heron", "a", &[1, 2, 10], &[Some(0), None, Some(5)]), walk("plover", "a", &[1, 2], &[Some(2), Some(1)])];
    assert_eq!(counts.walks, expected);
    assert_eq!((counts.noticed.rows, counts.noticed.missing_sites, counts.plants.get()), (5, 1, 3));
    // Columns that are named, by their order.
    let table = "plot,first,second\nheron,4,0\nplover,,7\n";
    let set = |h: &mut Reading| {
        h.field = "plot".into();
        h.count = vec!["first".into(), "second".into()];
    };
    let counts = laid_out(table, Layout::Walks, set).unwrap();
    assert_eq!(counts.walks[1], walk("plover", "1", &[2], &[Some(7)]));
    // Everything that is wrong, at once.
    let table = "field,1,2\nheron,1,2.5\n,3,1\nheron,0,0\nTotal,9,9\nplover,x,1\n";
    assert_eq!(
        found(laid_out(table, Layout::Walks, |_| ())),
        [
            (2, Code::CountsValue, "2.5".to_owned()),
            (3, Code::CountsValue, "empty".to_owned()),
            (4, Code::CountsRepeated, "heron".to_owned()),
            (5, Code::CountsTotal, "Total in a row that seems to add up others".to_owned()),
            (6, Code::CountsValue, "x".to_owned()),
        ]
    );
    let e = one(laid_out("field,a,b\nheron,1,2\n", Layout::Walks, |_| ()));
    assert_eq!((e.code(), e.value()), (Code::CountsColumn, Some("none headed by a number")));
    let two = laid_out("field,plants,1,2\nheron,2,0,1\nplover,3,4,5\n", Layout::Walks, |h| {
        h.plants_wanted = Some(Plants::new(3).unwrap());
    });
    assert_eq!(two.unwrap().walks, [walk("plover", "1", &[1, 2], &[Some(4), Some(5)])]);
}

#[test]
fn a_plant_in_a_row() {
    let table = "field,site,plant,count\nheron,1,1,2\nheron,1,2,0\nheron,2,1,NA\nheron,2,2,3\n\
                 plover,1,1,1\nplover,1,2,1\n";
    let counts = laid_out(table, Layout::Plants, |_| ()).unwrap();
    let expected = [walk("heron", "1", &[1, 2], &[Some(2), None]), walk("plover", "1", &[1], &[Some(2)])];
    assert_eq!(counts.walks, expected);
    assert_eq!((counts.plants.get(), counts.noticed.plants_from), (2, PlantsFrom::Apart));
    let plants = counts.by_plant.unwrap();
    assert_eq!(plants, [vec![vec![Some(2), Some(0)], vec![None, Some(3)]], vec![vec![Some(1), Some(1)]]]);
    // Sites of another size are refused, or dropped where a size is asked for.
    let table = "field,site,count\nheron,1,2\nheron,1,0\nheron,2,4\nplover,1,1\nplover,1,5\n";
    assert_eq!(found(laid_out(table, Layout::Plants, |_| ())), [(4, Code::CountsPlants, "1".to_owned())]);
    let counts = laid_out(table, Layout::Plants, |h| h.plants_wanted = Some(Plants::new(2).unwrap())).unwrap();
    assert_eq!(counts.walks[0], walk("heron", "1", &[1], &[Some(2)]));
    assert_eq!((counts.noticed.dropped_other_plants, counts.by_plant.unwrap()[0].len()), (1, 1));
    let table = "field,site,plant,count\nheron,1,a,2\nheron,1,a,0\nheron,1,b,-1\nheron,0,a,1\n";
    let expected = [
        (3, Code::CountsRepeated, "a".to_owned()),
        (4, Code::CountsValue, "-1".to_owned()),
        (5, Code::CountsOrder, "0".to_owned()),
    ];
    assert_eq!(found(laid_out(table, Layout::Plants, |_| ())), expected);
}

/// European red mites on 150 apple leaves (Bliss & Fisher 1953, Biometrics 9:176–200), as published.
#[test]
fn frequencies_in_rows() {
    let table = "field,count,sites\nmites,0,70\nmites,1,38\nmites,2,17\nmites,3,10\nmites,4,9\nmites,5,3\nmites,6,2\n\
                 mites,7,1\nheron,2,2\nheron,NA,1\n";
    let set = |h: &mut Reading| h.site = "sites".into();
    let counts = laid_out(table, Layout::Frequencies, set).unwrap();
    assert_eq!(counts.walks[0].present().sum::<u32>(), 172);
    assert_eq!((counts.walks[0].sites.len(), counts.walks[1].missing(), counts.noticed.rows), (150, 1, 153));
    assert!(counts.notes()[1].contains("order"), "{:?}", counts.notes());
    let table = "field,count,sites\nheron,0,7\nheron,0,1\nheron,1,x\nheron,2.5,1\nsum,0,8\nheron,9,50000000\n";
    let codes: Vec<_> =
        found(laid_out(table, Layout::Frequencies, set)).into_iter().map(|(row, code, _)| (row, code)).collect();
    let value = Code::CountsValue;
    let expected = [(3, Code::CountsRepeated), (4, value), (5, value), (6, Code::CountsTotal), (7, value)];
    assert_eq!(codes, expected);
}

#[test]
fn cells_that_repeat_the_one_above() {
    let table = "field,visit,site,count\nheron,1,1,0\n,,2,\n , 2,1,4\nplover,1,1,1\n,,2,3\n";
    let fill = |h: &mut Reading| h.fill_down = vec!["field".into(), "visit".into()];
    let counts = Counts::read(table.as_bytes(), &how(fill)).unwrap();
    let expected = [
        walk("heron", "1", &[1, 2], &[Some(0), None]),
        walk("heron", "2", &[1], &[Some(4)]),
        walk("plover", "1", &[1, 2], &[Some(1), Some(3)]),
    ];
    assert_eq!(counts.walks, expected);
    // Unasked, an empty cell is refused; the first has nothing above; a count is never filled down.
    assert_eq!(found(read(table)).len(), 5);
    let first =
        Counts::read("field,site,count\n,1,0\nheron,1,2\n".as_bytes(), &how(|h| h.fill_down = vec!["field".into()]));
    assert_eq!(found(first), [(2, Code::CountsValue, "empty".to_owned())]);
    let e = one(Counts::read(table.as_bytes(), &how(|h| h.fill_down = vec!["count".into()])));
    assert_eq!((e.code(), e.value()), (Code::CountsColumn, Some("count")));
}

#[test]
fn places_and_observers_stand_beside_counts() {
    let beside = |h: &mut Reading| {
        h.place = Some(["x".into(), "y".into()]);
        h.observer = Some("by".into());
        h.fill_down = vec!["by".into()];
    };
    let table = "field,site,x,y,by,count\nheron,1,0.5,-2,ann,0\nheron,2,1e3,,,4\nowl,1,NA,1, bea ,NA\nowl,2,3,4,,1\n";
    let counts = Counts::read(table.as_bytes(), &how(beside)).unwrap();
    let places = vec![vec![Some([0.5, -2.0]), None], vec![None, Some([3.0, 4.0])]];
    assert_eq!(counts.places, Some(places));
    let names = vec!["ann".to_owned(), "bea".to_owned()];
    assert_eq!(counts.observers, Some(Observers { names, of_sites: vec![vec![Some(0); 2], vec![Some(1); 2]] }));
    // Unasked, neither is looked at.
    let plain = read(&table.replace("-2", "two")).unwrap();
    assert_eq!((plain.places, plain.observers), (None, None));

    let table = "field,site,x,y,by,count\nheron,1,two,nan,ann,0\nheron,2,1e10,1,ann,x\n";
    let places = [(2, "two"), (2, "nan"), (3, "x"), (3, "1e10")];
    let expected = places.map(|(row, value)| (row, Code::CountsValue, value.to_owned()));
    assert_eq!(found(Counts::read(table.as_bytes(), &how(beside))), expected);
    // The plants of a site stand at one place.
    let table = "field,site,x,y,by,count\nheron,1,1,1,ann,0\nheron,1,1,1,ann,2\nheron,2,1,2,ann,2\nheron,2,1,1,ann,2\n";
    let e = one(laid_out(table, Layout::Plants, beside));
    assert_eq!((e.code(), e.place().row), (Code::CountsValue, Some(5)));
    for layout in [Layout::Walks, Layout::Frequencies] {
        let table = "field,site,x,y,by,1,count\nheron,1,1,1,ann,0,1\n";
        let e = one(laid_out(table, layout, |h| h.place = Some(["x".into(), "y".into()])));
        assert_eq!(e.code(), Code::Combination);
    }
    let walks = laid_out("field,by,1,2\nheron,ann,3,0\n", Layout::Walks, |h| h.observer = Some("by".into())).unwrap();
    assert_eq!(walks.observers.unwrap().of_sites, [vec![Some(0); 2]]);
}
