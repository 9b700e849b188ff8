//! NIST/ITL Statistical Reference Datasets (StRD): univariate summary statistics and linear regression; and
//! the published examples of Theil-Sen lines.

use holdgate_signal::stats::{fit_line, moments, theil_sen};

use crate::world::{number, table};

macro_rules! published {
    ($name:literal) => {
        include_str!(concat!("../../../../tests/published/", $name))
    };
}

const CERTIFIED: &str = published!("06_nist_univariate_certified.csv");

/// How many digits agree with the certified value: NIST's log relative error, at most 15.
fn digits(got: f64, certified: f64) -> f64 {
    if got == certified { 15.0 } else { (-((got - certified) / certified).abs().log10()).min(15.0) }
}

fn values(dataset: &str) -> Vec<f64> {
    let text = match dataset {
        "Lew" => published!("06_nist_lew.csv"),
        "Mavro" => published!("06_nist_mavro.csv"),
        "Michelso" => published!("06_nist_michelso.csv"),
        "NumAcc1" => published!("06_nist_numacc1.csv"),
        "NumAcc3" => published!("06_nist_numacc3.csv"),
        "NumAcc4" => published!("06_nist_numacc4.csv"),
        other => panic!("no data for {other}"),
    };
    table(text).iter().map(|row| number(row, "y")).collect()
}

#[test]
fn mean_spread_and_autocorrelation_reach_the_certified_digits() {
    // Digits of mean, standard deviation and autocorrelation that double-precision input allows: NumAcc3 and
    // NumAcc4 cannot be written exactly in binary, which costs 9.5 and 8.3 digits of standard deviation.
    let reachable = [
        ("Lew", [14.0, 14.0, 13.0]),
        ("Mavro", [14.0, 13.0, 12.5]),
        ("Michelso", [14.0, 13.0, 12.5]),
        ("NumAcc1", [15.0, 15.0, 15.0]),
        ("NumAcc3", [14.0, 9.4, 8.5]),
        ("NumAcc4", [14.0, 8.2, 7.5]),
    ];
    let certified = table(CERTIFIED);
    assert_eq!(certified.len(), reachable.len());
    for (dataset, wanted) in reachable {
        let row = certified.iter().find(|row| row["dataset"] == dataset).unwrap();
        let got = moments(values(dataset)).unwrap();
        assert_eq!(got.n as f64, number(row, "n"));
        let reached = [
            digits(got.mean, number(row, "mean")),
            digits(got.sd, number(row, "std_n_minus_1")),
            digits(got.lag1.unwrap(), number(row, "autocorr_lag1")),
        ];
        for (what, (reached, wanted)) in ["mean", "sd", "lag 1"].iter().zip(reached.iter().zip(wanted)) {
            assert!(*reached >= wanted, "{dataset} {what}: {reached:.2} of {wanted} digits");
        }
    }
}

#[test]
fn the_one_pass_formula_would_fail() {
    // The negative test: sum of squares less square of the sum gives 0.0994 and 0.0 instead of 0.1.
    for (dataset, reachable) in [("NumAcc3", 9.4), ("NumAcc4", 8.2)] {
        let y = values(dataset);
        let n = y.len() as f64;
        let (sum, squares) = y.iter().fold((0.0, 0.0), |(s, q), v| (s + v, q + v * v));
        let one_pass = ((squares - sum * sum / n) / (n - 1.0)).max(0.0).sqrt();
        assert!(digits(one_pass, 0.1) < 3.0, "{dataset}: {one_pass}");
        assert!(digits(moments(y).unwrap().sd, 0.1) >= reachable);
    }
}

#[test]
fn the_line_through_norris_is_the_certified_one() {
    let points: Vec<_> =
        table(published!("06_nist_norris.csv")).iter().map(|r| (number(r, "x"), number(r, "y"))).collect();
    let certified = table(published!("06_nist_linear_certified.csv"));
    let of = |parameter: &str| {
        certified.iter().find(|r| r["dataset"] == "Norris" && r["parameter"] == parameter).unwrap()
    };
    let line = fit_line(points.iter().copied()).unwrap();
    for (what, got, wanted) in [
        ("intercept", line.intercept, number(of("B0"), "estimate")),
        ("slope", line.slope, number(of("B1"), "estimate")),
        ("error of the intercept", line.intercept_error.unwrap(), number(of("B0"), "std_error")),
        ("error of the slope", line.slope_error.unwrap(), number(of("B1"), "std_error")),
        ("residual sd", line.residual_sd, number(of("residual sd"), "estimate")),
    ] {
        assert!(digits(got, wanted) >= 12.0, "{what}: {:.2} digits", digits(got, wanted));
    }
}

#[test]
fn theil_sen_lines_are_the_published_ones() {
    // Sen 1968 (JASA 63:1379) and the others as column `source` of the table says.
    let list = |text: &str| -> Vec<f64> {
        text.trim_matches(['[', ']']).split(',').map(|x| x.trim().parse().unwrap()).collect()
    };
    let cases = table(published!("06_theil_sen.csv"));
    assert_eq!(cases.len(), 4);
    for case in cases {
        let points: Vec<_> = list(&case["x"]).into_iter().zip(list(&case["y"])).collect();
        let line = theil_sen(&points).unwrap();
        assert!((line.slope - number(&case, "slope")).abs() < 1e-12, "{}: {}", case["case"], line.slope);
        let intercept = number(&case, "intercept_median_residual");
        assert!((line.intercept - intercept).abs() < 1e-9, "{}: {}", case["case"], line.intercept);
    }
}
