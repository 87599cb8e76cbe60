//! One instant of a recording, reduced to what a replay needs.

/// What was there at one instant; what is not known is `None`, never zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Seconds since the start of the recording, not falling from one sample to the next.
    pub at_s: f64,
    /// Voltage on the source side, V on the secondary base; positive.
    pub source_voltage_v: f64,
    /// The same as measured, whatever the one above is taken from: what a control that regulates the source side goes by.
    pub source_measured_v: Option<f64>,
    /// Voltage on the load side as measured, V on the secondary base.
    pub load_voltage_v: Option<f64>,
    /// In-phase and lagging current of the load side, per unit of the CT's rated primary current.
    pub current: Option<(f64, f64)>,
    /// Where the tap was.
    pub tap: i32,
    /// Whether the control was in automatic.
    pub automatic: bool,
    /// Whether tapping was blocked.
    pub blocked: bool,
}

impl Sample {
    /// An unblocked control in automatic on neutral; measured voltages and current not known.
    #[must_use]
    pub const fn new(at_s: f64, source_voltage_v: f64) -> Self {
        Self {
            at_s,
            source_voltage_v,
            source_measured_v: None,
            load_voltage_v: None,
            current: None,
            tap: 0,
            automatic: true,
            blocked: false,
        }
    }
}
