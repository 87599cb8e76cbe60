//! What is written on a regulator and how it is connected.

use serde::{Deserialize, Serialize};

/// IEEE C57.15 construction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum WindingType {
    /// Shunt winding on the source side ("straight").
    A,
    /// Shunt winding on the load side ("inverted").
    B,
}

/// How the regulators of a bank are connected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Connection {
    /// Line to neutral, one to three regulators.
    Wye,
    /// Two regulators line to line.
    OpenDelta,
    /// Three regulators line to line.
    ClosedDelta,
}

/// The phase, or phase pair, a regulator is connected to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the names are the whole story")]
pub enum Phase {
    A,
    B,
    C,
    AB,
    BC,
    CA,
}

macro_rules! names {
    ($type:ident, $($variant:ident $name:literal $title:literal),+) => {
        impl $type {
            /// The name used in files and columns.
            #[must_use]
            pub const fn name(self) -> &'static str { match self { $(Self::$variant => $name,)+ } }

            /// The name shown to people.
            #[must_use]
            pub const fn title(self) -> &'static str { match self { $(Self::$variant => $title,)+ } }

            /// The value of this name, if there is one.
            #[must_use]
            pub fn from_name(name: &str) -> Option<Self> {
                match name { $($name => Some(Self::$variant),)+ _ => None }
            }
        }
    };
}
names!(WindingType, A "A" "type A", B "B" "type B");
names!(Connection, Wye "wye" "wye", OpenDelta "open_delta" "open delta", ClosedDelta "closed_delta" "closed delta");
names!(Phase, A "A" "A", B "B" "B", C "C" "C", AB "AB" "AB", BC "BC" "BC", CA "CA" "CA");

/// The facts about one regulator that its readings are judged by.
#[derive(Debug, Clone, PartialEq)]
pub struct Nameplate {
    /// Rated kVA.
    pub kva: f64,
    /// Rated current, primary amperes.
    pub rated_current_a: f64,
    /// Rated voltage, primary volts.
    pub rated_voltage_v: f64,
    /// Primary volts per secondary volt of the control's potential transformer.
    pub pt_ratio: f64,
    /// Primary amperes per secondary ampere of the control's current transformer.
    pub ct_ratio: f64,
    /// The control's secondary voltage base, V (120 unless stated).
    pub voltage_base_v: f64,
    /// Steps over the whole ±10 % range: 32 for the common unit.
    pub step_count: u32,
    /// Lowest permitted tap (-16 for the common unit).
    pub tap_min: i32,
    /// Highest permitted tap (+16 for the common unit).
    pub tap_max: i32,
    /// Type A or B.
    pub winding_type: WindingType,
    /// Where the operation counter starts again at zero.
    pub counter_modulus: u64,
    /// How often it is polled, seconds.
    pub poll_interval_s: f64,
}

impl Nameplate {
    /// A common unit: 32 steps of 5/8 %, 120 V base, type B, a 32-bit counter, polled every 10 s.
    #[must_use]
    pub const fn common() -> Self {
        Self {
            kva: 167.0,
            rated_current_a: 219.0,
            rated_voltage_v: 7620.0,
            pt_ratio: 63.5,
            ct_ratio: 1250.0,
            voltage_base_v: 120.0,
            step_count: 32,
            tap_min: -16,
            tap_max: 16,
            winding_type: WindingType::B,
            counter_modulus: 1 << 32,
            poll_interval_s: 10.0,
        }
    }

    /// What it can pass, kVA: rated current times rated voltage. The rated kVA of a ±10 % unit is a tenth of it, since only
    /// the series winding's share is transformed.
    #[must_use]
    pub const fn through_kva(&self) -> f64 {
        self.rated_current_a * self.rated_voltage_v / 1000.0
    }

    /// Volts that one step is worth on the secondary base: 5/8 % of 120 V is 0.75 V.
    #[must_use]
    pub fn step_volts(&self) -> f64 {
        0.2 * self.voltage_base_v / f64::from(self.step_count)
    }
}
