//! The settings in force while readings were taken, as the control reported them.

use serde::Serialize;

use super::setting::{SETTINGS, Setting};
use crate::control::ControlSettings;
use crate::{Nameplate, Quantity, Reading};

/// Which quantity reports a setting.
const REPORTED: &[(&str, Quantity)] = &[
    ("set_voltage", Quantity::SetVoltage),
    ("bandwidth", Quantity::Bandwidth),
    ("delay", Quantity::TimeDelay),
    ("resistance", Quantity::LdcResistance),
    ("reactance", Quantity::LdcReactance),
];

/// Where a present setting is from.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// Reported, always the same.
    Reported,
    /// Reported, but not always the same: the share of the readings that had the value taken, 0 to 1. A replay with it cannot
    /// give back the rest.
    Changed {
        /// Share, 0 to 1.
        share: f64,
    },
    /// Reported with a value that no study accepts; the common one is taken.
    Unusable {
        /// The value reported most.
        value: f64,
    },
    /// The nameplate's.
    Nameplate,
    /// Not reported: the common value is taken.
    Assumed,
}

/// The settings in force, and where each is from.
#[derive(Debug, Clone, PartialEq)]
pub struct InForce {
    /// The settings.
    pub settings: ControlSettings,
    /// Name of each number among them, and its origin.
    pub origins: Vec<(&'static str, Origin)>,
}

impl InForce {
    /// As most readings say; tap limits as on the nameplate; the rest as [`ControlSettings::common`]. How a control keeps
    /// time, what it does in reverse, and whether its band widens is not reported.
    #[must_use]
    pub fn of<'r>(readings: impl IntoIterator<Item = &'r Reading>, nameplate: &Nameplate) -> Self {
        let mut seen: Vec<Vec<(f64, u64)>> = vec![vec![]; REPORTED.len()];
        for reading in readings {
            for (values, (_, quantity)) in seen.iter_mut().zip(REPORTED) {
                if let Some(value) = reading.good(*quantity).map(rounded) {
                    match values.iter_mut().find(|(v, _)| *v == value) {
                        Some((_, count)) => *count += 1,
                        None => values.push((value, 1)),
                    }
                }
            }
        }
        let mut settings = ControlSettings::common();
        (settings.tap_min, settings.tap_max) = (nameplate.tap_min, nameplate.tap_max);
        // The common set voltage is on 120 V.
        settings.forward.set_voltage_v *= nameplate.voltage_base_v / 120.0;
        let origins = SETTINGS
            .iter()
            .filter(|setting| !setting.of_widening && !setting.of_reverse)
            .map(|setting| {
                let place = REPORTED.iter().position(|(name, _)| *name == setting.name);
                let origin = match place {
                    Some(place) => taken(setting, &seen[place], &mut settings),
                    None if setting.whole => Origin::Nameplate,
                    None => Origin::Assumed,
                };
                (setting.name, origin)
            })
            .collect();
        settings.reverse = settings.forward;
        Self { settings, origins }
    }

    /// Where the setting of this name is from.
    #[must_use]
    pub fn origin(&self, name: &str) -> Option<&Origin> {
        self.origins.iter().find(|(n, _)| *n == name).map(|(_, origin)| origin)
    }
}

fn taken(setting: &Setting, values: &[(f64, u64)], settings: &mut ControlSettings) -> Origin {
    // Of two as frequent the later one.
    let Some(&(value, count)) = values.iter().max_by_key(|(_, count)| *count) else { return Origin::Assumed };
    if setting.put(settings, value).is_err() {
        return Origin::Unusable { value };
    }
    let all: u64 = values.iter().map(|(_, count)| count).sum();
    #[expect(clippy::cast_precision_loss, reason = "counts of this size divide exactly enough")]
    if count == all { Origin::Reported } else { Origin::Changed { share: count as f64 / all as f64 } }
}

/// Stored values are single precision: 2.4 comes back as 2.400000095.
fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Timestamp;

    fn readings(bandwidths: &[f64]) -> Vec<Reading> {
        let reading = |bandwidth: &f64| {
            Reading::new(Timestamp::UNIX_EPOCH)
                .with(Quantity::SetVoltage, f64::from(121.4_f32))
                .with(Quantity::Bandwidth, *bandwidth)
                .with(Quantity::TimeDelay, 5000.0)
        };
        bandwidths.iter().map(reading).collect()
    }

    #[test]
    fn what_most_readings_say_is_in_force_and_the_rest_says_where_it_is_from() {
        let nameplate = Nameplate { tap_min: -8, ..Nameplate::common() };
        let present = InForce::of(&readings(&[2.0, 3.0, 3.0, 3.0]), &nameplate);
        assert_eq!(present.settings.forward.set_voltage_v, 121.4);
        assert_eq!(present.settings.forward.bandwidth_v, 3.0);
        assert_eq!(present.settings.tap_min, -8);
        assert_eq!(present.origin("set_voltage"), Some(&Origin::Reported));
        assert_eq!(present.origin("bandwidth"), Some(&Origin::Changed { share: 0.75 }));
        assert_eq!(present.origin("delay"), Some(&Origin::Unusable { value: 5000.0 }));
        assert_eq!(present.settings.forward.delay_s, ControlSettings::common().forward.delay_s);
        assert_eq!(present.origin("resistance"), Some(&Origin::Assumed));
        assert_eq!(present.origin("tap_min"), Some(&Origin::Nameplate));
    }
}
