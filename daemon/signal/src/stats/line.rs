//! Straight lines through readings.

/// A least-squares line y = intercept + slope x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// How many points; at least 2.
    pub n: usize,
    /// Rise of y for one unit of x.
    pub slope: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Standard error of the slope for independent residuals; absent for two points.
    pub slope_error: Option<f64>,
    /// Standard error of the intercept for independent residuals; absent for two points.
    pub intercept_error: Option<f64>,
    /// Standard deviation of the residuals with n - 2 in the denominator; zero for two points.
    pub residual_sd: f64,
    /// Lag-1 autocorrelation of the residuals in the order given; absent when there are none.
    pub residual_lag1: Option<f64>,
}

/// Fits a line by least squares, in three passes about the means. Absent for fewer than two points, for
/// points at one x, and where a result is not a finite number.
pub fn fit_line<I: Iterator<Item = (f64, f64)> + Clone>(points: I) -> Option<Line> {
    let (n, sum_x, sum_y) =
        points.clone().fold((0usize, 0.0, 0.0), |(n, sx, sy), (x, y)| (n + 1, sx + x, sy + y));
    if n < 2 {
        return None;
    }
    let count = n as f64;
    let (mean_x, mean_y) = (sum_x / count, sum_y / count);
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for (x, y) in points.clone() {
        let dx = x - mean_x;
        sxx += dx * dx;
        sxy += dx * (y - mean_y);
    }
    let slope = sxy / sxx;
    let (mut squares, mut products, mut before) = (0.0, 0.0, 0.0);
    for (x, y) in points {
        let r = (y - mean_y) - slope * (x - mean_x);
        squares += r * r;
        products += r * before;
        before = r;
    }
    let variance = if n > 2 { squares / (count - 2.0) } else { 0.0 };
    let error = |factor: f64| (n > 2).then(|| (variance * factor).sqrt());
    let line = Line {
        n,
        slope,
        intercept: mean_y - slope * mean_x,
        slope_error: error(1.0 / sxx),
        intercept_error: error(1.0 / count + mean_x * mean_x / sxx),
        residual_sd: variance.sqrt(),
        residual_lag1: (squares > 0.0).then(|| (products / squares).clamp(-1.0, 1.0)),
    };
    let finite = line.slope.is_finite() && line.intercept.is_finite() && line.residual_sd.is_finite();
    (finite && line.slope_error.is_none_or(f64::is_finite)).then_some(line)
}

/// The line of Theil and Sen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs of points.
    pub slope: f64,
    /// Median of y - slope x.
    pub intercept: f64,
}

/// The most points that [`theil_sen`] takes: it looks at every pair, and at this many there are two million.
pub const THEIL_SEN_MOST: usize = 2_000;

/// A line that outliers hardly move: the median of the slopes of all pairs at different x (Sen, Journal of
/// the American Statistical Association 63 (1968) 1379). Absent for fewer than two different x, for more
/// than [`THEIL_SEN_MOST`] points, and where a slope is not a number.
pub fn theil_sen(points: &[(f64, f64)]) -> Option<TheilSen> {
    if points.len() > THEIL_SEN_MOST {
        return None;
    }
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (i, (x, y)) in points.iter().enumerate() {
        slopes.extend(points[i + 1..].iter().filter(|p| p.0 != *x).map(|(x2, y2)| (y2 - y) / (x2 - x)));
    }
    let slope = median(&mut slopes)?;
    let intercept = median(&mut points.iter().map(|(x, y)| y - slope * x).collect::<Vec<_>>())?;
    Some(TheilSen { slope, intercept })
}

fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() || values.iter().any(|v| v.is_nan()) {
        return None;
    }
    let (half, odd) = (values.len() / 2, values.len() % 2 == 1);
    let (below, upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let upper = *upper;
    if odd {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f64::total_cmp)?;
    Some(lower + (upper - lower) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_without_a_line_have_none() {
        assert_eq!(fit_line([(0.0, 1.0)].into_iter()), None);
        assert_eq!(fit_line([(2.0, 1.0), (2.0, 3.0)].into_iter()), None);
        assert_eq!(fit_line([(0.0, 1.0), (1.0, f64::INFINITY)].into_iter()), None);
        assert_eq!(theil_sen(&[(2.0, 1.0), (2.0, 3.0)]), None);
        assert_eq!(theil_sen(&[(0.0, 1.0), (1.0, f64::NAN)]), None);
        assert_eq!(theil_sen(&vec![(0.0, 0.0); THEIL_SEN_MOST + 1]), None);
    }

    #[test]
    fn two_points_have_a_slope_but_no_error() {
        let line = fit_line([(0.0, 1.0), (2.0, 5.0)].into_iter()).unwrap();
        assert_eq!((line.slope, line.intercept, line.slope_error), (2.0, 1.0, None));
    }
}
