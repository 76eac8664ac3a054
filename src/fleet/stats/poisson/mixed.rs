//! Counts on several factors at once, whose levels' effects are shrunk towards none.

/// One combination of levels: how often it happened, over how much.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// How often.
    pub count: u64,
    /// Over how much: passages, km. Rows without exposure are left out.
    pub exposure: f64,
    /// One level a factor; `None` where it is not known.
    pub levels: Vec<Option<usize>>,
}

/// A number with what it may as well be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The number.
    pub value: f64,
    /// Lower end of its 90 % interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// What one factor does.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    /// Logarithm of each level's rate over the usual rate, shrunk; a level without rows has value 0.
    pub effects: Vec<super::super::linear::Effect>,
    /// Standard deviation of the levels' logarithms.
    pub sd: Estimate,
    /// Share of the variance between levels that is this factor's: 0 to 1.
    pub share: Estimate,
    /// Probability of seeing this much of the factor, given the other factors, when it does nothing.
    pub p: f64,
}

/// Counts on several factors.
#[derive(Debug, Clone, PartialEq)]
pub struct Mixed {
    /// Logarithm of the usual rate.
    pub intercept: super::super::linear::Effect,
    /// One a factor.
    pub factors: Vec<Factor>,
    /// Whether the data can tell which factor it is.
    pub told_apart: bool,
    /// Why, in words that call the factors by their number.
    pub why: Why,
}

/// Why causes can, or cannot, be told apart. Factors are numbered as in [`Row::levels`].
#[derive(Debug, Clone, PartialEq)]
pub enum Why {
    /// These factors matter, each beyond what the others explain.
    Matter(Vec<usize>),
    /// Nothing varies more than chance makes it.
    Nothing,
    /// Something varies, and these factors go together so that it may be either.
    Together(Vec<usize>),
}

/// Fits counts on factors of these sizes.
pub fn mixed(rows: &[Row], sizes: &[usize]) -> Option<Mixed> {
    // Follows.
    (rows.is_empty() && sizes.is_empty()).then(|| Mixed {
        intercept: super::super::linear::Effect { value: 0.0, standard_error: 0.0 },
        factors: vec![],
        told_apart: false,
        why: Why::Nothing,
    })
}
