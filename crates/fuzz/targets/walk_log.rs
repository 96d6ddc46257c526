//! Walks and their logs: any entries are taken or refused, what was logged is read back, a damaged log is refused.
#![no_main]

use arbitrary::Arbitrary;
use std::sync::{Arc, LazyLock};
use stopline::decide::{Entry, Log, LogHead, Walk};
use stopline::plan::{Aim, Design, Plan, Table};
use stopline::{Dispersion, Plants, Quiet, Score, Site};

#[derive(Arbitrary, Debug)]
struct Input {
    units: u8,
    entries: Vec<(AnyEntry, String)>,
    head: [String; 3],
    damage: Option<(u32, u8)>,
    text: String,
}

#[derive(Arbitrary, Debug, Clone)]
enum AnyEntry {
    Site(Vec<Option<u32>>),
    Count(u8),
    Skip,
    Undo,
    Note(String),
    Pause,
    Resume,
    Close,
}

/// A plan that adds counts, and one that counts positive units.
static PLANS: LazyLock<[Arc<Plan>; 2]> = LazyLock::new(|| {
    [(Score::Count, Dispersion::Poisson), (Score::positive(0, 2).unwrap(), Dispersion::Binomial)].map(
        |(score, dispersion)| {
            let table = Table::of(&[(2, None, Some(4)), (4, Some(1), Some(6)), (8, Some(5), Some(6))]).unwrap();
            let aim = Aim::TwoCalls { thresholds: None, risks: None };
            let (checks, closing) = (table.checks, table.closing);
            let design = Design { score, plants: Plants::ONE, dispersion, aim, checks, closing };
            Arc::new(Plan::given(design, table.lines, &Quiet).unwrap())
        },
    )
});

libfuzzer_sys::fuzz_target!(|input: Input| {
    let _ = Log::read(&input.text);
    let plan = &PLANS[usize::from(input.units % 2)];
    let [field, visit, at] = input.head;
    let (mut log, mut text) = Log::start(Arc::clone(plan), LogHead { field, visit, at }).unwrap();
    for (entry, at) in input.entries {
        let before = log.walk().state();
        match log.append(self::entry(entry), &at) {
            Ok(line) => text.push_str(&line),
            Err(_) => assert_eq!(log.walk().state(), before),
        }
        let _ = log.walk().decision();
    }
    let (read, length) = Log::read(&text).expect("what was logged is read");
    assert_eq!((length, read.walk().state()), (text.len(), log.walk().state()));
    let resumed = Walk::resume(Arc::clone(plan), log.walk().entries().to_vec()).expect("what was taken is taken again");
    assert_eq!(resumed.state(), log.walk().state());

    if let Some((place, bits)) = input.damage {
        let mut bytes = text.into_bytes();
        let place = place as usize % bytes.len();
        bytes[place] ^= bits;
        if let Ok(damaged) = std::str::from_utf8(&bytes) {
            let _ = Log::read(damaged);
        }
        if let Ok(torn) = std::str::from_utf8(&bytes[..place]) {
            let _ = Log::read(torn);
        }
    }
});

fn entry(any: AnyEntry) -> Entry {
    match any {
        AnyEntry::Site(groups) => Entry::Site(Site { groups }),
        AnyEntry::Count(count) => Entry::Site(Site::of(count.into())),
        AnyEntry::Skip => Entry::Skip,
        AnyEntry::Undo => Entry::Undo,
        AnyEntry::Note(note) => Entry::Note(note),
        AnyEntry::Pause => Entry::Pause,
        AnyEntry::Resume => Entry::Resume,
        AnyEntry::Close => Entry::Close,
    }
}
