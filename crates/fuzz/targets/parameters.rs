//! Numbers a caller may pass: every one is taken or refused, none panics.
#![no_main]

use arbitrary::Arbitrary;
use stopline::{Call, Dispersion, K, Lines, Mean, Plants, Risk, Risks, Row, Score, Site, Stop, Thresholds, Unit};

#[derive(Arbitrary, Debug)]
struct Input {
    means: [f64; 3],
    ks: [f64; 3],
    risks: [f64; 2],
    plants: u16,
    unit: String,
    rows: Vec<(u32, Option<i64>, Option<i64>, bool)>,
    stops: Vec<(Option<i64>, Option<i64>, u8)>,
    counts: Vec<Option<u32>>,
    above: u32,
    units: u16,
    at: u32,
    total: i64,
}

libfuzzer_sys::fuzz_target!(|input: Input| {
    parameters(&input);
    lines(&input);
});

fn parameters(input: &Input) {
    let means = input.means.map(Mean::new);
    let ks = input.ks.map(K::new);
    if let [Ok(low), Ok(high), _] = &means {
        let _ = Thresholds::new(*low, *high);
    }
    if let [Ok(adequate), Ok(inadequate)] = input.risks.map(Risk::new) {
        let _ = Risks::new(adequate, inadequate);
    }
    if let (Ok(plants), Ok(unit)) = (Plants::new(input.plants), Unit::parse(&input.unit)) {
        let _ = unit.in_a_site(plants);
    }
    let site = Site { groups: input.counts.clone() };
    let scores: Vec<_> = Score::positive(input.above, input.units).into_iter().chain([Score::Count]).collect();
    let mut models = vec![Dispersion::Poisson, Dispersion::Binomial];
    if let [Ok(k), Ok(low), Ok(high)] = ks {
        models.push(Dispersion::ConstantK { k });
        models.extend(Dispersion::k_interval(k, low, high));
        models.extend(Dispersion::k_spread(k, input.means[0]));
    }
    models.extend(Dispersion::power_law(input.ks[0], input.ks[1]));
    for score in &scores {
        let _ = score.step(&site);
        for (model, mean) in models.iter().flat_map(|model| means.iter().flatten().map(move |mean| (model, *mean))) {
            let _ = (model.variance(mean), model.k(mean), model.laws(score, mean));
        }
    }
}

fn lines(input: &Input) {
    let closing = |undecided: bool| undecided.then_some(Call::Undecided);
    let mut rows: Vec<_> = input.rows.iter().map(|&(at, a, b, u)| Row::two_calls(at, a, b, closing(u))).collect();
    let stops = input.stops.iter().map(|&(from, to, call)| Stop { from, to, call: Call::ALL[usize::from(call) % 5] });
    rows.push(Row { at: input.at, stops: stops.collect() });
    for row in &rows {
        let _ = (row.lowest(), row.highest(), row.closes());
    }
    if let Ok(lines) = Lines::new(rows) {
        let _ = (lines.cap(), lines.verdict(input.at, input.total), lines.next_check(input.at));
    }
}
