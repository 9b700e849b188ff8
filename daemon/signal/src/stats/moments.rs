//! Mean, standard deviation and lag-1 autocorrelation.

/// Mean, spread and dependence of a series, in the unit of its values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// How many values; at least 1.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation with n - 1 in the denominator; zero for a single value.
    pub sd: f64,
    /// Their autocorrelation at lag 1, from -1 to 1; absent when they do not scatter at all.
    pub lag1: Option<f64>,
}

/// Sums over a series, taken in one pass.
///
/// The textbook one-pass formula loses every digit when the scatter is small beside the mean. Here every value
/// is first reduced by the series' own first value x. The square of its distance from the mean is one of the
/// n terms that make up the sum of squares about the mean, so what is subtracted in the end is at most n times
/// as large as what remains: no more than log10(n) digits can be lost, whatever the values.
#[derive(Debug, Clone, Copy)]
pub struct Sums {
    n: usize,
    origin: f64,
    last: f64,
    sum: f64,
    squares: f64,
    products: f64,
    differences: f64,
    min: f64,
    max: f64,
}

impl Sums {
    /// Begins with the first value of a series.
    pub fn new(first: f64) -> Self {
        let zero = 0.0;
        Self {
            n: 1,
            origin: first,
            last: zero,
            sum: zero,
            squares: zero,
            products: zero,
            differences: zero,
            min: zero,
            max: zero,
        }
    }

    /// Adds the next value.
    pub fn push(&mut self, value: f64) {
        let d = value - self.origin;
        let step = d - self.last;
        self.n += 1;
        self.sum += d;
        self.squares += d * d;
        self.products += d * self.last;
        self.differences += step * step;
        self.min = if d < self.min { d } else { self.min };
        self.max = if d > self.max { d } else { self.max };
        self.last = d;
    }

    /// The smallest and the largest value.
    pub fn range(&self) -> (f64, f64) {
        (self.origin + self.min, self.origin + self.max)
    }

    /// Standard deviation of one value from the differences of neighbours, which a slow drift hardly
    /// touches: the root of sum d^2 / (2 (n - 1)) (von Neumann's mean square successive difference).
    pub fn neighbour_sd(&self) -> f64 {
        (self.differences / (2.0 * (self.n - 1).max(1) as f64)).sqrt()
    }

    /// Mean, standard deviation and lag-1 autocorrelation
    /// r1 = sum (y_i - m)(y_(i+1) - m) / sum (y_i - m)^2, the definition that NIST certifies (StRD, univariate
    /// summary statistics). Absent where a result is not a finite number.
    pub fn moments(&self) -> Option<Moments> {
        let n = self.n as f64;
        let m = self.sum / n;
        let squares = (self.squares - m * self.sum).max(0.0);
        // The first value is the origin, so its distance is zero and drops out.
        let products = self.products - m * (2.0 * self.sum - self.last) + (n - 1.0) * m * m;
        let mean = self.origin + m;
        let sd = if self.n > 1 { (squares / (n - 1.0)).sqrt() } else { 0.0 };
        let lag1 = (squares > 0.0).then(|| (products / squares).clamp(-1.0, 1.0));
        (mean.is_finite() && sd.is_finite()).then_some(Moments { n: self.n, mean, sd, lag1 })
    }
}

/// Mean, standard deviation and lag-1 autocorrelation of a series. Absent for an empty series and where a
/// result is not a finite number.
pub fn moments(values: impl IntoIterator<Item = f64>) -> Option<Moments> {
    let mut values = values.into_iter();
    let mut sums = Sums::new(values.next()?);
    values.for_each(|v| sums.push(v));
    sums.moments()
}

/// How many independent values a series of `n` with this lag-1 autocorrelation is worth: n (1 - r1)/(1 + r1).
///
/// The form for a first-order autoregressive series of Bayley and Hammersley, "The effective number of
/// independent observations in an autocorrelated time series", Supplement to the Journal of the Royal
/// Statistical Society 8 (1946) 184-197 (formula from memory). Never more than `n`, because a negative
/// estimate from few values would promise too much, and never less than 1. A series that does not scatter
/// (`None`) shows nothing about its dependence and counts as a single value.
pub fn effective_size(n: usize, lag1: Option<f64>) -> f64 {
    let most = (n as f64).max(1.0);
    match lag1 {
        Some(r) if r.is_finite() => (most * (1.0 - r) / (1.0 + r).max(1e-12)).clamp(1.0, most),
        _ => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_effective_size_stays_between_one_and_n() {
        assert_eq!(effective_size(10, Some(0.0)), 10.0);
        assert_eq!(effective_size(10, Some(-0.9)), 10.0);
        assert_eq!(effective_size(10, Some(1.0)), 1.0);
        assert_eq!(effective_size(10, None), 1.0);
        assert!((effective_size(30, Some(0.5)) - 10.0).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_a_number_has_no_moments() {
        assert_eq!(moments([]), None);
        assert_eq!(moments([1.0, f64::NAN]), None);
        assert_eq!(moments([f64::MAX, -f64::MAX]), None);
        assert_eq!(moments([f64::MAX; 2]).unwrap().mean, f64::MAX);
    }
}
