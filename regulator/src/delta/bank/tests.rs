//! Numbers of banks, each by phasor arithmetic that can be repeated by hand, or published.

use super::*;
use crate::checks::check;

fn type_a() -> Nameplate {
    Nameplate { winding_type: WindingType::A, ..Nameplate::common() }
}

fn output(bank: Bank, nameplate: &Nameplate, taps: [f64; 3]) -> [Phasor; 3] {
    bank.output(nameplate, Phasor::balanced(1.0, 0.0), taps).unwrap()
}

/// IEEE 37-node feeder, results published with the test feeders (from memory): behind the regulators at taps 7 (AB) and 4 (CB)
/// of the type that adds 0.625 % a tap: 1.0437 at 0°, 1.0250 at -120°, 1.0345 at 120.92°.
#[test]
fn open_delta_of_the_37_node_feeder() {
    let [ab, bc, ca] = output(Bank::OpenDelta { common: 1 }, &type_a(), [7.0, 4.0, 99.0]);
    let source = "IEEE 37-node feeder, published result (from memory; agrees with phasor arithmetic)";
    for (name, theirs, ours) in [("AB", 1.0437, ab), ("BC", 1.0250, bc), ("CA", 1.0345, ca)] {
        check(&format!("37-node open delta, {name} behind it, pu"), source, theirs, ours.magnitude(), 1e-4);
    }
    check("37-node open delta, angle of CA, degrees", source, 120.92, ca.degrees(), 0.03);
    assert!((ab + bc + ca).magnitude() < 1e-12);
}

#[test]
fn the_third_voltage_of_an_open_delta_only_follows() {
    for (common, third) in [(0, 1), (1, 2), (2, 0)] {
        let bank = Bank::OpenDelta { common };
        assert_eq!(bank.uncorrected(), Some(third));
        let [x, y] = [(third + 1) % 3, (third + 2) % 3];
        for set in [x, y] {
            let effect = bank.effect(&type_a(), Phasor::balanced(1.0, 0.0), [0.0; 3], set).unwrap();
            assert!((effect.percent[set] - 0.625).abs() < 1e-9, "its own pair by its step");
            let other = if set == x { y } else { x };
            assert!(effect.percent[other].abs() < 1e-9, "not the other's");
            // half the step: the changed voltage lies at 60 degrees to the reversed third
            assert!((effect.percent[third] - 0.3125).abs() < 0.002, "{effect:?}");
        }
        let none = bank.effect(&type_a(), Phasor::balanced(1.0, 0.0), [0.0; 3], third).unwrap();
        assert!(none.percent.iter().all(|p| p.abs() < 1e-12), "there is no regulator");
    }
    let bad = Bank::OpenDelta { common: 3 };
    assert_eq!(bad.output(&type_a(), Phasor::balanced(1.0, 0.0), [0.0; 3]), Err(BankError::Phase(3)));
}

/// Both at full raise reach 10 %; a closed delta of three reaches 15 % and a little more, and turns the voltages.
#[test]
fn reach_of_open_and_closed_delta() {
    let open = output(Bank::OpenDelta { common: 1 }, &type_a(), [16.0, 16.0, 0.0]);
    for (v, pair) in open.iter().zip(["AB", "BC", "CA"]) {
        check(
            &format!("open delta, type A, both at +16: {pair}, pu"),
            "10 % (Kersting ch. 7, from memory)",
            1.1,
            v.magnitude(),
            1e-12,
        );
    }
    // 1.1 + 0.05 + j 0.0866: sqrt(1.15^2 + 0.0866^2)
    let [ab, ..] = output(Bank::ClosedDelta, &type_a(), [16.0; 3]);
    let about = "about 15 % (Kersting ch. 7, from memory)";
    check("closed delta, type A, all at +16, roughly, pu", about, 1.15, ab.magnitude(), 0.01);
    check(
        "closed delta, type A, all at +16, pu",
        "phasor arithmetic magnitude of 1.1 - 0.1 at -120",
        1.153_256,
        ab.magnitude(),
        1e-6,
    );
    check(
        "closed delta, type A, all at +16, degrees turned",
        "phasor arithmetic",
        4.306_62,
        ab.degrees(),
        1e-5,
    );
    let [ab, ..] = output(Bank::ClosedDelta, &Nameplate::common(), [16.0; 3]);
    check(
        "closed delta, type B, all at +16, pu",
        "phasor arithmetic 1 over magnitude of 0.9 + 0.1 at -120",
        1.170_411,
        ab.magnitude(),
        1e-6,
    );
    let [ab, ..] = output(Bank::ClosedDelta, &type_a(), [-16.0; 3]);
    check(
        "closed delta, type A, all at -16, pu",
        "phasor arithmetic magnitude of 0.9 + 0.1 at -120",
        0.854_400,
        ab.magnitude(),
        1e-6,
    );
}

#[test]
fn one_regulator_of_a_closed_delta_moves_two_voltages() {
    let [ab, bc, ca] = output(Bank::ClosedDelta, &type_a(), [16.0, 0.0, 0.0]);
    check("closed delta, AB alone at +16: AB, pu", "phasor arithmetic", 1.1, ab.magnitude(), 1e-12);
    check("closed delta, AB alone at +16: BC, pu", "phasor arithmetic", 1.0, bc.magnitude(), 1e-12);
    check(
        "closed delta, AB alone at +16: CA, pu",
        "phasor arithmetic magnitude of 1 at 120 - 0.1",
        1.053_565,
        ca.magnitude(),
        1e-6,
    );
    let effect = Bank::ClosedDelta.effect(&type_a(), Phasor::balanced(1.0, 0.0), [0.0; 3], 0).unwrap();
    assert!((effect.percent[0] - 0.625).abs() < 1e-9 && effect.percent[1].abs() < 1e-9);
    assert!((effect.percent[2] - 0.3125).abs() < 0.002);
}

/// From the windings alone, without the matrix: terminal voltages against an arbitrary reference.
#[test]
fn the_matrix_agrees_with_the_windings() {
    let taps = [5.0, -11.0, 16.0];
    let share = |i: usize| 0.00625 * taps[i];
    // type B: choose load-side terminals, find the source side: each source terminal lies behind its load terminal
    let load = [Phasor::polar(1.02, 3.0), Phasor::polar(0.97, -118.0), Phasor::polar(1.0, 121.0)];
    let behind: [Phasor; 3] = std::array::from_fn(|i| load[i] - (load[i] - load[(i + 1) % 3]) * share(i));
    let pair = |t: &[Phasor; 3], i: usize| t[i] - t[(i + 1) % 3];
    let source = std::array::from_fn(|i| pair(&behind, i));
    let out = Bank::ClosedDelta.output(&Nameplate::common(), source, taps).unwrap();
    // type A: the shunt windings are on the source side
    let ahead: [Phasor; 3] = std::array::from_fn(|i| load[i] + (load[i] - load[(i + 1) % 3]) * share(i));
    let line = std::array::from_fn(|i| pair(&load, i));
    let straight = Bank::ClosedDelta.output(&type_a(), line, taps).unwrap();
    for i in 0..3 {
        assert!((out[i] - pair(&load, i)).magnitude() < 1e-12);
        assert!((straight[i] - pair(&ahead, i)).magnitude() < 1e-12);
    }
    assert!((out[0] + out[1] + out[2]).magnitude() < 1e-12);
}

#[test]
fn in_wye_each_has_its_own() {
    let out = output(Bank::Wye, &type_a(), [10.0, 8.0, 11.0]);
    for (v, (tap, theirs)) in out.iter().zip([(10, 1.0625), (8, 1.05), (11, 1.06875)]) {
        let source = "IEEE 13-node feeder, published currents either side (from memory)";
        check(&format!("13-node wye bank, ratio at tap {tap}"), source, theirs, v.magnitude(), 1e-9);
    }
    let unusable = Bank::Wye.output(&type_a(), [Phasor { re: f64::NAN, im: 0.0 }; 3], [0.0; 3]);
    assert_eq!(unusable, Err(BankError::Values));
    assert_eq!(
        Bank::ClosedDelta.effect(&type_a(), Phasor::balanced(1.0, 0.0), [0.0; 3], 3),
        Err(BankError::Phase(3))
    );
}
