use super::*;
use crate::{
    Quantity,
    conditions::{Change, RegulatorDetector, Scope, Unit},
};

fn at(s: i64) -> Timestamp {
    Timestamp::from_timestamp(1_767_225_600 + s, 0).unwrap()
}

/// Two days of a regulator that has everything: low and high voltage, reverse power, manual, taps at the limit, a new setting.
#[allow(clippy::cast_precision_loss, reason = "small")]
fn eventful() -> impl Iterator<Item = Reading> {
    (0..2 * 8640_i64).filter(|i| !(3000..3200).contains(i)).map(|i| {
        let (s, turn) = (i * 10, (i as f64 / 700.0).sin());
        let low = (1000..1100).contains(&i) || (9000..9040).contains(&i);
        Reading::new(at(s))
            .with(Quantity::LoadVoltage, if low { 109.0 } else { 4.5f64.mul_add(turn, 121.0) })
            .with(Quantity::RealPower, 300.0 * turn)
            .with(Quantity::Tap, if turn > 0.9 { -16.0 } else { 3.0 })
            .with(Quantity::Operations, (i / 20) as f64)
            .with(Quantity::Automatic, f64::from(u8::from(!(5000..5200).contains(&i))))
            .with(Quantity::Blocked, f64::from(u8::from((7000..16_200).contains(&i))))
            .with(Quantity::SetVoltage, if i < 8900 { 120.0 } else { 119.0 })
            .with(Quantity::Bandwidth, 2.0)
    })
}

fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.set(Condition::ExcessTapping, "return_delay_h", 1.0);
    settings.set(Condition::OffStandard, "standard_set_voltage_v", 120.0);
    settings
}

/// The rule of the whole: what a backtest shows is what live detection would have raised, for every condition of a regulator.
#[test]
fn each_condition_alone_is_as_live_detection_of_all() {
    let (nameplate, settings) = (Nameplate::common(), settings());
    let unit = Unit::new(&nameplate, &settings);
    let mut live = RegulatorDetector::new();
    let told: Vec<_> = eventful().flat_map(|reading| live.observe(&unit, &reading)).collect();
    let mut raised = 0;
    for condition in Condition::all().filter(|c| c.scope() == Scope::Regulator) {
        let outcome = backtest(condition, &nameplate, &settings, eventful()).unwrap();
        let of = |change| told.iter().filter(move |t| t.condition == condition && t.change == change);
        let lives: Vec<_> = of(Change::Raised).map(|t| (t.at, t.summary.clone())).collect();
        let ours: Vec<_> = outcome.episodes.iter().map(|e| (e.raised_at, e.summary.clone())).collect();
        assert_eq!(ours, lives, "{condition:?}");
        let ended: Vec<_> = outcome.episodes.iter().filter_map(|e| e.returned_at).collect();
        assert_eq!(ended, of(Change::Returned).map(|t| t.at).collect::<Vec<_>>(), "{condition:?}");
        raised += usize::from(!ours.is_empty());
    }
    assert!(raised >= 9, "the story has something for most conditions: {raised}");
}

/// Low voltage from 10 to 20 min and from 60 to 62 min; range B, which takes a minute to raise and two to return.
fn two_dips() -> impl Iterator<Item = Reading> {
    (0..7200).step_by(10).map(|s| {
        let low = (600..1200).contains(&s) || (3600..3730).contains(&s);
        Reading::new(at(s)).with(Quantity::LoadVoltage, if low { 108.0 } else { 120.0 })
    })
}

#[test]
fn episodes_have_their_times_and_words() {
    let of = |condition| backtest(condition, &Nameplate::common(), &Settings::default(), two_dips()).unwrap();
    let outcome = of(Condition::VoltageRangeB);
    let times: Vec<_> = outcome.episodes.iter().map(|e| (e.raised_at, e.returned_at)).collect();
    assert_eq!(times, [(at(660), Some(at(1320))), (at(3660), Some(at(3850)))]);
    assert_eq!(outcome.episodes[0].summary, "load voltage 108.0 V, below 110 V for 60 s");
    assert_eq!((outcome.readings, outcome.late, outcome.span), (720, 0, Some((at(0), at(7190)))));
    assert!((outcome.total_s() - (660.0 + 190.0)).abs() < 1e-9);
}

#[test]
fn what_still_stands_at_the_end_counts_until_the_last_reading() {
    let readings = two_dips().take_while(|r| r.measured_at < at(1000));
    let outcome =
        backtest(Condition::VoltageRangeB, &Nameplate::common(), &Settings::default(), readings).unwrap();
    assert_eq!(outcome.episodes[0].returned_at, None);
    assert!((outcome.total_s() - 330.0).abs() < 1e-9);
}

#[test]
fn two_settings_compared() {
    let (before, mut after) = (Settings::default(), Settings::default());
    after.set(Condition::VoltageRangeB, "delay_s", 300.0);
    let run = |before: &Settings, after: &Settings| {
        compare(Condition::VoltageRangeB, &Nameplate::common(), (before, after), two_dips()).unwrap()
    };
    let slower = run(&before, &after);
    assert_eq!((slower.only_before.len(), slower.only_after.len(), slower.both.len()), (1, 0, 1));
    assert_eq!(slower.only_before[0].raised_at, at(3660), "two minutes are not five");
    assert_eq!((slower.both[0].before[0].raised_at, slower.both[0].after[0].raised_at), (at(660), at(900)));
    assert!((slower.before_s - 850.0).abs() < 1e-9 && (slower.after_s - 420.0).abs() < 1e-9);
    let quicker = run(&after, &before);
    assert_eq!((quicker.only_before.len(), quicker.only_after.len(), quicker.both.len()), (0, 1, 1));
    let same = run(&before, &before);
    assert_eq!((same.only_before.len(), same.only_after.len(), same.both.len()), (0, 0, 2));
}

#[test]
fn one_long_episode_and_two_short_ones_within_it_are_one_event() {
    let (before, mut after) = (Settings::default(), Settings::default());
    after.set(Condition::VoltageRangeB, "return_delay_s", 3000.0);
    let compared =
        compare(Condition::VoltageRangeB, &Nameplate::common(), (&before, &after), two_dips()).unwrap();
    assert_eq!((compared.only_before.len(), compared.only_after.len(), compared.both.len()), (0, 0, 1));
    assert_eq!((compared.both[0].before.len(), compared.both[0].after.len()), (2, 1));
}

#[test]
fn a_bank_is_backtested_by_its_own_detector() {
    let members = [Phase::A, Phase::B, Phase::C].map(|phase| Member::new(phase, &Nameplate::common()));
    let readings = || {
        (0..7200).step_by(10).flat_map(|s| {
            members.map(|m| {
                let tap = if m.phase == Phase::C && (1000..4000).contains(&s) { 12.0 } else { 0.0 };
                (m.phase, Reading::new(at(s)).with(Quantity::Tap, tap))
            })
        })
    };
    let of = |condition| {
        backtest_bank(condition, Connection::Wye, &members, &Settings::default(), readings())
            .unwrap()
            .episodes
    };
    let spread = of(Condition::TapSpread);
    assert_eq!(spread.len(), 1);
    assert_eq!((spread[0].raised_at, spread[0].returned_at), (at(1900), Some(at(4900))));
    assert!(of(Condition::VoltageUnbalance).is_empty());
}

#[test]
fn what_is_not_judged_of_readings_is_refused_with_words() {
    let refused = |condition| {
        backtest(condition, &Nameplate::common(), &Settings::default(), two_dips()).unwrap_err().to_string()
    };
    assert_eq!(
        refused(Condition::EndpointSilent),
        "\"Endpoint not answering\" is not judged of the readings of one regulator"
    );
    assert_eq!(
        refused(Condition::TapSpread),
        "\"Tap spread\" is not judged of the readings of one regulator"
    );
    let bank = Run::of_bank(Condition::TapLimit, Connection::Wye, &[], &Settings::default());
    assert_eq!(bank.unwrap_err(), CannotReplay::NotOfBank(Condition::TapLimit));
}
