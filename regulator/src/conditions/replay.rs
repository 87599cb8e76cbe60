//! The same events give the same transitions, however they are cut into pieces.

use proptest::prelude::{Just, ProptestConfig, Strategy, any, prop, prop_assert_eq, prop_oneof, proptest};

use super::{
    Condition, EndpointDetector, RegulatorDetector, Report, Scope, Settings, Transition, Unit, story::at,
};
use crate::{Nameplate, Quality, Quantity, Reading};

/// What a poller may write next, in seconds after what it wrote before.
#[derive(Debug, Clone)]
enum Event {
    /// A reading so long after the one before (negative: a late one).
    Reading { after_s: i64, voltage: f64, power: f64, tap: i8, operations: u16, flags: u8, missing: u32 },
    /// A sign of life: known up to here; whether the endpoint began to fail so many seconds before.
    Watermark { after_s: i64, failing_for_s: Option<i64> },
    /// The poller was started again so long after.
    Restart { after_s: i64 },
    /// Somebody set the control anew.
    Set { volts: i8 },
    /// A tap report that goes wrong and right again, over a day of readings with both voltages.
    Slip,
    /// Taps that nothing answers while power is reversed, and forward power after.
    Runaway,
}

fn event() -> impl Strategy<Value = Event> {
    let operations = prop_oneof![8 => Just(0u16), 1 => 1..25u16];
    let reading =
        (-30..200i64, 105.0..132.0f64, -30.0..30.0f64, -16..=16i8, operations, any::<u8>(), any::<u32>())
            .prop_map(|(after_s, voltage, power, tap, operations, flags, missing)| Event::Reading {
                after_s,
                voltage,
                power,
                tap,
                operations,
                flags,
                // mostly all there
                missing: if missing % 3 == 0 { missing } else { 0 },
            });
    let watermark = (0..400i64, prop::option::weighted(0.3, 0..300i64))
        .prop_map(|(after_s, failing_for_s)| Event::Watermark { after_s, failing_for_s });
    prop_oneof![
        20 => reading,
        5 => watermark,
        1 => (1..2000i64).prop_map(|after_s| Event::Restart { after_s }),
        2 => (120..124i8).prop_map(|volts| Event::Set { volts }),
        1 => Just(Event::Slip),
        1 => Just(Event::Runaway),
    ]
}

/// Both detectors and what a runner knows besides.
struct World {
    unit: Unit,
    settings: Settings,
    regulator: RegulatorDetector,
    endpoint: EndpointDetector,
    now_s: i64,
    session_s: i64,
    counter: u16,
    set_voltage: f64,
    told: Vec<Transition>,
}

impl World {
    fn new() -> Self {
        let mut settings = Settings::default();
        // short delays, so that random readings do raise and return
        for condition in [Condition::VoltageRangeA, Condition::VoltageRangeB, Condition::TapLimit] {
            settings.set(condition, "delay_s", 60.0);
            settings.set(condition, "return_delay_s", 30.0);
        }
        settings.set(Condition::ReversePower, "delay_s", 30.0);
        settings.set(Condition::ReversePower, "return_delay_s", 60.0);
        settings.set(Condition::NotAutomatic, "delay_s", 100.0);
        settings.set(Condition::SettingsChanged, "settled_h", 0.1);
        settings.set(Condition::SettingsChanged, "accept_h", 0.3);
        settings.set(Condition::SettingsChanged, "delay_s", 60.0);
        settings.set(Condition::OffStandard, "standard_set_voltage_v", 122.0);
        settings.set(Condition::OffStandard, "delay_s", 200.0);
        settings.set(Condition::BlockedOrManualTooLong, "delay_h", 0.1);
        settings.set(Condition::Runaway, "return_delay_s", 60.0);
        settings.set(Condition::ExcessTapping, "per_day", 5000.0);
        settings.set(Condition::ExcessTapping, "return_delay_h", 1.0);
        settings.set(Condition::Hunting, "per_hour", 1.0);
        settings.set(Condition::Hunting, "per_day", 5000.0);
        settings.set(Condition::Hunting, "still_steps", 2.0);
        settings.set(Condition::Hunting, "return_delay_h", 1.0 / 60.0);
        settings.set(Condition::CloudDrivenTapping, "per_day", 1.0);
        settings.set(Condition::CloudDrivenTapping, "share_percent", 20.0);
        settings.set(Condition::CloudDrivenTapping, "ramp_percent", 1.0);
        settings.set(Condition::CloudDrivenTapping, "quiet_h", 0.0);
        settings.set(Condition::CloudDrivenTapping, "return_delay_h", 1.0 / 60.0);
        settings.set(Condition::MechanismSuspect, "compensator_v", 0.0);
        settings.set(Condition::MechanismSuspect, "least_s", 30.0);
        settings.set(Condition::ExerciseDue, "tap_days", 200.0 / 86_400.0);
        settings.set(Condition::WearLimit, "share_percent", 1e6);
        settings.set(Condition::WearLimit, "life_operations", 1e5);
        settings.set(Condition::WearLimit, "ahead_days", 30.0);
        settings.set(Condition::WearLimit, "counter_when_new", 65_000.0);
        settings.set(Condition::WearLimit, "rate_days", 600.0 / 86_400.0);
        settings.set(Condition::WearLimit, "least_days", 600.0 / 86_400.0);
        settings.set(Condition::Overload, "delay_s", 30.0);
        settings.set(Condition::Overload, "return_delay_s", 30.0);
        settings.set(Condition::CounterAnomaly, "disagreements", 2.0);
        settings.set(Condition::CounterAnomaly, "return_delay_h", 0.1);
        settings.set(Condition::HarmonicDistortion, "delay_s", 30.0);
        settings.set(Condition::HarmonicDistortion, "return_delay_s", 30.0);
        let nameplate = Nameplate { counter_modulus: 65_536, ..Nameplate::common() };
        Self {
            unit: Unit::new(&nameplate, &settings),
            settings,
            regulator: RegulatorDetector::new(),
            endpoint: EndpointDetector::new(),
            now_s: 1000,
            session_s: 0,
            counter: 65_500,
            set_voltage: 122.0,
            told: vec![],
        }
    }

    fn take(&mut self, event: &Event) {
        match *event {
            Event::Reading { after_s, voltage, power, tap, operations, flags, missing } => {
                self.counter = self.counter.wrapping_add(operations);
                let reading = self.reading(self.now_s + after_s, voltage, power, tap, flags, missing);
                self.now_s = self.now_s.max(self.now_s + after_s);
                self.measured(&reading);
            }
            Event::Slip => {
                for i in 0..160 {
                    let tap = if (80..120).contains(&i) { 4.0 } else { 3.0 };
                    // a type B at +3
                    self.both_sides(240, tap, (120.0, 122.3), 20.0);
                }
            }
            Event::Runaway => {
                for i in 0..6_u8 {
                    let tap = f64::from(i / 2);
                    self.both_sides(10, tap, (118.0 - 0.74 * tap, 118.0), -20.0);
                }
                (0..20).for_each(|_| self.both_sides(20, 2.0, (116.5, 118.0), 20.0));
            }
            Event::Watermark { after_s, failing_for_s } => {
                // What failed began to after everything that was known before.
                let since_s = failing_for_s.map(|s| (self.now_s + after_s - s).max(self.now_s));
                self.now_s += after_s;
                let report =
                    Report { poller: "p", session_started_at: at(self.session_s), watermark: at(self.now_s) };
                self.told.extend(match since_s {
                    Some(s) => self.endpoint.failing(&self.settings, &report, at(s), "no answer"),
                    None => self.endpoint.not_failing(&self.settings, &report),
                });
                self.report();
            }
            Event::Restart { after_s } => {
                self.now_s += after_s;
                self.session_s = self.now_s;
                self.regulator.polled_since(at(self.session_s));
            }
            Event::Set { volts } => self.set_voltage = f64::from(volts),
        }
    }

    /// A reading so long after the one before, with voltages of source and load side.
    fn both_sides(&mut self, after_s: i64, tap: f64, (source_v, load_v): (f64, f64), power_kw: f64) {
        self.now_s += after_s;
        let reading = Reading::new(at(self.now_s))
            .with(Quantity::Tap, tap)
            .with(Quantity::SourceVoltage, source_v)
            .with(Quantity::LoadVoltage, load_v)
            .with(Quantity::RealPower, power_kw);
        self.measured(&reading);
    }

    fn measured(&mut self, reading: &Reading) {
        self.regulator.polled_since(at(self.session_s));
        self.told.extend(self.regulator.observe(&self.unit, reading));
        self.told.extend(self.endpoint.answered(reading.measured_at));
    }

    fn report(&mut self) {
        let failing = self.endpoint.failing_since();
        let needed = self.regulator.needs_report(&self.unit, failing, at(self.now_s));
        let before = self.regulator.clone();
        self.told.extend(self.regulator.report(&self.unit, failing, at(self.now_s)));
        assert!(needed || before == self.regulator, "a report that was not needed changed something");
    }

    /// Looks, at what is known anyway.
    fn look(&mut self) {
        self.told.extend(self.regulator.advance(&self.unit, at(self.now_s)));
    }

    fn store_and_load(&mut self) {
        let text = serde_json::to_string(&self.regulator).unwrap();
        self.regulator = serde_json::from_str(&text).unwrap();
        let text = serde_json::to_string(&self.endpoint).unwrap();
        self.endpoint = serde_json::from_str(&text).unwrap();
    }

    fn reading(&self, s: i64, voltage: f64, power: f64, tap: i8, flags: u8, missing: u32) -> Reading {
        let flag = |bit: u8| f64::from((flags >> bit) & 1);
        // Extremes more often than chance: at the tap limit, not automatic for long.
        let tap = if flags & 0x30 == 0 { 16.0 } else { f64::from(tap) };
        let mut reading = Reading::new(at(s))
            .with(Quantity::LoadVoltage, voltage)
            .with(Quantity::RealPower, power)
            .with(Quantity::Current, 10.0 * power.abs())
            .with(Quantity::Tap, tap)
            .with(Quantity::Operations, f64::from(self.counter))
            .with(Quantity::Automatic, flag(0) * flag(1))
            .with(Quantity::ReverseFlow, flag(2))
            .with(Quantity::SetVoltage, self.set_voltage)
            .with(Quantity::Bandwidth, 2.0)
            .with(Quantity::VoltageDistortion, (voltage - 105.0) / 3.0);
        for (bit, &quantity) in (0u32..).zip(Quantity::ALL) {
            if missing >> bit & 1 == 1 {
                reading.set(quantity, reading.value(quantity), Quality::NotAvailable);
            }
        }
        reading
    }
}

proptest! {
    // Failures are printed whole; a file of them beside the code would only be in the way.
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(256) })]

    #[test]
    fn one_pass_pieces_and_extra_looks_give_identical_transitions(
        // runs of the same reading, so that delays are reached
        events in prop::collection::vec((event(), 1..12usize), 1..60),
        stored in any::<u64>(),
        looked in any::<u64>(),
    ) {
        let mut whole = World::new();
        let mut pieces = World::new();
        let mut place = 0u32;
        for (event, times) in &events {
            for _ in 0..*times {
                whole.take(event);
                pieces.take(event);
                if stored.rotate_left(place) & 1 == 1 {
                    pieces.store_and_load();
                }
                if looked.rotate_left(place) & 1 == 1 {
                    pieces.look();
                }
                place = place.wrapping_add(1);
            }
        }
        prop_assert_eq!(whole.told, pieces.told);
        prop_assert_eq!(whole.regulator.late(), pieces.regulator.late());
    }
}

#[test]
fn the_generated_events_do_raise_and_return_every_condition() {
    use proptest::{strategy::ValueTree, test_runner::TestRunner};
    let mut runner = TestRunner::deterministic();
    let mut seen = std::collections::BTreeSet::new();
    for _ in 0..200 {
        let events =
            prop::collection::vec((event(), 1..12usize), 60).new_tree(&mut runner).unwrap().current();
        let mut world = World::new();
        for (event, times) in &events {
            (0..*times).for_each(|_| world.take(event));
        }
        seen.extend(world.told.iter().map(|t| (t.condition, t.change == super::Change::Raised)));
    }
    let here = |c: &Condition| matches!(c.scope(), Scope::Regulator | Scope::Endpoint);
    let expected = Condition::all().filter(here).count() * 2;
    assert_eq!(seen.len(), expected, "{seen:?}");
}

/// Prints how many readings a second all conditions of a regulator judge on this machine.
#[test]
#[ignore = "a measurement"]
fn speed_of_all_conditions() {
    let mut world = World::new();
    let readings: Vec<Reading> = (0..1_000_000u32)
        .map(|i| {
            let phase = f64::from(i) / 700.0;
            world.counter = u16::try_from(i / 90 % 65_536).unwrap();
            world.reading(i64::from(i) * 10, 120.0 + 5.0 * phase.sin(), 50.0 * phase.cos(), 3, 3, 0)
        })
        .collect();
    let begun = std::time::Instant::now();
    let told: usize = readings.iter().map(|r| world.regulator.observe(&world.unit, r).len()).sum();
    let took = begun.elapsed();
    println!("{} readings in {took:?}, {told} transitions", readings.len());
    assert!(told > 0);
}
