//! Shares and their intervals against published values.

use deltaward::replay::statistics::{FourCells, Share, Spread};

/// R. G. Newcombe 1998, Stat Med 17:857-72, table I, method 3 (score interval without continuity
/// correction); the values are quoted here from memory. `statsmodels.stats.proportion.proportion_confint
/// (count, nobs, method="wilson")` of statsmodels 0.15.0 gives the same to these digits.
#[test]
fn wilson_intervals_are_the_published_ones() {
    for (part, whole, low, high) in [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ] {
        let (found_low, found_high) = Share::new(part, whole).wilson().unwrap();
        let near = |found: f64, wanted: f64| (found - wanted).abs() < 0.000_05;
        assert!(
            near(found_low, low) && near(found_high, high),
            "{part}/{whole}: {found_low} {found_high}"
        );
    }
}

#[test]
fn the_ends_are_exact_and_nothing_has_no_interval() {
    let (low, high) = Share::new(0, 7).wilson().unwrap();
    assert!(low.abs() < f64::EPSILON && high < 1.0);
    let (low, high) = Share::new(7, 7).wilson().unwrap();
    assert!(low > 0.0 && (high - 1.0).abs() < f64::EPSILON);
    assert_eq!(Share::new(0, 0).wilson(), None);
    assert!(Share::new(0, 0).words().contains("cannot be said"));
}

/// McQueen, Duckworth, Aitken, Court-Brown 2013, JBJS Am 95:673-7: counts and shares from memory.
#[test]
fn the_four_shares_of_mcqueen_2013() {
    let cells = FourCells {
        true_positive: 152,
        false_positive: 11,
        false_negative: 10,
        true_negative: 677,
    };
    let whole = |share: Share| (share.value().unwrap() * 100.0).round();
    let shares = [
        whole(cells.sensitivity()),
        whole(cells.specificity()),
        whole(cells.positive_predictive()),
        whole(cells.negative_predictive()),
    ];
    for (found, wanted) in shares.into_iter().zip([94.0, 98.0, 93.0, 99.0]) {
        assert!((found - wanted).abs() < f64::EPSILON, "{shares:?}");
    }
}

/// Nearest rank: of ten numbers the fifth and the ninth.
#[test]
fn median_and_ninetieth_are_of_the_numbers_themselves() {
    let spread = Spread::of((1..=10).rev().collect()).unwrap();
    assert_eq!(
        (spread.median, spread.ninetieth, spread.greatest, spread.count),
        (5, 9, 10, 10)
    );
    assert_eq!(Spread::of(Vec::new()), None);
    assert_eq!(Spread::of(vec![-3]).unwrap().median, -3);
}
