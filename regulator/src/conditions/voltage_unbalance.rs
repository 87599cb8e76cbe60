//! The three voltages of a bank are unbalanced, by the definition of NEMA MG 1, for a time.
//!
//! The default limit is the 3 % that the annex of ANSI C84.1 sets for supply systems at the meter without load (from memory of
//! the standard; motors want 1 %). Of a closed delta the figure is measured, of a wye bank estimated; the words say which. An open
//! delta, a bank of one or two, a dead phase: cannot tell, and nothing is raised. See [`crate::balance`].

use serde::{Deserialize, Serialize};

use super::{
    Change, Condition, Settings, Transition,
    excursion::{Bound, Excursion, Side},
    hold::Delays,
    words::{fact, number, span},
};
use crate::{
    Connection, Phase, Timestamp,
    balance::{Unbalance, mg1_of_bank, unbalance_of_bank},
};

/// The limits of one bank.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Limits {
    connection: Connection,
    bound: Bound,
}

impl Limits {
    pub(super) fn new(connection: Connection, settings: &Settings) -> Self {
        let get = |name| settings.get(Condition::VoltageUnbalance, name);
        let limit = get("limit_percent");
        // never more than half the limit, so that a small one can be had again
        let inside = limit - get("deadband_percent").min(0.5 * limit);
        let delays = Delays { on_s: get("delay_s"), off_s: get("return_delay_s") };
        Self { connection, bound: Bound { side: Side::High, limit, inside, delays } }
    }
}

/// The state.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct VoltageUnbalance {
    pub(super) excursion: Excursion,
}

impl VoltageUnbalance {
    /// Takes the voltages of all regulators of the bank at one instant, in volts on the 120 V base.
    pub(super) fn observe(
        &mut self,
        limits: &Limits,
        at: Timestamp,
        voltages: &[(Phase, f64)],
        out: &mut Vec<Transition>,
    ) {
        let Ok(percent) = mg1_of_bank(limits.connection, voltages) else { return };
        let Some(change) = self.excursion.observe(at, percent, &limits.bound) else { return };
        let Ok(unbalance) = unbalance_of_bank(limits.connection, voltages) else { return };
        out.push(self.transition(change, at, voltages, &unbalance, &limits.bound));
    }

    fn transition(
        &self,
        change: Change,
        at: Timestamp,
        voltages: &[(Phase, f64)],
        unbalance: &Unbalance,
        bound: &Bound,
    ) -> Transition {
        let lasted_s = self.excursion.hold.lasted_s(at);
        let percent = unbalance.mg1_percent;
        let worst = self.excursion.worst(percent);
        let (basis, lasted, limit) = (unbalance.basis.words(), span(lasted_s), number(bound.limit, 2));
        let each = voltages.iter().map(|(phase, volts)| format!("{} {volts:.1}", phase.title()));
        let each = each.collect::<Vec<_>>().join(", ");
        let summary = match change {
            Change::Raised => {
                format!("voltage unbalance {percent:.1} % ({each} V; {basis}), above {limit} % for {lasted}")
            }
            Change::Returned => format!(
                "voltage unbalance {percent:.1} % ({each} V), within {limit} % again; worst {worst:.1} % over {lasted}"
            ),
        };
        let mut facts = vec![
            fact("Voltage unbalance, NEMA MG 1", percent, "%"),
            fact("At least, if phases are within a degree of 120", unbalance.range_percent.0, "%"),
            fact("At most, if phases are within a degree of 120", unbalance.range_percent.1, "%"),
            fact("Limit", bound.limit, "%"),
            fact("Worst since it began", worst, "%"),
        ];
        if unbalance.range_percent.0 >= unbalance.range_percent.1 {
            facts.drain(1..3);
        }
        facts.extend(unbalance.cigre_percent.map(|p| fact("Negative over positive sequence", p, "%")));
        facts.extend(voltages.iter().map(|(phase, v)| fact(&format!("Voltage {}", phase.title()), *v, "V")));
        facts.push(fact("Since the first such reading", lasted_s, "s"));
        Transition { condition: Condition::VoltageUnbalance, change, at, summary, facts }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conditions::bank_story::BankStory;

    /// Volts A, B, C each 10 s.
    fn volts(story: &mut BankStory, from: i64, to: i64, volts: [f64; 3]) -> Vec<String> {
        (from..to).step_by(10).flat_map(|s| story.round(s, [Some(0.0); 3], volts.map(Some))).collect()
    }

    #[test]
    fn a_wye_bank_is_told_of_as_an_estimate_and_ends_within_by_the_deadband() {
        let mut story = BankStory::wye();
        // line to line, 120 degrees apart: 211.4, 197.5, 208.0; mean 205.6, largest deviation 8.2: 4.0 % (arithmetic)
        assert!(volts(&mut story, 0, 900, [126.0, 118.0, 118.0]).is_empty());
        let mut told = volts(&mut story, 900, 910, [128.0, 116.0, 112.0]);
        assert!(told.is_empty(), "the first reading beyond");
        told = volts(&mut story, 910, 1820, [128.0, 116.0, 112.0]);
        assert_eq!(told.len(), 1, "{told:?}");
        assert!(
            told[0].starts_with("1800 voltage_unbalance raised: voltage unbalance 4.0 % ")
                && told[0].ends_with(
                    "(A 128.0, B 116.0, C 112.0 V; estimated from line-to-neutral voltages, phases taken to be 120 degrees \
                     apart), above 3 % for 15 min"
                ),
            "{told:?}"
        );
        told = volts(&mut story, 1820, 3000, [121.0, 120.0, 119.0]);
        assert_eq!(told.len(), 1);
        assert!(told[0].starts_with("2720 voltage_unbalance returned"), "{told:?}");
    }

    /// NEMA MG 1, worked example: 460, 467, 450 is 1.961 %.
    #[test]
    fn a_closed_delta_is_measured() {
        let mut story = BankStory::closed_delta();
        story.settings.set(Condition::VoltageUnbalance, "limit_percent", 1.9);
        let told = volts(&mut story, 0, 910, [115.0, 116.75, 112.5]);
        assert_eq!(told.len(), 1);
        assert!(
            told[0]
                .contains("voltage unbalance 2.0 % (AB 115.0, BC 116.8, CA 112.5 V; line-to-line voltages)"),
            "{told:?}"
        );
    }

    #[test]
    fn open_delta_single_units_and_dead_phases_are_never_told_of() {
        for mut story in [BankStory::open_delta(), BankStory::single()] {
            assert!(volts(&mut story, 0, 7200, [130.0, 100.0, 0.0]).is_empty());
        }
        assert!(volts(&mut BankStory::wye(), 0, 7200, [120.0, 120.0, 0.0]).is_empty());
    }

    #[test]
    fn healthy_phases_a_band_apart_are_nothing() {
        assert!(volts(&mut BankStory::wye(), 0, 7200, [121.0, 123.0, 125.0]).is_empty());
    }
}
