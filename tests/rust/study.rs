//! Studies: the same bytes on any number of threads, whatever breaks on the way.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)] // tests

use std::collections::BTreeMap;
use std::io::{self, Write};
use stopline::counts::{Counts, Reading};
use stopline::evaluate::{curve_of_laws, evaluate_lines};
use stopline::law::{Law, Laws};
use stopline::plan::{Aim, Design, Plan, Table};
use stopline::simulate::{Redraw, Run};
use stopline::study::shard::{Durable, append, head, line, read};
use stopline::study::{Crossed, Grid, Real, run, table};
use stopline::{Code, Dispersion, Error, K, Mean, Plants, Quiet, Score, Share};

fn plan(cut: i64) -> Plan {
    let table = Table::of(&[(4, Some(1), Some(cut)), (8, Some(cut), Some(cut + 1))]).unwrap();
    let design = Design {
        score: Score::Count,
        plants: Plants::USUAL,
        dispersion: Dispersion::ConstantK { k: K::new(1.2).unwrap() },
        aim: Aim::TwoCalls { thresholds: None, risks: None },
        checks: table.checks,
        closing: table.closing,
    };
    Plan::given(design, table.lines, &Quiet).unwrap()
}

fn crossed() -> Crossed {
    Crossed {
        plans: vec![("a".to_owned(), plan(9)), ("b".to_owned(), plan(12))],
        k: vec![None, Some(K::new(0.5).unwrap())],
        shared: [0.0, 0.3].map(|share| Share::new(share).unwrap()).to_vec(),
        run: Run::Sites(4),
        means: [0.8, 1.5].map(|m| Mean::new(m).unwrap()).to_vec(),
        real: None,
        walks: 500,
        repeats: 2,
        seed: 5,
    }
}

fn grid() -> Grid {
    Grid::new(crossed()).unwrap()
}

fn whole(grid: &Grid, threads: usize) -> String {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    let mut cells = BTreeMap::new();
    let mut kept = 0;
    let mut sink = |_: usize, _: &str| {
        kept += 1;
        Ok(())
    };
    pool.install(|| run(grid, &mut cells, &mut sink, &Quiet)).unwrap();
    assert_eq!(kept, grid.cells());
    table(grid, &cells).unwrap()
}

#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let grid = grid();
    assert_eq!(grid.cells(), 16);
    let one = whole(&grid, 1);
    assert_eq!(one, whole(&grid, 4));
    assert_eq!(one.lines().count(), 1 + 16 * 2);
    // From its text it is the same grid.
    let again = Grid::from_json(&grid.to_json()).unwrap();
    assert_eq!((&again, again.digest()), (&grid, grid.digest()));
    assert_eq!(whole(&again, 2), one);
}

/// Independent sites have an exact curve: 16 cells of 2 means.
#[test]
fn cells_agree_with_the_exact_curve() {
    let grid = Grid::new(Crossed { walks: 40_000, shared: vec![Share::new(0.0).unwrap()], ..crossed() }).unwrap();
    let text = whole(&grid, 2);
    let mut rows = csv_rows(&text);
    let names = rows.remove(0);
    let column = |name: &str| names.iter().position(|n| n == name).unwrap();
    let mut compared = 0;
    for row in &rows {
        let number = |name: &str| row[column(name)].parse::<f64>().unwrap();
        let plan = if row[0] == "a" { plan(9) } else { plan(12) };
        let under = Dispersion::ConstantK { k: K::new(number("k")).unwrap() };
        let mean = Mean::new(number("mean")).unwrap();
        let exact = &evaluate_lines(plan.lines(), &Score::Count, &under, &[mean], &Quiet).unwrap().rows[0];
        assert!((number("adequate") - exact.adequate).abs() < 4.2 * number("adequate_se"), "{row:?}");
        assert!((number("expected_sites") - exact.expected_sites).abs() < 4.2 * number("expected_sites_se"), "{row:?}");
        compared += 1;
    }
    assert_eq!(compared, 16);
    // Repeats are from other random numbers.
    assert_ne!(rows[0][column("adequate")], rows[2][column("adequate")]);
}

fn csv_rows(text: &str) -> Vec<Vec<String>> {
    text.lines().map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

fn demo() -> Counts {
    let table = include_bytes!("../../demo-data/larkmoor.csv");
    let count = ["lady_beetles", "pirate_bugs", "lacewings", "spiders"].map(str::to_owned).to_vec();
    Counts::read(&table[..], &Reading { count, ..Reading::default() }).unwrap()
}

fn real() -> Crossed {
    let ways = vec![Redraw::WithReplacement, Redraw::Blocks(3)];
    Crossed { real: Some(Real::new(&demo(), ways).unwrap()), repeats: 3, ..crossed() }
}

/// Drawn with replacement a walk is a law of its own, for which there is an exact curve: 24 walks, 2 plans, 3 repeats.
#[test]
fn real_walks_drawn_again_agree_with_the_exact_curve_of_each() {
    let grid = Grid::new(Crossed { means: Vec::new(), walks: 10_000, ..real() }).unwrap();
    assert_eq!(grid.cells(), 2 * 2 * 3);
    let text = whole(&grid, 2);
    let mut rows = csv_rows(&text);
    let names = rows.remove(0);
    let column = |name: &str| names.iter().position(|n| n == name).unwrap();
    let counts = demo();
    let mut compared = 0;
    for row in rows.iter().filter(|row| row[column("draw")] == "with_replacement") {
        let number = |name: &str| row[column(name)].parse::<f64>().unwrap();
        let of = |walk: &&stopline::counts::FieldWalk| {
            walk.field == row[column("field")] && walk.visit == row[column("visit")]
        };
        let steps: Vec<usize> = counts.walks.iter().find(of).unwrap().present().map(|count| count as usize).collect();
        let mut p = vec![0.0; steps.iter().max().unwrap() + 1];
        steps.iter().for_each(|&x| p[x] += 1.0 / steps.len() as f64);
        let plan = if row[0] == "a" { plan(9) } else { plan(12) };
        let law = Laws::one(Law::table(0, p).unwrap());
        let exact = &curve_of_laws(plan.lines(), &[1.0], &[law], &Quiet).unwrap().rows[0];
        assert!((number("adequate") - exact.adequate).abs() < 4.5 * number("adequate_se"), "{row:?}");
        assert!((number("expected_sites") - exact.expected_sites).abs() < 4.5 * number("expected_sites_se"), "{row:?}");
        compared += 1;
    }
    assert_eq!(compared, 24 * 2 * 3);
    // In blocks it is another thing, and repeats are from other random numbers.
    assert_eq!(rows.iter().filter(|row| row[column("block")] == "3").count(), 24 * 2 * 3);
    assert_ne!(rows[0][column("adequate")..], rows[24][column("adequate")..]);
}

#[test]
fn real_walks_stand_beside_laws() {
    let grid = Grid::new(real()).unwrap();
    assert_eq!(grid.cells(), 2 * (4 + 2) * 3);
    let again = Grid::from_json(&grid.to_json()).unwrap();
    assert_eq!((&again, again.digest()), (&grid, grid.digest()));
    let text = whole(&grid, 2);
    assert_eq!((&text, text.lines().count()), (&whole(&again, 1), 1 + 2 * 3 * (4 * 2 + 2 * 24)));
    // What a law comes to is what it was without them.
    let laws = whole(&Grid::new(Crossed { real: None, ..real() }).unwrap(), 2);
    let all: Vec<&str> = text.lines().collect();
    assert!(laws.lines().all(|line| all.contains(&line)));
    let code = |made: Result<Grid, Error>| made.unwrap_err().code();
    assert_eq!(Real::new(&demo(), Vec::new()).unwrap_err().code(), Code::Combination);
    assert_eq!(Real::new(&demo(), vec![Redraw::Blocks(0)]).unwrap_err().code(), Code::OutOfRange);
    let mut other = demo();
    other.plants = Plants::new(2).unwrap();
    let real_of = Real::new(&other, vec![Redraw::WithReplacement]).unwrap();
    assert_eq!(code(Grid::new(Crossed { real: Some(real_of), ..crossed() })), Code::Combination);
    assert_eq!(code(Grid::new(Crossed { means: Vec::new(), ..crossed() })), Code::Combination);
}

/// What a cell comes to does not depend on the rest of the grid.
#[test]
fn a_grid_can_grow() {
    let more = Crossed { k: vec![Some(K::new(3.0).unwrap()), Some(K::new(0.5).unwrap()), None], ..crossed() };
    let (small, large) = (whole(&grid(), 2), whole(&Grid::new(more).unwrap(), 2));
    let large: Vec<&str> = large.lines().collect();
    assert!(small.lines().all(|line| large.contains(&line)));
}

/// A disk that takes so many bytes, or does so many things, and then nothing more.
struct Disk {
    bytes: Vec<u8>,
    room: usize,
    deeds: usize,
}

impl Disk {
    fn deed(&mut self) -> io::Result<()> {
        self.deeds = self.deeds.checked_sub(1).ok_or_else(|| io::Error::other("the disk is gone"))?;
        Ok(())
    }
}

impl Write for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.deed()?;
        let some = bytes.len().min(self.room - self.bytes.len());
        if some == 0 {
            return Err(io::Error::from(io::ErrorKind::StorageFull));
        }
        self.bytes.extend(&bytes[..some]);
        Ok(some)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.deed()
    }
}

impl Durable for Disk {
    fn sync(&mut self) -> io::Result<()> {
        self.deed()
    }
}

/// Runs what is left of a study onto a disk.
fn attempt(grid: &Grid, shards: &[Vec<u8>], mut disk: Disk) -> (Vec<u8>, Result<String, Error>) {
    let mut cells = BTreeMap::new();
    shards.iter().for_each(|shard| read(shard, grid, &mut cells).unwrap());
    let done = append(&mut disk, &head(grid))
        .and_then(|()| run(grid, &mut cells, &mut |_: usize, text: &str| append(&mut disk, &line(text)), &Quiet));
    let done = done.and_then(|()| table(grid, &cells));
    (disk.bytes, done)
}

#[test]
fn a_failure_at_every_write_costs_no_byte() {
    let small = Crossed { k: vec![None], walks: 50, repeats: 1, ..crossed() };
    let grid = Grid::new(small).unwrap();
    let all = usize::MAX;
    let (bytes, known) = attempt(&grid, &[], Disk { bytes: Vec::new(), room: all, deeds: all });
    let known = known.unwrap();
    let mut failures = 0;
    let rooms = (0..bytes.len()).step_by(7).map(|room| (room, all)).chain((0..3 * 5).map(|deeds| (all, deeds)));
    for (room, deeds) in rooms {
        let (torn, failed) = attempt(&grid, &[], Disk { bytes: Vec::new(), room, deeds });
        assert_eq!(failed.unwrap_err().code(), Code::FileWrite, "{room} {deeds}");
        // The second attempt fails too, a little later.
        let (second, _) =
            attempt(&grid, std::slice::from_ref(&torn), Disk { bytes: Vec::new(), room: room / 2, deeds });
        let (_, done) = attempt(&grid, &[torn, second], Disk { bytes: Vec::new(), room: all, deeds: all });
        assert_eq!(done.unwrap(), known, "{room} {deeds}");
        failures += 1;
    }
    assert!(failures > 100, "{failures}");
}

#[test]
fn lines_that_were_changed_are_refused_by_number() {
    let grid = grid();
    let (bytes, _) = attempt(&grid, &[], Disk { bytes: Vec::new(), room: usize::MAX, deeds: usize::MAX });
    let refused = |bytes: &[u8], grid: &Grid| {
        let e = read(bytes, grid, &mut BTreeMap::new()).unwrap_err();
        assert_eq!(e.code(), Code::Log);
        e.place().row.unwrap()
    };
    let text = String::from_utf8(bytes.clone()).unwrap();
    let changed = text.replacen("\"adequate\":0", "\"adequate\":1", 1);
    assert_eq!(refused(changed.as_bytes(), &grid), 2);
    let lines: Vec<&str> = text.split_inclusive('\n').collect();
    assert_eq!(refused([lines[0], lines[1], "\n", lines[2]].concat().as_bytes(), &grid), 3);
    let other = Grid::new(Crossed { seed: 6, ..crossed() }).unwrap();
    assert_eq!(refused(&bytes, &other), 1);
    // Cut off anywhere in its last line, a shard is what was whole.
    for end in (0..bytes.len()).step_by(61) {
        let mut cells = BTreeMap::new();
        read(&bytes[..end], &grid, &mut cells).unwrap();
        let ends = bytes[..end].iter().filter(|byte| **byte == b'\n').count();
        assert_eq!(cells.len(), ends.saturating_sub(1));
    }
}

#[test]
fn what_cannot_be_studied_is_refused() {
    let code = |crossed: Crossed| Grid::new(crossed).unwrap_err().code();
    assert_eq!(code(Crossed { plans: Vec::new(), ..crossed() }), Code::Combination);
    assert_eq!(code(Crossed { repeats: 0, ..crossed() }), Code::Combination);
    assert_eq!(code(Crossed { run: Run::First(4), ..crossed() }), Code::Combination);
    assert_eq!(code(Crossed { walks: 1, ..crossed() }), Code::OutOfRange);
    assert_eq!(code(Crossed { repeats: u32::MAX, ..crossed() }), Code::TooMuchWork);
    let same = vec![("a".to_owned(), plan(9)), ("a".to_owned(), plan(10))];
    assert_eq!(code(Crossed { plans: same, ..crossed() }), Code::Combination);
    assert!(Grid::from_json("{}").is_err());
    assert!(grid().cell(16).is_err());
}
