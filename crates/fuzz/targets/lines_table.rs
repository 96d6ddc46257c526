//! Tables of lines typed in from a paper: every one is read or refused; what is read makes a plan that can be walked.
#![no_main]

use stopline::plan::{Aim, Design, Plan, Table};
use stopline::{Dispersion, Plants, Quiet, Score};

libfuzzer_sys::fuzz_target!(|text: &[u8]| {
    read(text);
    read(&[b"sites,inadequate_at_most,adequate_at_least\n", text].concat());
});

fn read(text: &[u8]) {
    let Ok(table) = Table::read(text) else { return };
    let aim = Aim::TwoCalls { thresholds: None, risks: None };
    let (checks, closing) = (table.checks, table.closing);
    let design =
        Design { score: Score::Count, plants: Plants::ONE, dispersion: Dispersion::Poisson, aim, checks, closing };
    let plan = Plan::given(design, table.lines, &Quiet).expect("a table that was read fits its own checks");
    let written = plan.to_json().expect("a plan has a file");
    assert_eq!(Plan::from_json(&written).as_ref(), Ok(&plan));
    let _ = stopline::card(&plan);
}
