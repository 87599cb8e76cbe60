//! The quick way against the plain one, and replays whose result is known beforehand.

use proptest::prelude::*;

use super::run::Run;
use super::scan::Narrow;
use super::*;
use crate::WindingType;
use crate::compensator::Compensator;
use crate::control::{ControlSettings, Regulation, ReverseBehaviour, Timing, Widening};
use crate::taps::TapChanger;

/// Random numbers that are the same each time (a linear congruential generator, Knuth's MMIX constants).
pub(super) struct Chance(pub(super) u64);

impl Chance {
    /// Uniform between -1 and 1.
    pub(super) fn draw(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(i32::try_from(self.0 >> 33).unwrap()) / f64::from(1 << 30) - 1.0
    }
}

/// What a random recording looks like.
#[derive(Debug, Clone, Copy)]
struct Weather {
    seed: u64,
    count: usize,
    wander_v: f64,
    flicker_v: f64,
    /// Voltages are rounded to this, as meters do, so that some fall on the band's edge.
    resolution_v: f64,
    interval_s: f64,
    irregular: bool,
    reversing: bool,
}

fn samples(weather: Weather) -> Vec<Sample> {
    let mut chance = Chance(weather.seed);
    let (mut at_s, mut drift, mut current, mut tap) = (0.0, 0.0, 0.5, 0);
    let mut sample = Sample::new(0.0, 120.0);
    let mut all = vec![];
    for _ in 0..weather.count {
        at_s += weather.interval_s;
        if weather.irregular {
            at_s += weather.interval_s * 0.9 * chance.draw();
            if chance.draw() > 0.995 {
                at_s += 1000.0;
            }
            sample.automatic ^= chance.draw() > 0.99;
            sample.blocked = if sample.blocked { chance.draw() > -0.9 } else { chance.draw() > 0.99 };
            sample.current = (chance.draw() > -0.99).then_some((0.0, 0.0));
        } else {
            sample.current = Some((0.0, 0.0));
        }
        drift = 0.995 * drift + weather.wander_v * chance.draw();
        let volts = 120.0 + drift + weather.flicker_v * chance.draw();
        sample.source_voltage_v = (volts / weather.resolution_v).round() * weather.resolution_v;
        let apart_v = 0.5 * chance.draw();
        sample.source_measured_v = (chance.draw() > -0.9).then_some(sample.source_voltage_v + apart_v);
        current = 0.99 * current + 0.005 + 0.05 * chance.draw();
        let in_phase = if weather.reversing { current - 0.5 } else { current.max(0.1) };
        sample.current = sample.current.map(|_| (in_phase, 0.3 * current));
        if chance.draw() > 0.98 {
            tap = (tap + if chance.draw() > 0.0 { 1 } else { -1 }).clamp(-16, 16);
        }
        all.push(Sample { at_s, tap, ..sample });
    }
    all
}

prop_compose! {
    fn weather()(
        seed in any::<u64>(), count in 1_usize..4000, wander_v in 0.0..0.4, flicker_v in 0.0..1.5,
        resolution_v in prop_oneof![Just(0.01), Just(0.1), Just(0.25)],
        interval_s in prop_oneof![Just(1.0), Just(5.0), Just(10.0), 0.5..60.0],
        irregular in any::<bool>(), reversing in any::<bool>(),
    ) -> Weather {
        Weather { seed, count, wander_v, flicker_v, resolution_v, interval_s, irregular, reversing }
    }
}

prop_compose! {
    fn regulation()(
        set_voltage_v in prop_oneof![Just(120.0), Just(122.0), 115.0..126.0],
        bandwidth_v in prop_oneof![Just(2.0), Just(3.0), 0.0..6.0],
        delay_s in prop_oneof![Just(30.0), 0.0..120.0],
        compensated in any::<bool>(), resistance_v in 0.0..12.0, reactance_v in 0.0..12.0,
    ) -> Regulation {
        let compensator = if compensated { Compensator { resistance_v, reactance_v } } else { Compensator::OFF };
        Regulation { set_voltage_v, bandwidth_v, delay_s, compensator }
    }
}

prop_compose! {
    fn widening()(
        ramp_v in prop_oneof![Just(0.8), 0.05..3.0], window_s in prop_oneof![Just(60.0), 5.0..1200.0], factor in 1.0..5.0,
        hold_s in prop_oneof![Just(0.0), Just(600.0), 0.0..2000.0], hard_low_v in 105.0..121.0, hard_high_v in 121.0..130.0,
    ) -> Widening {
        Widening { ramp_v, window_s, factor, hold_s, hard_low_v, hard_high_v }
    }
}

prop_compose! {
    fn settings()(
        forward in regulation(), reverse in regulation(),
        reverse_behaviour in prop_oneof![
            Just(ReverseBehaviour::KeepForward), Just(ReverseBehaviour::Block), Just(ReverseBehaviour::RegulateReverse)
        ],
        timing in prop_oneof![Just(Timing::Sequential), Just(Timing::Integrating)],
        widening in prop_oneof![Just(None), Just(Some(Widening::common())), widening().prop_map(Some)],
        inter_tap_s in prop_oneof![Just(0.0), Just(2.0), Just(5.0), 0.1..30.0],
        tap_min in -16..0, tap_max in 0..=16,
    ) -> ControlSettings {
        ControlSettings { forward, reverse, reverse_behaviour, reverse_threshold: 0.01, timing, widening, inter_tap_s, tap_min, tap_max }
    }
}

prop_compose! {
    fn model()(
        winding in prop_oneof![Just(WindingType::A), Just(WindingType::B)], load_exponent in 0.0..2.0,
        source in prop::option::of((0.0..3.0, 0.0..6.0)), own in prop::option::of((0.0..0.3, 0.0..0.6)),
    ) -> Model {
        let drop = |(resistance_v, reactance_v)| SeriesDrop { resistance_v, reactance_v };
        Model {
            changer: TapChanger::new(winding, 32), load_exponent, source: source.map(drop), own: own.map(drop),
            voltage_base_v: 120.0,
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn passing_over_samples_changes_no_tap(weather in weather(), settings in settings(), model in model()) {
        let recording = Recording::from_samples(&samples(weather), 4.0 * weather.interval_s);
        let replay = Replay::new(&recording, model);
        prop_assert_eq!(replay.track(&settings), replay.plain_track(&settings));
    }

    /// Not the taps alone: what the control remembers of the ramps is the same too, to the last bit, at the end of every stretch.
    #[test]
    fn passing_over_samples_leaves_a_widening_band_as_a_look_does(
        weather in weather(), settings in settings(), widening in widening(), model in model()
    ) {
        let settings = ControlSettings { widening: Some(widening), ..settings };
        let recording = Recording::from_samples(&samples(weather), 4.0 * weather.interval_s);
        let replay = Replay::new(&recording, model);
        let narrow = Narrow::new(&replay, &settings);
        let (mut track, mut plain_track) = (Track::default(), Track::default());
        let mut quick = Run::new(&replay, &settings, &mut track);
        let mut plain = Run::new(&replay, &settings, &mut plain_track);
        for stretch in &recording.stretches {
            quick.enter(stretch);
            plain.enter(stretch);
            quick.pass(stretch, &narrow);
            plain.look_at_all(stretch);
            prop_assert_eq!(quick.control.ramp_bits(), plain.control.ramp_bits());
        }
    }

    /// The figures of a run, added up sample by sample.
    #[test]
    fn an_outcome_adds_up(weather in weather(), settings in settings(), model in model()) {
        let recording = Recording::from_samples(&samples(weather), 4.0 * weather.interval_s);
        let replay = Replay::new(&recording, model);
        let outcome = replay.run(&settings);
        let table = replay.table(&settings);
        let (mut out, mut beyond, mut unsure) = (0.0, 0.0, 0.0);
        for (first, end, tap) in outcome.track.runs(recording.len()) {
            for i in first..end {
                let hold_s = f64::from(recording.hold_s[i]);
                let (_, v, current) = replay.state(i, table.at(tap), 1.0);
                let off = settings.forward.compensator.relay_voltage(v, current) - settings.forward.set_voltage_v;
                let off = off.abs() - 0.5 * settings.forward.bandwidth_v;
                out += if off > 0.0 { hold_s } else { 0.0 };
                let a = (v - 120.0).abs() - 6.0;
                beyond += if a > 0.0 { hold_s } else { 0.0 };
                // At the edge the single precision of the sums may see it the other way.
                unsure += if off.abs() < 1e-4 || a.abs() < 1e-4 { hold_s } else { 0.0 };
            }
        }
        let slack = unsure + 1e-5 * outcome.covered_s + 1e-3;
        prop_assert!((outcome.out_of_band_s - out).abs() <= slack, "{} {out}", outcome.out_of_band_s);
        prop_assert!((outcome.outside_range_a_s - beyond).abs() <= slack, "{} {beyond}", outcome.outside_range_a_s);
        prop_assert!((outcome.voltage.total_s() - outcome.covered_s).abs() <= slack);
        let taps: f64 = outcome.taps.taps().map(|(_, s)| s).sum();
        prop_assert!((taps - outcome.covered_s).abs() <= slack);
    }

    /// At the recorded tap the model gives back what was recorded.
    #[test]
    fn at_the_recorded_tap_the_model_changes_nothing(weather in weather(), model in model()) {
        let samples = samples(weather);
        let recording = Recording::from_samples(&samples, 1e9);
        let replay = Replay::new(&recording, model);
        let table = replay.table(&ControlSettings::common());
        for (i, sample) in samples.iter().enumerate() {
            let (source_v, _, current) = replay.state(i, table.at(sample.tap), 1.0);
            prop_assert!((source_v - sample.source_voltage_v).abs() < 1e-4);
            prop_assert!((current.in_phase - sample.current.unwrap_or_default().0).abs() < 1e-5);
        }
    }
}

fn day(wander_v: f64) -> Recording {
    let weather = Weather {
        seed: 7,
        count: 8640,
        wander_v,
        flicker_v: 0.2,
        resolution_v: 0.01,
        interval_s: 10.0,
        irregular: false,
        reversing: false,
    };
    Recording::from_samples(&samples(weather), 60.0)
}

/// A source 3 V low: three steps to the lower edge of 121 V (119.0, 119.75, 120.49, 121.24), the first after the delay, the others at the
/// inter-tap time, between samples.
#[test]
fn a_sequence_runs_on_between_samples() {
    let mut samples: Vec<_> = (0..60).map(|i| Sample::new(10.0 * f64::from(i), 122.0)).collect();
    samples[10..].iter_mut().for_each(|s| s.source_voltage_v = 119.0);
    let recording = Recording::from_samples(&samples, 60.0);
    let outcome = Replay::new(&recording, Model::default()).run(&ControlSettings::common());
    let moves: Vec<_> = outcome.track.moves.iter().map(|m| (m.at_s, m.tap)).collect();
    assert_eq!(moves, [(130.0, 1), (135.0, 2), (140.0, 3)]);
    assert_eq!(outcome.out_of_band_s, 40.0);
    assert_eq!(outcome.operations, 3);
}

#[test]
fn a_gap_starts_the_delay_afresh() {
    let at = [0.0, 10.0, 20.0, 500.0, 510.0, 520.0, 530.0];
    let recording = Recording::from_samples(&at.map(|t| Sample::new(t, 120.5)), 60.0);
    let outcome = Replay::new(&recording, Model::default()).run(&ControlSettings::common());
    assert_eq!(outcome.track.moves.iter().map(|m| m.at_s).collect::<Vec<_>>(), [530.0]);
    assert_eq!(outcome.gaps, 1);
}

#[test]
fn in_manual_the_tap_is_as_recorded_and_blocked_it_stays() {
    let mut samples: Vec<_> = (0..100).map(|i| Sample::new(10.0 * f64::from(i), 120.5)).collect();
    for (i, sample) in samples.iter_mut().enumerate() {
        sample.automatic = !(10..30).contains(&i);
        sample.tap = if i >= 20 { -2 } else { 0 };
        sample.blocked = (30..50).contains(&i);
    }
    let recording = Recording::from_samples(&samples, 60.0);
    let outcome = Replay::new(&recording, Model::default()).run(&ControlSettings::common());
    let moves: Vec<_> = outcome.track.moves.iter().map(|m| (m.at_s, m.tap, m.by_control)).collect();
    // One raise of its own; then by hand to 0 and -2; nothing while blocked; a delay after that.
    let want = [
        (30.0, 1, true),
        (100.0, 0, false),
        (200.0, -2, false),
        (530.0, -1, true),
        (535.0, 0, true),
        (540.0, 1, true),
    ];
    assert_eq!(moves, want);
    assert_eq!((outcome.manual_s, outcome.blocked_s, outcome.operations), (200.0, 200.0, 4));
}

#[test]
fn settings_that_need_an_unknown_current_are_blind() {
    let samples: Vec<_> = (0..100).map(|i| Sample::new(10.0 * f64::from(i), 118.0)).collect();
    let recording = Recording::from_samples(&samples, 60.0);
    let replay = Replay::new(&recording, Model::default());
    let mut settings = ControlSettings::common();
    assert_eq!(replay.run(&settings).blind_s, 0.0);
    settings.forward.compensator.resistance_v = 3.0;
    let outcome = replay.run(&settings);
    assert_eq!((outcome.operations, outcome.blind_s), (0, 990.0));
}

/// What the model itself has made it gives back without error; other settings differ, so the comparison can fail.
#[test]
fn a_recording_made_by_the_model_has_no_model_error() {
    let recording = day(0.2);
    let replay = Replay::new(&recording, Model::default());
    let present = ControlSettings::common();
    let track = replay.track(&present);
    let mut made = recording.clone();
    for (first, end, tap) in track.runs(recording.len()) {
        made.tap[first..end].fill(i8::try_from(tap).unwrap());
    }
    // The tap before the first sample is not recorded: it has to be the first one.
    let replay = Replay::new(&made, Model::default());
    let error = model_error(&replay, &present);
    assert!(error.recorded > 20, "{error:?}");
    assert_eq!((error.matched, error.apart_s), (error.recorded, 0.0));
    let mut other = present;
    other.forward.bandwidth_v = 3.0;
    assert!(model_error(&replay, &other).apart_share().unwrap() > 0.05);
}

#[test]
fn a_sweep_is_the_runs_one_by_one_however_many_threads() {
    let recording = day(0.2);
    let replay = Replay::new(&recording, Model::default());
    let sweep = Sweep {
        base: ControlSettings::common(),
        bandwidths_v: vec![1.5, 2.0, 3.0, 4.0],
        delays_s: vec![15.0, 30.0, 60.0, 120.0],
    };
    let map = sweep.map(&replay, 3);
    assert_eq!(map, sweep.map(&replay, 1));
    for cell in map.iter().flatten() {
        let outcome = replay.run(&sweep.settings(cell.bandwidth_v, cell.delay_s));
        assert_eq!((cell.operations, cell.undone), (outcome.operations, outcome.undone));
        assert_eq!(
            (cell.out_of_band_s, cell.outside_range_a_s),
            (outcome.out_of_band_s, outcome.outside_range_a_s)
        );
        assert_eq!(cell.wear, outcome.wear);
    }
    // Common practice, and shown for a feeder with clouds in OpenDSS: the corner with the wide band and the long delay taps least.
    assert!(map[0][0].operations > 2 * map[3][3].operations, "{map:?}");
}

/// A tap upstream that was not recorded is seen downstream, and answered after the delay there. Plain arithmetic.
#[test]
fn downstream_sees_what_upstream_makes_different() {
    let constant = |volts: f64| {
        let samples: Vec<_> = (0..200).map(|i| Sample::new(10.0 * f64::from(i), volts)).collect();
        Recording::from_samples(&samples, 60.0)
    };
    let (head, tail) = (constant(122.0), constant(121.5));
    let (head, tail) = (Replay::new(&head, Model::default()), Replay::new(&tail, Model::default()));
    let present = ControlSettings::common();
    let both = |up: ControlSettings| {
        let stages = [Stage { replay: &head, settings: up }, Stage { replay: &tail, settings: present }];
        cascade(&stages)
            .iter()
            .map(|o| o.track.moves.iter().map(|m| (m.at_s, m.tap)).collect::<Vec<_>>())
            .collect::<Vec<_>>()
    };
    assert_eq!(both(present), [vec![], vec![]]);
    let mut raised = present;
    raised.forward.set_voltage_v = 124.5;
    // Two steps up (122.77, 123.55) reach 123.5; downstream that makes 121.5 x 1.01266 = 123.04: one step down, its own delay later.
    assert_eq!(both(raised), [vec![(30.0, 1), (35.0, 2)], vec![(60.0, -1)]]);
}

/// A cascade of one is a plain replay.
#[test]
fn a_cascade_of_one_is_a_replay() {
    let recording = day(0.2);
    let replay = Replay::new(&recording, Model::default());
    let settings = ControlSettings::common();
    let alone = replay.run(&settings);
    let stage = cascade(&[Stage { replay: &replay, settings }]).remove(0);
    assert!(alone.operations > 20);
    assert_eq!((stage.track, stage.voltage), (alone.track, alone.voltage));
}
