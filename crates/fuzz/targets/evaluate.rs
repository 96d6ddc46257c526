//! Any table of lines under any law: evaluated or refused, with probabilities that are probabilities.
#![no_main]

use arbitrary::Arbitrary;
use stopline::evaluate::{Evaluator, InstructionSet, curve_of_laws, exits};
use stopline::law::{Law, Laws};
use stopline::{Call, K, Lines, Mean, Quiet, Row, Share, Stop};

#[derive(Arbitrary, Debug)]
struct Input {
    rows: Vec<(u8, i16, i16, bool)>,
    stops: Vec<(Option<i16>, Option<i16>, u8)>,
    huge: bool,
    laws: Vec<AnyLaw>,
    leave_off: f64,
}

#[derive(Arbitrary, Debug)]
enum AnyLaw {
    Poisson(f64),
    NegBin(f64, f64),
    Binomial(f64, u16),
    Table(i64, Vec<f64>),
}

libfuzzer_sys::fuzz_target!(|input: Input| {
    let Some(lines) = lines(&input) else { return };
    let laws: Vec<Law> = input.laws.iter().filter_map(law).collect();
    for law in &laws {
        if let Ok(exits) = exits(&lines, law, input.leave_off) {
            assert!(exits.list.iter().all(|e| e.p >= 0.0), "{exits:?}");
        }
    }
    if let Some(first) = laws.first()
        && let Ok(mut evaluator) = Evaluator::new(&lines, first, InstructionSet::best())
    {
        let _ = evaluator.points(&laws);
    }
    let laws: Vec<Laws> = laws.into_iter().map(Laws::one).collect();
    let means: Vec<f64> = laws.iter().map(|l| l.nodes[0].1.mean()).collect();
    if let Ok(curve) = curve_of_laws(&lines, &means, &laws, &Quiet) {
        for row in curve.rows {
            let called = row.adequate + row.inadequate + row.marginal + row.enough + row.undecided;
            assert!((called - 1.0).abs() < 1e-9 || called.is_nan(), "{row:?}");
        }
    }
});

fn lines(input: &Input) -> Option<Lines> {
    // Totals small enough for many runs a second, or so large that they must be refused.
    let total = |t: i16| if input.huge { i64::from(t) << 24 } else { i64::from(t >> 6) };
    let (mut at, mut rows) = (0, Vec::new());
    for &(gap, a, b, undecided) in &input.rows {
        at += u32::from(gap);
        let middle = undecided.then_some(Call::Undecided);
        rows.push(Row::two_calls(at, Some(total(a)), Some(total(b)), middle));
    }
    let stops = input.stops.iter().map(|&(from, to, call)| Stop {
        from: from.map(total),
        to: to.map(total),
        call: Call::ALL[usize::from(call) % Call::ALL.len()],
    });
    rows.push(Row { at: at + 1, stops: stops.collect() });
    if !rows.last()?.closes() {
        rows.pop();
    }
    Lines::new(rows).ok()
}

fn law(any: &AnyLaw) -> Option<Law> {
    Some(match any {
        AnyLaw::Poisson(mean) => Law::Poisson { mean: Mean::new(*mean).ok()? },
        AnyLaw::NegBin(mean, k) => Law::NegBin { mean: Mean::new(*mean).ok()?, k: K::new(*k).ok()? },
        AnyLaw::Binomial(p, units) => Law::Binomial { p: Share::new(*p).ok()?, units: *units },
        AnyLaw::Table(first, p) => Law::table(*first, p.clone()).ok()?,
    })
}
