//! What counts cannot tell is named; the object of a fit; the model for a plan.

use crate::properties::draw;
use crate::{estimated, level};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use serde_json::Value;
use std::collections::BTreeSet;
use stopline::counts::{Counts, Reading};
use stopline::dispersion::{Clumping, Draws, Frequencies, Got, Notice, Studying, WalkCounts, Why, fit, study_counts};
use stopline::{Code, Dispersion, Quiet};

fn named(counts: &[u32]) -> (Clumping, Clumping) {
    let fit = fit(&[WalkCounts { field: "", visit: "", counts, missing: 0 }], level(), &Quiet).unwrap();
    assert_eq!(fit.fields[0].ml.interval.is_none(), fit.fields[0].ml.k.why().is_some());
    (fit.fields[0].ml.k, fit.common.conditional.k)
}

#[test]
fn what_counts_cannot_tell_is_named() {
    let undefined = |why| Clumping::Undefined(why);
    assert_eq!(named(&[]), (undefined(Why::NoSites), undefined(Why::NoSites)));
    assert_eq!(named(&[0, 0, 0]), (undefined(Why::AllZero), undefined(Why::AllZero)));
    assert_eq!(named(&[0]), (undefined(Why::AllZero), undefined(Why::AllZero)));
    assert_eq!(named(&[7]), (undefined(Why::OneSite), undefined(Why::OneSite)));
    assert_eq!(named(&[3, 3, 3]), (Clumping::Poisson, Clumping::Poisson));
    assert_eq!(named(&[0, 1, 0, 0]), (Clumping::Poisson, undefined(Why::AtMostOne)));
    assert_eq!(named(&[0, 9, 0, 0]).1, undefined(Why::AllAtOneSite));
}

/// One walk that tells nothing, or a huge outlier, never breaks the rest.
#[test]
fn a_fit_of_every_kind_of_walk() {
    let walk = |field, counts| WalkCounts { field, visit: "1", counts, missing: 2 };
    let walks = [
        walk("empty", &[]),
        walk("zeros", &[0, 0, 0, 0]),
        walk("single", &[6]),
        walk("equal", &[2, 2, 2, 2]),
        walk("outlier", &[0, 1, 0, u32::MAX, 2]),
        walk("usual", &[0, 1, 4, 0, 2, 1, 7]),
    ];
    let fit = fit(&walks, level(), &Quiet).unwrap();
    let kinds: Vec<_> = fit.fields.iter().map(|field| field.ml.k.name()).collect();
    assert_eq!(kinds, ["undefined", "undefined", "undefined", "poisson", "estimated", "estimated"]);
    assert_eq!(fit.most_clumped().unwrap().field, "outlier");
    let common = &fit.common;
    assert_eq!((common.walks_used, common.walks_without_any, common.walks_of_one_site), (3, 2, 1));
    let notices: Vec<_> = fit.fields.iter().map(|field| field.notice).collect();
    let expected = [Notice::NoSites, Notice::AllZero, Notice::OneSite, Notice::EqualCounts].map(Some);
    assert_eq!(notices[..4], expected);
    // Four other sites are too few to call a count far above them.
    assert_eq!(notices[4..], [None, None]);
    let usual = Frequencies::of(walks[5].counts).unwrap();
    assert_eq!(fit.fields[5].cox_reid, usual.cox_reid(level()).unwrap());

    let json = serde_json::to_value(&fit).unwrap();
    let keys = |of: &Value| of.as_object().unwrap().keys().cloned().collect::<BTreeSet<_>>();
    // The keys that programs rely on.
    for key in [
        "field",
        "visit",
        "sites",
        "missing",
        "mean",
        "variance",
        "k",
        "k_is",
        "why",
        "k_low",
        "k_high",
        "k_high_is",
        "k_cox_reid",
        "k_cox_reid_is",
        "k_cox_reid_low",
        "k_cox_reid_high",
        "k_cox_reid_high_is",
        "level",
    ] {
        assert!(json["fields"].as_array().unwrap().iter().all(|field| keys(field).contains(key)), "{key}");
    }
    for key in ["k_cox_reid", "k_conditional", "k_ml", "k_low", "k_high", "level"] {
        assert!(keys(&json["common"]).contains(key), "{key}");
    }
    // A null has words beside it.
    for part in json["fields"].as_array().unwrap().iter().chain([&json["common"]]) {
        for (key, value) in part.as_object().unwrap().iter().filter(|(key, value)| value.is_null() && *key != "why") {
            let words = part[format!("{key}_is")].as_str().unwrap_or_else(|| panic!("{key}: {value} in {part}"));
            // Of the keys that programs rely on one of three, of the others the reason.
            let relied_on = !key.contains("_se_") && !key.contains("efficiency") && !key.ends_with("_zero_class");
            let one_of_three = ["undefined", "poisson", "unbounded"].contains(&words);
            assert!(if relied_on && key != "k_moments" { one_of_three } else { words.contains(' ') }, "{key}: {words}");
        }
    }
    assert_eq!(json["fields"][2]["why"], "a single site does not show how sites vary");
    assert_eq!(json["fields"][3]["k_is"], "poisson");
    assert_eq!(json["fields"][3]["k_high_is"], "unbounded");
    assert_eq!(json["fields"][5]["k"].as_f64(), usual.k_ml().unwrap().k());
    assert_eq!(json["fields"][0]["mean_is"], "undefined");
    assert_eq!(json["common"]["level"], 0.95);
}

/// A whole study of the same: each odd walk is named, the others have what they have alone.
#[test]
fn a_study_of_every_kind_of_walk() {
    let mut table = "field,site,count\n".to_owned();
    let mut add = |field: &str, counts: &[u32]| {
        counts.iter().zip(1..).for_each(|(count, site)| table += &format!("{field},{site},{count}\n"));
    };
    let usual = [&[0, 1, 4, 0, 2, 1, 7, 0, 3, 1, 0, 2][..], &[5, 0, 3, 12, 4, 1, 2, 0, 0, 6, 1, 3]];
    usual.iter().zip(["a", "b"]).for_each(|(counts, field)| add(field, counts));
    let alone = Counts::read(table.as_bytes(), &Reading::default()).unwrap();
    let mut add = |field: &str, counts: &[u32]| {
        counts.iter().zip(1..).for_each(|(count, site)| table += &format!("{field},{site},{count}\n"));
    };
    add("zeros", &[0; 12]);
    add("single", &[6]);
    add("equal", &[2; 12]);
    add("outlier", &[0, 1, 0, u32::MAX, 2, 0, 1, 1, 0, 3, 0, 1]);
    let all = Counts::read(table.as_bytes(), &Reading::default()).unwrap();
    let how = Studying { level: level(), draws: Draws::new(99, 1).unwrap(), run_length: 3 };
    let (alone, all) = (study_counts(&alone, &how, &Quiet).unwrap(), study_counts(&all, &how, &Quiet).unwrap());
    assert_eq!(alone.fields, all.fields[..2]);
    assert_eq!(alone.study.as_ref().unwrap().tests, all.study.as_ref().unwrap().tests[..2]);
    let notices: Vec<_> = all.fields[2..].iter().map(|field| field.notice.unwrap()).collect();
    let far = Notice::FarAbove { count: u32::MAX.into() };
    assert_eq!(notices, [Notice::AllZero, Notice::OneSite, Notice::EqualCounts, far]);
    // Nothing in the object is NaN, which JSON has not.
    assert!(serde_json::to_string(&all).unwrap().contains("far_above"));
    assert_eq!(all.to_csv().unwrap().lines().count(), 7);
}

/// Clumped counts of many sites are rarely called far above: 2000 walks of each law, most of them small k.
#[test]
fn few_counts_are_far_above_by_chance() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    for (mean, k) in [(0.5, 0.3), (1.5, 0.5), (1.5, 1.2), (6.0, 1.2), (6.0, 4.0)] {
        let walks: Vec<Vec<u32>> = (0..2000).map(|_| (0..25).map(|_| draw(&mut rng, mean, k)).collect()).collect();
        let walks: Vec<_> =
            walks.iter().map(|counts| WalkCounts { field: "", visit: "", counts, missing: 0 }).collect();
        let fields = fit(&walks, level(), &Quiet).unwrap().fields;
        let far = fields.iter().filter(|field| matches!(field.notice, Some(Notice::FarAbove { .. }))).count();
        println!("mean {mean}, k {k}: {far} of 2000");
        assert!(far <= 20, "mean {mean}, k {k}: {far} of 2000");
    }
}

#[test]
fn the_model_for_a_plan() {
    let of = |walks: &[&[u32]]| {
        let walks: Vec<_> =
            walks.iter().map(|counts| WalkCounts { field: "", visit: "", counts, missing: 0 }).collect();
        fit(&walks, level(), &Quiet).unwrap()
    };
    let fitted = of(&[&[0, 1, 4, 0, 2, 1, 7], &[5, 0, 3, 12, 4, 1]]);
    let plan = fitted.for_plan().unwrap();
    let (k, low) = (estimated(fitted.common.conditional.k), fitted.common.conditional.interval.unwrap().low);
    let constant = |k| Dispersion::ConstantK { k: stopline::K::new(k).unwrap() };
    assert_eq!((plan.dispersion, plan.lower, plan.got), (constant(k), Some(constant(low)), Got::Conditional));

    assert_eq!(of(&[&[2, 2, 2, 2]]).for_plan().unwrap().dispersion, Dispersion::Poisson);
    let at_one_site = of(&[&[0, 0, 8, 0], &[3, 0, 0]]);
    assert_eq!(at_one_site.for_plan().unwrap().got, Got::CoxReid);
    assert_eq!(at_one_site.for_plan().unwrap().dispersion, constant(estimated(at_one_site.common.cox_reid.k)));

    for nothing in [&[&[0_u32, 0][..]][..], &[], &[&[4], &[9]], &[&[0, 1, 0], &[1, 0]]] {
        let e = of(nothing).for_plan().unwrap_err();
        assert_eq!(e.code(), Code::DispersionUndefined, "{nothing:?}");
    }
    let e = of(&[&[0, 0]]).for_plan().unwrap_err();
    assert_eq!(
        e.to_string(),
        "clumping is undefined (every count is 0); allowed: counts with a walk of at least two sites where at least two were found"
    );
}
