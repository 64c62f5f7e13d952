//! The trend's statistics against scipy and pymannkendall: values stored by `tests/reference/trend_reference.py`.

use ohmward::trend::statistics::{
    MannKendall, mann_kendall, mann_kendall_autocorrelated, mann_kendall_seasonal, theil_sen,
    theil_sen_seasonal,
};
use serde_json::Value;

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .expect("a list")
        .iter()
        .map(number)
        .collect()
}

fn near(got: f64, want: &Value, what: &str) {
    let want = number(want);
    assert!(
        (got - want).abs() <= 1e-6 * want.abs().max(1.0),
        "{what}: {got}, the reference has {want}"
    );
}

fn same_test(got: &MannKendall, want: &Value, what: &str) {
    near(got.s, &want["s"], &format!("{what}: S"));
    near(got.var_s, &want["var_s"], &format!("{what}: var S"));
    near(got.z, &want["z"], &format!("{what}: z"));
    near(
        got.p_two_sided(),
        &want["p_two_sided"],
        &format!("{what}: p, two-sided"),
    );
}

#[test]
fn agree_with_scipy_and_pymannkendall() {
    let stored: Value =
        serde_json::from_str(include_str!("../data/trend-reference.json")).expect("JSON");
    let all = stored["series"].as_array().expect("series");
    assert!(all.len() >= 7);
    for series in all {
        let name = series["name"].as_str().expect("a name");
        let (x, y) = (numbers(&series["x"]), numbers(&series["y"]));
        let period = series["period"].as_u64().expect("a period") as usize;
        let line = theil_sen(&x, &y, 0.95).expect("a slope");
        let want = &series["theil_sen"];
        near(line.slope, &want["slope"], &format!("{name}: slope"));
        near(
            line.intercept,
            &want["intercept"],
            &format!("{name}: intercept"),
        );
        near(
            line.slope_low,
            &want["slope_low_95"],
            &format!("{name}: low slope"),
        );
        near(
            line.slope_high,
            &want["slope_high_95"],
            &format!("{name}: high slope"),
        );
        same_test(&mann_kendall(&y), &series["mann_kendall"], name);
        let corrected = mann_kendall_autocorrelated(&y, false);
        same_test(
            &corrected,
            &series["mann_kendall_autocorrelated"],
            &format!("{name}, corrected"),
        );
        let some: Vec<Option<f64>> = y.iter().copied().map(Some).collect();
        same_test(
            &mann_kendall_seasonal(&some, period),
            &series["mann_kendall_seasonal"],
            &format!("{name}, seasonal"),
        );
        let slope = theil_sen_seasonal(&some, period).expect("a slope");
        near(
            slope,
            &series["seasonal_slope_per_period"],
            &format!("{name}: seasonal slope"),
        );
    }
}

/// What the correction is for, and how far it goes: of trendless series with a lag-one correlation of 0.7 the textbook test at
/// 5 % two-sided calls four in ten trending, the corrected one still two in ten. So the trend also asks for far smaller p.
#[test]
fn autocorrelation_is_paid_for() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(1);
    let (mut textbook, mut corrected, mut sure) = (0, 0, 0);
    for _ in 0..300 {
        let mut value = 0.0;
        let series: Vec<f64> = (0..60)
            .map(|_| {
                let step: f64 = StandardNormal.sample(&mut rng);
                value = 0.7 * value + step;
                value
            })
            .collect();
        textbook += u32::from(mann_kendall(&series).p_two_sided() < 0.05);
        let found = mann_kendall_autocorrelated(&series, true);
        corrected += u32::from(found.p_two_sided() < 0.05);
        sure += u32::from(found.p_two_sided() < 0.001);
    }
    assert!(textbook > 75, "{textbook} of 300");
    assert!(
        3 * corrected < 2 * textbook,
        "{corrected} of 300 against {textbook}"
    );
    assert!(sure < 30, "{sure} of 300 at 0.1 %");
}
