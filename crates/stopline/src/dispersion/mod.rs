//! How clumped the counts are: the models a plan is computed under, and fitting them to counts.

mod model;

pub use model::Dispersion;
