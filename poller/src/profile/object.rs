//! One point of a profile for controls that speak DNP3: which object it is, and what its values mean.

use dnp3::objects::{Class, Fault, Kind};
use regulator::Quantity;

/// One point.
#[derive(Debug, Clone, PartialEq)]
pub struct ObjectPoint {
    /// What it reports.
    pub quantity: Quantity,
    /// Which of the control's regulators it belongs to, 1 to 3.
    pub position: u8,
    /// Which kind of object.
    pub kind: Kind,
    /// Which of its kind, counted from 0.
    pub index: u16,
    /// In which class the device reports its changes; none if it reports none, so that only a poll of everything renews it.
    pub class: Option<Class>,
    /// Flags that this kind of device sets without meaning anything by them.
    pub ignored: Vec<Fault>,
    /// What the number is multiplied by, to be in the quantity's unit.
    pub scale: f64,
    /// What is added then.
    pub offset: f64,
    /// Lowest and highest value that can be right, in the quantity's unit.
    pub valid: Option<(f64, f64)>,
    /// Numbers, before scaling, that mean "not available".
    pub not_available: Vec<f64>,
    /// Numbers that mean yes; those other than 0 if empty. A binary is 1 or 0, a double-bit input 0 to 3.
    pub yes_when: Vec<i64>,
    /// Where an operation counter starts again at zero.
    pub rollover: Option<u64>,
    /// The line of the profile that it begins at.
    pub line: usize,
}
