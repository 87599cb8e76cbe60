//! The settings of a control that a study can try, by name: for forms, options and files alike.
//!
//! A [`Setting`] is a number with its range, a [`Choice`] one of a few words. The ranges are those within which a study makes sense (common
//! practice); a control's own may be narrower. [`check`] looks at settings together.

use crate::control::{ControlSettings, ReverseBehaviour, Timing, Widening};

/// A setting that is a number.
#[derive(Debug)]
pub struct Setting {
    /// The name in files and addresses.
    pub name: &'static str,
    /// The name for people.
    pub title: &'static str,
    /// Unit symbol; empty for a tap or a factor.
    pub unit: &'static str,
    /// Lowest value accepted.
    pub min: f64,
    /// Highest value accepted.
    pub max: f64,
    /// Whether only whole numbers make sense.
    pub whole: bool,
    /// Whether it belongs to the widening band, and means nothing without it.
    pub of_widening: bool,
    /// Whether it belongs to regulating the source side in reverse, and means nothing without that.
    pub of_reverse: bool,
    get: fn(&ControlSettings) -> Option<f64>,
    put: fn(&mut ControlSettings, f64),
}

/// Why a setting is not accepted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refused {
    /// No such name.
    #[error("there is no setting “{0}”; there are {known}", known = names().collect::<Vec<_>>().join(", "))]
    Unknown(String),
    /// Not a number.
    #[error("“{text}” is not a number; give {title} as one from {min} to {max}{unit}")]
    #[expect(missing_docs, reason = "the message says it")]
    NotANumber { text: String, title: &'static str, min: f64, max: f64, unit: String },
    /// Out of range, or not whole.
    #[error("{value} is not accepted; give {title} as a {kind} from {min} to {max}{unit}")]
    #[expect(missing_docs, reason = "the message says it")]
    OutOfRange { value: f64, title: &'static str, kind: &'static str, min: f64, max: f64, unit: String },
    /// Not one of the words.
    #[error("“{text}” is none of the ways of {title}; there are {known}")]
    #[expect(missing_docs, reason = "the message says it")]
    NotAChoice { text: String, title: &'static str, known: String },
}

/// Settings that do not fit together; names the setting to change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misfit {
    /// Name of the setting to change.
    pub setting: &'static str,
    /// What is wrong and what to do.
    pub what: String,
}

impl Setting {
    /// Its value; none of a band that does not widen, or of a side that is not regulated.
    #[must_use]
    pub fn get(&self, settings: &ControlSettings) -> Option<f64> {
        (self.get)(settings)
    }

    /// Sets it. A part of the widening band switches that on, a part of the reverse settings regulating the source side.
    ///
    /// # Errors
    /// When the value is out of range, or not whole where it should be.
    pub fn put(&self, settings: &mut ControlSettings, value: f64) -> Result<(), Refused> {
        let fits = (self.min..=self.max).contains(&value) && (!self.whole || value.fract() == 0.0);
        if !fits {
            let kind = if self.whole { "whole number" } else { "number" };
            let (title, min, max, unit) = (self.title, self.min, self.max, self.after_number());
            return Err(Refused::OutOfRange { value, title, kind, min, max, unit });
        }
        (self.put)(settings, value);
        Ok(())
    }

    /// Its unit with the space before it.
    fn after_number(&self) -> String {
        if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) }
    }

    /// The setting of this name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        SETTINGS.iter().find(|s| s.name == name)
    }
}

macro_rules! setting {
    ($name:literal $title:literal $unit:literal $min:literal $max:literal, $s:ident => $place:expr) => {
        Setting {
            name: $name,
            title: $title,
            unit: $unit,
            min: $min,
            max: $max,
            whole: false,
            of_widening: false,
            of_reverse: false,
            get: |$s| Some($place),
            put: |$s, value| $place = value,
        }
    };
    (whole $name:literal $title:literal $min:literal $max:literal, $s:ident => $place:expr) => {
        Setting {
            name: $name,
            title: $title,
            unit: "",
            min: $min,
            max: $max,
            whole: true,
            of_widening: false,
            of_reverse: false,
            get: |$s| Some(f64::from($place)),
            #[expect(clippy::cast_possible_truncation, reason = "a whole number within a small range")]
            put: |$s, value| $place = value as i32,
        }
    };
    (widening $name:literal $title:literal $unit:literal $min:literal $max:literal, $field:ident) => {
        Setting {
            name: $name,
            title: $title,
            unit: $unit,
            min: $min,
            max: $max,
            whole: false,
            of_widening: true,
            of_reverse: false,
            get: |s| s.widening.map(|w| w.$field),
            put: |s, value| s.widening.get_or_insert(Widening::common()).$field = value,
        }
    };
    (reverse $name:literal $title:literal $unit:literal $min:literal $max:literal, $r:ident => $place:expr) => {
        Setting {
            name: $name,
            title: $title,
            unit: $unit,
            min: $min,
            max: $max,
            whole: false,
            of_widening: false,
            of_reverse: true,
            get: |s| {
                let $r = &s.reverse;
                (s.reverse_behaviour == ReverseBehaviour::RegulateReverse).then_some($place)
            },
            put: |s, value| {
                s.reverse_behaviour = ReverseBehaviour::RegulateReverse;
                let $r = &mut s.reverse;
                $place = value;
            },
        }
    };
}

/// Every setting that is a number. Voltages are those of the control's secondary base.
pub const SETTINGS: &[Setting] = &[
    setting!("set_voltage" "set voltage" "V" 90.0 150.0, s => s.forward.set_voltage_v),
    setting!("bandwidth" "bandwidth" "V" 0.5 12.0, s => s.forward.bandwidth_v),
    setting!("delay" "delay" "s" 0.0 1800.0, s => s.forward.delay_s),
    setting!("inter_tap" "inter-tap time" "s" 0.5 300.0, s => s.inter_tap_s),
    setting!("resistance" "compensator R" "V" -30.0 30.0, s => s.forward.compensator.resistance_v),
    setting!("reactance" "compensator X" "V" -30.0 30.0, s => s.forward.compensator.reactance_v),
    setting!(whole "tap_min" "lowest tap" -100.0 100.0, s => s.tap_min),
    setting!(whole "tap_max" "highest tap" -100.0 100.0, s => s.tap_max),
    setting!(reverse "reverse_set_voltage" "reverse set voltage" "V" 90.0 150.0, r => r.set_voltage_v),
    setting!(reverse "reverse_bandwidth" "reverse bandwidth" "V" 0.5 12.0, r => r.bandwidth_v),
    setting!(reverse "reverse_delay" "reverse delay" "s" 0.0 1800.0, r => r.delay_s),
    setting!(reverse "reverse_resistance" "reverse compensator R" "V" -30.0 30.0, r => r.compensator.resistance_v),
    setting!(reverse "reverse_reactance" "reverse compensator X" "V" -30.0 30.0, r => r.compensator.reactance_v),
    setting!(widening "ramp" "fast from" "V" 0.1 10.0, ramp_v),
    setting!(widening "window" "averaged over" "s" 5.0 3600.0, window_s),
    setting!(widening "factor" "widened by" "times" 1.0 10.0, factor),
    setting!(widening "hold" "stays wide for" "s" 0.0 7200.0, hold_s),
    setting!(widening "hard_low" "hard lower limit" "V" 90.0 150.0, hard_low_v),
    setting!(widening "hard_high" "hard upper limit" "V" 90.0 150.0, hard_high_v),
];

/// A setting that is one of a few words.
#[derive(Debug)]
pub struct Choice {
    /// The name in files and addresses.
    pub name: &'static str,
    /// The name for people.
    pub title: &'static str,
    /// Name and words of each way.
    pub ways: &'static [(&'static str, &'static str)],
    get: fn(&ControlSettings) -> &'static str,
    put: fn(&mut ControlSettings, &str),
}

impl Choice {
    /// Name of the way chosen.
    #[must_use]
    pub fn get(&self, settings: &ControlSettings) -> &'static str {
        (self.get)(settings)
    }

    /// Words of the way chosen.
    #[must_use]
    pub fn words(&self, settings: &ControlSettings) -> &'static str {
        let name = self.get(settings);
        self.ways.iter().find(|(n, _)| *n == name).map_or("other", |(_, words)| words)
    }

    /// Chooses one.
    ///
    /// # Errors
    /// When there is no way of this name.
    pub fn put(&self, settings: &mut ControlSettings, name: &str) -> Result<(), Refused> {
        if !self.ways.iter().any(|(n, _)| *n == name) {
            let known = self.ways.iter().map(|(n, _)| *n).collect::<Vec<_>>().join(", ");
            return Err(Refused::NotAChoice { text: name.to_owned(), title: self.title, known });
        }
        (self.put)(settings, name);
        Ok(())
    }

    /// The choice of this name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        CHOICES.iter().find(|c| c.name == name)
    }
}

/// Every setting that is a word.
pub const CHOICES: &[Choice] = &[
    Choice {
        name: "timing",
        title: "timing",
        ways: &[("sequential", "sequential"), ("integrating", "integrating")],
        get: |s| if s.timing == Timing::Integrating { "integrating" } else { "sequential" },
        put: |s, name| {
            s.timing = if name == "integrating" { Timing::Integrating } else { Timing::Sequential };
        },
    },
    Choice {
        name: "reverse",
        title: "reversed power",
        ways: &[
            ("keep_forward", "forward settings stay"),
            ("block", "no taps"),
            ("regulate_reverse", "source side regulated"),
        ],
        get: |s| match s.reverse_behaviour {
            ReverseBehaviour::KeepForward => "keep_forward",
            ReverseBehaviour::Block => "block",
            ReverseBehaviour::RegulateReverse => "regulate_reverse",
        },
        put: |s, name| {
            s.reverse_behaviour = match name {
                "block" => ReverseBehaviour::Block,
                "regulate_reverse" => ReverseBehaviour::RegulateReverse,
                _ => ReverseBehaviour::KeepForward,
            };
        },
    },
    Choice {
        name: "widening",
        title: "widening band",
        ways: &[("off", "off"), ("on", "on")],
        get: |s| if s.widening.is_some() { "on" } else { "off" },
        put: |s, name| s.widening = (name == "on").then(|| s.widening.unwrap_or(Widening::common())),
    },
];

fn names() -> impl Iterator<Item = &'static str> {
    SETTINGS.iter().map(|s| s.name).chain(CHOICES.iter().map(|c| c.name))
}

/// Sets one by name and text, a number with a decimal point.
///
/// # Errors
/// When there is no such setting, or the text is not what it accepts.
pub fn put(settings: &mut ControlSettings, name: &str, text: &str) -> Result<(), Refused> {
    if let Some(choice) = Choice::named(name) {
        return choice.put(settings, text);
    }
    let setting = Setting::named(name).ok_or_else(|| Refused::Unknown(name.to_owned()))?;
    let value: f64 = text.parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(|| {
        let (title, min, max, unit) = (setting.title, setting.min, setting.max, setting.after_number());
        Refused::NotANumber { text: text.to_owned(), title, min, max, unit }
    })?;
    setting.put(settings, value)
}

/// Whether settings fit together, and a unit with so many steps on either side of neutral.
///
/// # Errors
/// The first that does not fit.
pub fn check(settings: &ControlSettings, steps: i32) -> Result<(), Misfit> {
    let misfit = |setting, what| Err(Misfit { setting, what });
    let (low, high) = (settings.tap_min, settings.tap_max);
    if low < -steps {
        return misfit(
            "tap_min",
            format!("the unit has {steps} steps below neutral; give {} or more", -steps),
        );
    }
    if high > steps {
        return misfit("tap_max", format!("the unit has {steps} steps above neutral; give {steps} or less"));
    }
    if low > high {
        return misfit(
            "tap_min",
            format!("the lowest tap, {low}, is above the highest, {high}; exchange them"),
        );
    }
    if let Some(w) = settings.widening
        && w.hard_low_v >= w.hard_high_v
    {
        let what = format!(
            "the hard lower limit, {} V, must be below the upper one, {} V",
            w.hard_low_v, w.hard_high_v
        );
        return misfit("hard_low", what);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_put_is_what_is_read_and_nothing_else_changes() {
        for setting in SETTINGS {
            let mut settings = ControlSettings::common();
            let value = if setting.whole { 3.0 } else { 0.5 * (setting.min + setting.max) };
            setting.put(&mut settings, value).unwrap();
            assert_eq!(setting.get(&settings), Some(value), "{}", setting.name);
            let mut before = ControlSettings::common();
            if setting.of_widening {
                before.widening = Some(Widening::common());
            }
            if setting.of_reverse {
                before.reverse_behaviour = ReverseBehaviour::RegulateReverse;
            }
            for other in SETTINGS.iter().filter(|other| other.name != setting.name) {
                assert_eq!(other.get(&settings), other.get(&before), "{} by {}", other.name, setting.name);
            }
        }
        for choice in CHOICES {
            for (name, _) in choice.ways {
                let mut settings = ControlSettings::common();
                choice.put(&mut settings, name).unwrap();
                assert_eq!(choice.get(&settings), *name);
            }
        }
    }

    #[test]
    fn nonsense_is_refused_with_what_to_do() {
        let refused = |name: &str, text: &str| {
            let mut settings = ControlSettings::common();
            let why = put(&mut settings, name, text).unwrap_err().to_string();
            assert_eq!(settings, ControlSettings::common());
            why
        };
        assert_eq!(
            refused("bandwidth", "20"),
            "20 is not accepted; give bandwidth as a number from 0.5 to 12 V"
        );
        assert_eq!(refused("delay", "soon"), "“soon” is not a number; give delay as one from 0 to 1800 s");
        assert_eq!(refused("delay", "inf"), "“inf” is not a number; give delay as one from 0 to 1800 s");
        assert_eq!(
            refused("tap_max", "1.5"),
            "1.5 is not accepted; give highest tap as a whole number from -100 to 100"
        );
        assert_eq!(
            refused("timing", "fast"),
            "“fast” is none of the ways of timing; there are sequential, integrating"
        );
        assert!(refused("colour", "1").starts_with("there is no setting “colour”; there are set_voltage, "));
    }

    #[test]
    fn settings_must_fit_together_and_the_unit() {
        let with = |pairs: &[(&str, &str)]| {
            let mut settings = ControlSettings::common();
            for (name, text) in pairs {
                put(&mut settings, name, text).unwrap();
            }
            check(&settings, 16).map_err(|m| m.setting)
        };
        assert_eq!(with(&[]), Ok(()));
        assert_eq!(with(&[("tap_min", "-17")]), Err("tap_min"));
        assert_eq!(with(&[("tap_max", "17")]), Err("tap_max"));
        assert_eq!(with(&[("tap_min", "4"), ("tap_max", "3")]), Err("tap_min"));
        assert_eq!(with(&[("hard_low", "127")]), Err("hard_low"));
    }
}
