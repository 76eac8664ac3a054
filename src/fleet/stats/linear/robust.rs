//! A bounded-influence fit with group effects that are shrunk.

/// What one group lies above or below the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// In the unit of `y`.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
}

/// A robust fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Robust {
    /// One a column.
    pub coefficients: Vec<f64>,
    /// One a column.
    pub standard_errors: Vec<f64>,
    /// One a group; a group without rows has value 0 and the groups' own spread as error.
    pub effects: Vec<Effect>,
    /// Standard deviation of the groups' effects.
    pub spread: f64,
    /// Standard deviation of a sound row about the fit.
    pub scale: f64,
    /// How far each row was believed, 0 to 1.
    pub weights: Vec<f64>,
}

/// Fits `y` on columns `x` with an effect for each of `groups` groups; `group` names the group of each row. With
/// `groups` 0, `group` is empty and there are no effects.
pub fn robust(x: &[Vec<f64>], y: &[f64], group: &[usize], groups: usize) -> Option<Robust> {
    // Follows.
    (x.is_empty() && y.is_empty() && group.is_empty() && groups == 0).then_some(Robust {
        coefficients: vec![],
        standard_errors: vec![],
        effects: vec![],
        spread: 0.0,
        scale: 0.0,
        weights: vec![],
    })
}
