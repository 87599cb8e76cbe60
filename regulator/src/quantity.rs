//! The quantities that a control can report of one regulator.

use serde::{Deserialize, Serialize};

macro_rules! quantities {
    ($($(#[$doc:meta])+ $variant:ident $name:literal $title:literal $unit:literal;)+) => {
        /// What is measured or reported of one regulator.
        ///
        /// The order is a contract: it is the position of the quantity's quality in a stored reading. New quantities
        /// are added at the end.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        #[repr(u8)]
        pub enum Quantity { $($(#[$doc])+ $variant,)+ }

        impl Quantity {
            /// Every quantity, in stored order.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// The name used in profiles, files and columns.
            #[must_use]
            pub const fn name(self) -> &'static str { match self { $(Self::$variant => $name,)+ } }

            /// The name shown to people.
            #[must_use]
            pub const fn title(self) -> &'static str { match self { $(Self::$variant => $title,)+ } }

            /// The unit symbol; empty for counts, positions and yes/no.
            #[must_use]
            pub const fn unit(self) -> &'static str { match self { $(Self::$variant => $unit,)+ } }
        }
    };
}

quantities! {
    /// Voltage on the load side, on the control's secondary base.
    LoadVoltage "load_voltage" "Load voltage" "V";
    /// Voltage on the source side, on the control's secondary base.
    SourceVoltage "source_voltage" "Source voltage" "V";
    /// Load current, primary amperes.
    Current "current" "Current" "A";
    /// Real power through the regulator, positive from source to load.
    RealPower "real_power" "Real power" "kW";
    /// Reactive power, positive for a lagging load.
    ReactivePower "reactive_power" "Reactive power" "kvar";
    /// Power factor, -1 to 1.
    PowerFactor "power_factor" "Power factor" "";
    /// Tap position: 0 neutral, raise positive, lower negative.
    Tap "tap" "Tap" "";
    /// The control's operation counter as it stands.
    Operations "operations" "Operations" "";
    /// Whether the control is in automatic.
    Automatic "automatic" "Automatic" "";
    /// Whether tapping is blocked.
    Blocked "blocked" "Blocked" "";
    /// Whether the neutral indicator is on.
    AtNeutral "at_neutral" "Neutral indicator" "";
    /// Whether the control says that power is reversed.
    ReverseFlow "reverse_flow" "Reverse flow" "";
    /// Centre of the band.
    SetVoltage "set_voltage" "Set voltage" "V";
    /// Whole width of the band.
    Bandwidth "bandwidth" "Bandwidth" "V";
    /// Delay before the first tap.
    TimeDelay "time_delay" "Time delay" "s";
    /// Line-drop compensator, resistive setting, volts at rated CT primary current.
    LdcResistance "ldc_resistance" "Compensator R" "V";
    /// Line-drop compensator, reactive setting, volts at rated CT primary current.
    LdcReactance "ldc_reactance" "Compensator X" "V";
    /// Total harmonic distortion of the load voltage, of its fundamental.
    VoltageDistortion "voltage_distortion" "Voltage distortion" "%";
    /// Total harmonic distortion of the current, of its fundamental.
    CurrentDistortion "current_distortion" "Current distortion" "%";
    /// Whether the motor runs: a tap change is in progress.
    TapInProgress "tap_in_progress" "Tap change in progress" "";
}

impl Quantity {
    /// How many quantities there are.
    pub const COUNT: usize = Self::ALL.len();

    /// Position of this quantity in a stored reading's quality.
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The quantity of this name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|q| q.name() == name)
    }

    /// Whether the quantity is a yes or a no.
    #[must_use]
    pub const fn is_flag(self) -> bool {
        matches!(
            self,
            Self::Automatic | Self::Blocked | Self::AtNeutral | Self::ReverseFlow | Self::TapInProgress
        )
    }
}
