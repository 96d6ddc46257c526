//! How far a result may be from its vector, and why. Each is what the method promises, not what it
//! happens to reach; what was reached is noted beside it.

/// P(call) and P(reaching the cap), absolute: sums of positive terms, the uppermost stop by difference
/// from 1. Reached: 3e-14.
pub const PROBABILITY: f64 = 1e-12;

/// Expected sites, relative: a sum of positive terms. Reached: 2e-14.
pub const SITES: f64 = 1e-12;

/// Variance of the number of sites, relative to the square of its mean: its terms are that large.
/// Reached: 6e-15.
pub const SITES_VARIANCE: f64 = 1e-12;

/// The mean at which both calls are equally likely, relative: a root of a difference of probabilities,
/// which changes by at least about 0.1 for a change of ln mean by 1. Reached: 3e-14.
pub const EVEN_MEAN: f64 = 1e-11;

/// Probability of one exit, relative: positive terms throughout. Reached: 9e-15.
pub const EXIT: f64 = 1e-12;

/// ln of the weighted number of paths, relative to the largest of 1, itself and the logarithm that the
/// probability is divided by: the engine gets it as ln p less that logarithm.
/// Reached: 1e-15.
pub const LN_PATHS: f64 = 1e-13;

/// Probability of a batch, relative, for each unit of |ln p| and at least one: an exponent of that size
/// is rounded. Reached: 9.7e-15, at k = 1e9 and a mean of 1e4.
pub const PMF: f64 = 1e-14;

/// Slope and intercepts, relative: a quotient of two logarithms. Reached: 2e-16.
pub const STRAIGHT: f64 = 1e-14;

/// Largest expected sites, relative: the vector's mean is found by a golden section in doubles, where sites hardly change.
pub const LARGEST_SITES: f64 = 1e-9;
