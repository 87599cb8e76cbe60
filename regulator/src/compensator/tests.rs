use super::worked::{
    Case, LineCurrent, current_of_load, line_of_settings, relay_voltage, settings_of_line, taps,
};
use super::*;
use crate::{checks::check, control::Regulation};

const KERSTING: &str = "Kersting, Distribution System Modeling and Analysis, ch. 7 (from memory)";
const FEEDERS: &str = "IEEE PES radial test feeders, regulator data";
const BY_HAND: &str = "settings x PT / CT by hand, from the IEEE PES radial test feeders";
const DSS: &str = "OpenDSS, taps forced to the published ones";

/// Current of a three-phase load of this kVA at 0.9 lagging, per unit of the CT primary.
fn load(kva: f64, kv: f64, ct_primary_a: f64) -> PerUnitCurrent {
    PerUnitCurrent::polar(kva / (3.0_f64.sqrt() * kv) / ct_primary_a, 0.9_f64.acos().to_degrees())
}

fn instruments(pt: f64, ct: f64) -> Instruments {
    Instruments::new(pt, ct, CT_SECONDARY_LARGE_A).unwrap()
}

/// The line of Kersting's example as one section: 0.3 + j0.9 ohm to the load centre (the division into miles is ours).
fn example_line() -> Section {
    let per_length = Impedance { resistance_ohm: 0.1, reactance_ohm: 0.3 };
    Section { per_length, per: LengthUnit::Mile, length: 3.0, unit: LengthUnit::Mile }
}

/// 2500 kVA at 0.9 lagging and 4.16 kV, PT 20, CT 700:5, 10.5 + j31.5 V.
fn example(held_side_v: f64) -> Case {
    let (current, _) = current_of_load(2500.0, 4.16, 0.9).unwrap();
    Case {
        instruments: instruments(20.0, 700.0),
        settings: Compensator { resistance_v: 10.5, reactance_v: 31.5 },
        flow: Flow::Forward,
        held_side_v,
        current,
        line: Some(Impedance::of_line(&[example_line()])),
    }
}

fn true_secondary_v() -> f64 {
    4160.0 / 3.0_f64.sqrt() / 20.0
}

#[test]
fn settings_for_a_line() {
    let (settings, worked) = settings_of_line(&[example_line()], &instruments(20.0, 700.0));
    check("Compensator R, V", KERSTING, 10.5, settings.resistance_v, 1e-9);
    check("Compensator X, V", KERSTING, 31.5, settings.reactance_v, 1e-9);
    let ohms = |label| worked.value(label).unwrap();
    check("Compensator R, ohm", KERSTING, 2.1, ohms("Compensator R in ohms"), 1e-9);
    check("Compensator X, ohm", KERSTING, 6.3, ohms("Compensator X in ohms"), 1e-9);
    let small = Instruments::new(20.0, 700.0, CT_SECONDARY_SMALL_A).unwrap();
    let (_, worked) = settings_of_line(&[example_line()], &small);
    let ohm = worked.value("Compensator R in ohms").unwrap();
    check(
        "Compensator R, ohm, CT of 0.2 A",
        "plain arithmetic on Kersting's example: 10.5 V / 0.2 A",
        52.5,
        ohm,
        1e-9,
    );
    let back = Impedance { resistance_ohm: 2.1, reactance_ohm: 6.3 };
    let (volts, _) = worked::settings_of_ohms(back, &instruments(20.0, 700.0));
    check("Compensator R, V from ohms", KERSTING, 10.5, volts.resistance_v, 1e-9);
    check("Compensator X, V from ohms", KERSTING, 31.5, volts.reactance_v, 1e-9);
}

/// The secondary voltage is the true 4160/(sqrt 3 x 20) = 120.089 V; a flat 120 V gives 109.148 V instead.
#[test]
fn relay_voltage_of_the_textbook_example() {
    let (relay, worked) = relay_voltage(&example(true_secondary_v()));
    check("Compensator current, A", KERSTING, 2.4783, worked.value("Compensator current").unwrap(), 1e-4);
    check("Compensator drop, V", KERSTING, 16.458, worked.value("Compensator drop").unwrap(), 1e-3);
    check("Angle of the drop, deg", KERSTING, 45.72, worked.value("Its angle").unwrap(), 5e-3);
    check("Relay voltage, V", KERSTING, 109.24, relay, 5e-3);
    let plain = "plain arithmetic on Kersting's example";
    check("Relay voltage, five digits, V", plain, 109.2365, relay, 1e-3);
    check("Relay voltage from a flat 120 V, V", plain, 109.148, relay_voltage(&example(120.0)).0, 1e-3);
    let centre = worked.value("Voltage at the load centre").unwrap();
    assert!((centre - relay).abs() < 1e-9, "these settings copy the line exactly");
    check("Load centre, primary V", plain, 109.2365 * 20.0, centre * 20.0, 2e-2);
}

#[test]
fn line_current_of_the_textbook_example() {
    let (current, worked) = current_of_load(2500.0, 4.16, 0.9).unwrap();
    check("Line current, A", KERSTING, 346.965, current.amperes, 1e-3);
    check("Its angle, deg", KERSTING, 25.842, current.lagging_degrees, 1e-3);
    assert_eq!(worked.steps.len(), 2);
    assert!(current_of_load(2500.0, 4.16, -0.9).unwrap().0.lagging_degrees < 0.0, "leading");
    assert!(current_of_load(2500.0, 0.0, 0.9).is_none() && current_of_load(2500.0, 4.16, 1.2).is_none());
}

#[test]
fn taps_to_the_edge_of_the_textbook_example() {
    let regulation = Regulation {
        set_voltage_v: 120.0,
        bandwidth_v: 2.0,
        delay_s: 30.0,
        compensator: Compensator { resistance_v: 10.5, reactance_v: 31.5 },
    };
    let (wanted, worked) = taps(&example(true_secondary_v()), Aim::BandEdge, &regulation, 0.75).unwrap();
    check("Taps to the lower edge, exact", KERSTING, 13.018, wanted.exact, 1e-3);
    check("Taps to the lower edge, nearest", KERSTING, 13.0, wanted.whole(Rounding::Nearest).into(), 0.0);
    check(
        "Taps to the lower edge, upwards",
        "the rule rounds 13.02 up",
        14.0,
        wanted.whole(Rounding::Upwards).into(),
        0.0,
    );
    let ratio = 1.0 - 0.00625 * f64::from(wanted.whole(Rounding::Nearest));
    check("Effective regulator ratio at 13 raises", KERSTING, 0.91875, ratio, 1e-12);
    assert!(worked.steps.iter().all(|step| !step.formula.is_empty() && step.value.is_finite()));
    let (flat, _) = taps(&example(120.0), Aim::BandEdge, &regulation, 0.75).unwrap();
    check("Taps from a flat 120 V", "plain arithmetic on Kersting's example", 13.136, flat.exact, 1e-3);
}

/// After 13 raises of a type B unit the load side stands at 130.709 V; the load of constant power draws less, and the relay is
/// inside 119 to 121 V (plain arithmetic on Kersting's example).
#[test]
fn after_the_taps_the_relay_is_in_band() {
    let mut after = example(true_secondary_v() / 0.91875);
    check("Load side after 13 raises, V", "plain arithmetic, type B", 130.709, after.held_side_v, 1e-3);
    after.current.amperes *= 0.91875;
    let relay = relay_voltage(&after).0;
    check("Relay voltage after 13 raises, V", "plain arithmetic, type B", 120.639, relay, 1e-3);
    let back = after.settings.held_voltage(120.639, after.per_unit_current()).unwrap();
    check("Load side for that relay voltage, V", "plain arithmetic, type B", 130.709, back, 2e-3);
}

/// Second worked example by the same method: 6000 kVA, 12.47 kV, PT 60, CT 300 A.
#[test]
fn relay_voltage_of_a_second_example() {
    let plain = "plain arithmetic by Kersting's method";
    let settings = Compensator { resistance_v: 6.0, reactance_v: 9.0 };
    let secondary = 12_470.0 / 3.0_f64.sqrt() / 60.0;
    check("Secondary voltage, V", plain, 119.993, secondary, 1e-3);
    check("Line current, A", plain, 277.795, current_of_load(6000.0, 12.47, 0.9).unwrap().0.amperes, 1e-3);
    let relay = settings.relay_voltage(secondary, load(6000.0, 12.47, 300.0));
    check("Relay voltage, V", plain, 111.475, relay, 1e-3);
    let wanted = TapsWanted::between(relay, 119.0, 0.75).unwrap();
    check("Taps to 119 V", plain, 10.033, wanted.exact, 2e-3);
}

/// The 13-node feeder, phase A with the published tap, as solved by OpenDSS: 127.568 V and 558.53 A at -28.57 degrees
/// against the voltage at about 0 (unity at the source: the voltage angle is taken as zero).
#[test]
fn relay_voltage_of_the_13_node_feeder() {
    let settings = Compensator { resistance_v: 3.0, reactance_v: 9.0 };
    let current = PerUnitCurrent::polar(558.53 / 700.0, 28.57);
    check("Relay voltage, 13-node A, V", DSS, 122.14, settings.relay_voltage(127.568, current), 0.01);
    let held = settings.held_voltage(122.14, current).unwrap();
    check("Load side of 13-node A from its relay voltage, V", DSS, 127.568, held, 0.01);
}

/// Every compensator setting of the published feeders, to ohms of line and back. The ohms of the 13-node feeder and of the head
/// of the 123-node feeder are published arithmetic; the others are by hand, settings x PT / CT.
#[test]
fn line_ohms_behind_the_settings_of_the_test_feeders() {
    for (place, pt, ct, r, x, ohm_r, ohm_x) in [
        ("13-node 650-632", 20.0, 700.0, 3.0, 9.0, 0.0857, 0.2571),
        ("34-node 814-850", 120.0, 100.0, 2.7, 1.6, 3.24, 1.92),
        ("34-node 852-832", 120.0, 100.0, 2.5, 1.5, 3.0, 1.8),
        ("37-node 799-701", 40.0, 350.0, 1.5, 3.0, 0.1714, 0.3429),
        ("123-node 150-149", 20.0, 700.0, 3.0, 7.5, 0.0857, 0.2143),
        ("123-node 9-14 A", 20.0, 50.0, 0.4, 0.4, 0.16, 0.16),
        ("123-node 25-26 A, C", 20.0, 50.0, 0.4, 0.4, 0.16, 0.16),
        ("123-node 160-67 A", 20.0, 300.0, 0.6, 1.3, 0.04, 0.0867),
        ("123-node 160-67 B", 20.0, 300.0, 1.4, 2.6, 0.0933, 0.1733),
        ("123-node 160-67 C", 20.0, 300.0, 0.2, 1.4, 0.0133, 0.0933),
    ] {
        let instruments = instruments(pt, ct);
        let settings = Compensator { resistance_v: r, reactance_v: x };
        let (line, worked) = line_of_settings(&settings, &instruments);
        check(&format!("Line resistance, {place}, ohm"), BY_HAND, ohm_r, line.resistance_ohm, 5e-5);
        check(&format!("Line reactance, {place}, ohm"), BY_HAND, ohm_x, line.reactance_ohm, 5e-5);
        assert_eq!(worked.steps.len(), 2);
        let back = worked::settings_of_impedance(line, &instruments, &mut worked::Worked::default());
        check(&format!("Compensator R, {place}, V"), FEEDERS, r, back.resistance_v, 1e-12);
        check(&format!("Compensator X, {place}, V"), FEEDERS, x, back.reactance_v, 1e-12);
    }
}

/// The relay voltages of the 123-node feeder with the published taps: each within its own band, so no tap is wanted; a volt
/// more than half the band away, some are.
#[test]
fn relay_voltages_of_the_123_node_feeder_are_in_band() {
    for (place, relay, level, band) in [
        ("150-149", 120.47, 120.0, 2.0),
        ("9-14 A", 120.77, 120.0, 2.0),
        ("25-26 A", 119.57, 120.0, 1.0),
        ("25-26 C", 120.24, 120.0, 1.0),
        ("160-67 A", 124.11, 124.0, 2.0),
        ("160-67 B", 123.21, 124.0, 2.0),
        ("160-67 C", 124.42, 124.0, 2.0),
    ] {
        let regulation = Regulation {
            set_voltage_v: level,
            bandwidth_v: band,
            delay_s: 30.0,
            compensator: Compensator::OFF,
        };
        let to_edge = |relay| TapsWanted::to(Aim::BandEdge, relay, &regulation, 0.75).unwrap();
        let taps = to_edge(relay).whole(Rounding::Upwards);
        check(&format!("Taps wanted, 123-node {place}"), DSS, 0.0, taps.into(), 0.0);
        assert_eq!(to_edge(relay + band).whole(Rounding::Upwards).signum(), -1);
        assert_eq!(to_edge(relay - band).whole(Rounding::Upwards).signum(), 1);
    }
}

/// A circuit built for it in OpenDSS: 2.4 kV, a two-winding transformer as the regulator, 0.3 + j0.9 ohm to a load of constant
/// impedance; forward with 600 kW + 250 kvar and tap +5, and in reverse, fed from the load side, with 600 kW - 80 kvar and
/// tap -3. The voltage that it solves for the load bus is the one at the load centre.
#[test]
fn voltage_at_the_load_centre_as_a_load_flow_has_it() {
    let source = "OpenDSS, single-phase circuit built for this check";
    for (flow, held_side_v, amperes, lagging_degrees, centre) in [
        (Flow::Forward, 124.977_831_246, 262.791_548_905, 26.933_277_058, 116.436_871),
        (Flow::Reverse, 125.105_622_127, 256.919_845_738, -2.104_551_434, 122.239_737),
    ] {
        let (settings, _) = settings_of_line(&[example_line()], &instruments(20.0, 700.0));
        let current = LineCurrent { amperes, lagging_degrees };
        let case = Case { flow, held_side_v, current, settings, ..example(120.0) };
        let (relay, worked) = relay_voltage(&case);
        let ours = worked.value("Voltage at the load centre").unwrap();
        check(&format!("Voltage at the load centre, {flow:?}, V"), source, centre, ours, 2e-6);
        check(&format!("Relay voltage of exact settings, {flow:?}, V"), source, centre, relay, 2e-6);
    }
}

/// In reverse the source side is held and the current runs out of it: the same numbers as forward, seen from the other side.
#[test]
fn reverse_is_forward_seen_from_the_other_side() {
    let forward = example(true_secondary_v());
    let reverse = Case { flow: Flow::Reverse, ..forward };
    assert!(reverse.per_unit_current().in_phase < 0.0, "positive is from source to load");
    let (there, back) = (relay_voltage(&forward), relay_voltage(&reverse));
    assert!((there.0 - back.0).abs() < 1e-9);
    // a control that kept its forward settings would add what it should take off
    let wrong = reverse.settings.relay_voltage(reverse.held_side_v, reverse.per_unit_current());
    assert!(wrong > reverse.held_side_v);
}

#[test]
fn the_inverse_undoes_the_relay_voltage() {
    let settings = Compensator { resistance_v: 6.0, reactance_v: -3.0 };
    for (p, q) in [(0.8, 0.3), (-0.6, 0.2), (0.0, 0.0), (0.2, -0.9)] {
        let current = PerUnitCurrent { in_phase: p, lagging: q };
        let held = settings.held_voltage(settings.relay_voltage(124.0, current), current).unwrap();
        assert!((held - 124.0).abs() < 1e-9, "{held}");
    }
    let large = Compensator { resistance_v: 0.0, reactance_v: 500.0 };
    assert_eq!(large.held_voltage(120.0, PerUnitCurrent { in_phase: 1.0, lagging: 0.0 }), None);
}

#[test]
fn every_step_says_what_and_how() {
    let case =
        Case { current: LineCurrent { amperes: 346.965, lagging_degrees: 25.842 }, ..example(120.089) };
    let (_, worked) = relay_voltage(&case);
    let lines: Vec<String> = worked
        .steps
        .iter()
        .map(|s| format!("{}: {} = {:.3} {}", s.label, s.formula, s.value, s.unit))
        .collect();
    assert_eq!(
        lines,
        [
            "Compensator current: 346.965 A x 5 A / 700 A = 2.478 A",
            "Current, of CT primary: 346.965 A / 700 A = 0.496 ",
            "Compensator drop: |10.5 + j31.5| V x 0.4957 = 16.458 V",
            "Its angle: arc tan (31.5 / 10.5) - 25.842 deg = 45.723 deg",
            "Relay voltage: |120.089 V - 16.458 V at 45.7231 deg| = 109.237 V",
            "Voltage at the load centre: |120.089 V - (0.3 + j0.9) ohm x 346.965 A / 20| = 109.237 V",
            "Voltage at the load centre, primary: 109.2366 V x 20 = 2184.733 V",
        ]
    );
}

#[test]
fn no_compensation_leaves_the_voltage_alone() {
    let relay = Compensator::OFF.relay_voltage(121.3, PerUnitCurrent::polar(1.2, 30.0));
    assert!((relay - 121.3).abs() < 1e-12);
}
