//! Regulating the source side while power is reversed: for how long, and for how long nothing can be said about it.
//!
//! Two things reverse power (see [`crate::flow::reverse`]), and a replay assumes the first: generation behind the unit, with the source side held
//! from upstream. Then the source voltage is what was measured whatever the tap, and the load side takes the taps. Where the feeder is
//! switched and fed from the load side it is the other way round, and a replay of this behaviour says nothing. Without a measured source voltage
//! there is nothing to regulate by: rebuilding one from load voltage and tap would suppose which side answers.

use super::replay::Replay;
use super::track::Track;
use crate::control::{Control, ControlSettings, ReverseBehaviour};

/// Seconds during which these settings regulate the source side, and those of them without a measured source voltage, along this track.
pub(super) fn source_side_s(replay: &Replay<'_>, settings: &ControlSettings, track: &Track) -> (f64, f64) {
    let (mut all_s, mut unknown_s) = (0.0, 0.0);
    if settings.reverse_behaviour != ReverseBehaviour::RegulateReverse {
        return (all_s, unknown_s);
    }
    let recording = replay.recording;
    let table = replay.table(settings);
    let taps = track.runs(recording.len()).flat_map(|(first, end, tap)| (first..end).map(move |_| tap));
    let places = recording.stretches.iter().flat_map(|s| (s.first..s.end).map(move |i| (s, i)));
    let mut control = Control::new();
    for ((stretch, i), tap) in places.zip(taps) {
        if stretch.after_gap && i == stretch.first {
            control = Control::new();
        }
        control.follow_direction(settings, replay.state(i, table.at(tap), 1.0).2.in_phase);
        if control.reversed() && stretch.automatic && !stretch.blocked && stretch.current_known {
            let hold_s = f64::from(recording.hold_s[i]);
            all_s += hold_s;
            unknown_s += if recording.source_measured_v[i].is_nan() { hold_s } else { 0.0 };
        }
    }
    (all_s, unknown_s)
}

#[cfg(test)]
mod tests {
    use super::super::*;
    use crate::control::{Control, ControlSettings, ReverseBehaviour};

    fn regulating() -> ControlSettings {
        let mut settings = ControlSettings::common();
        setting::put(&mut settings, "reverse_set_voltage", "122").unwrap();
        settings
    }

    /// Twenty minutes of power from load to source at 120 V on the source side.
    fn reversed(measured: impl Fn(usize) -> Option<f64>) -> Recording {
        let sample = |i: usize| Sample {
            current: Some((-0.5, 0.1)),
            source_measured_v: measured(i),
            ..Sample::new(10.0 * f64::from(u32::try_from(i).unwrap()), 120.0)
        };
        Recording::from_samples(&(0..121).map(sample).collect::<Vec<_>>(), 60.0)
    }

    /// With generation behind the unit the source holds its side: regulated in reverse, 2 V low, it lowers to its last tap for nothing, and the load side
    /// takes all of it: 120 V / 1.1 (type B at -16; Kersting, ch. 7). Kept forward the load side is in band after two raises: 121.5 V.
    #[test]
    fn with_generation_behind_it_a_control_that_regulates_in_reverse_runs_to_its_last_tap() {
        let recording = reversed(|_| Some(120.0));
        let replay = Replay::new(&recording, Model::default());
        let outcome = replay.run(&regulating());
        let moves: Vec<_> = outcome.track.moves.iter().map(|m| (m.at_s, m.tap)).collect();
        assert_eq!((moves[0], moves[15], moves.len()), ((30.0, -1), (105.0, -16), 16));
        assert!((outcome.voltage.extremes_v().unwrap().0 - 120.0 / 1.1).abs() < 0.1);
        assert_eq!((outcome.source_side_s, outcome.source_unknown_s, outcome.blind_s), (1200.0, 0.0, 0.0));
        let mut settings = regulating();
        settings.reverse_behaviour = ReverseBehaviour::Block;
        assert_eq!(replay.run(&settings).operations, 0);
        settings.reverse_behaviour = ReverseBehaviour::KeepForward;
        assert_eq!(replay.run(&settings).track.moves.last().map(|m| m.tap), Some(2));
        let mut content = regulating();
        content.reverse.set_voltage_v = 120.5;
        assert_eq!(replay.run(&content).operations, 0);
    }

    #[test]
    fn without_a_measured_source_voltage_it_cannot_tell() {
        let recording = reversed(|i| (i < 2).then_some(120.0));
        let replay = Replay::new(&recording, Model::default());
        let (present, tried) = (ControlSettings::common(), regulating());
        let answer = Comparison::of(&replay, &present, &[tried]);
        let outcome = &answer.tried[0].outcome;
        assert_eq!((outcome.operations, outcome.source_unknown_s, outcome.blind_s), (0, 1180.0, 1180.0));
        let told =
            |answer| doubts(answer, &Coverage::default(), &recording, &Model::default(), &present).join(" ");
        assert!(told(&answer).contains("cannot tell: no source voltage was measured"), "{}", told(&answer));
        let forward = Comparison::of(&replay, &present, &[]);
        assert!(!told(&forward).contains("source side"), "{}", told(&forward));
    }

    /// The replay against the control alone, which is shown what was recorded: the same decision at every sample, whatever it does in reverse.
    #[test]
    fn every_decision_is_that_of_the_control() {
        let mut chance = tests::Chance(5);
        let (mut drift, mut flow) = (0.0, 0.0);
        let samples: Vec<_> = (0..20_000)
            .map(|i| {
                drift = 0.99 * drift + 0.3 * chance.draw();
                flow = 0.995 * flow + 0.1 * chance.draw();
                Sample {
                    current: Some((flow, 0.1)),
                    source_measured_v: (chance.draw() > -0.8).then_some(121.0 + drift + 0.3 * chance.draw()),
                    ..Sample::new(10.0 * f64::from(i), 120.0 + drift)
                }
            })
            .collect();
        let recording = Recording::from_samples(&samples, 60.0);
        let replay = Replay::new(&recording, Model::default());
        let ways =
            [ReverseBehaviour::KeepForward, ReverseBehaviour::Block, ReverseBehaviour::RegulateReverse];
        let counts = ways.map(|reverse_behaviour| {
            // One tap a sample: what a sequence does between samples is not the question here.
            let settings = ControlSettings { reverse_behaviour, inter_tap_s: 0.0, ..regulating() };
            let want = alone(&samples, &settings);
            let track = replay.track(&settings);
            let moves: Vec<_> = track.moves.iter().map(|m| (m.sample, m.tap)).collect();
            assert_eq!(moves, want, "{reverse_behaviour:?}");
            want.len()
        });
        assert!(
            counts.iter().all(|n| *n > 100) && counts[0] != counts[2] && counts[1] != counts[2],
            "{counts:?}"
        );
    }

    fn alone(samples: &[Sample], settings: &ControlSettings) -> Vec<(usize, i32)> {
        #[expect(clippy::cast_possible_truncation, reason = "as a recording keeps it")]
        let single = |x: f64| f64::from(x as f32);
        let (mut control, mut tap, mut moves) = (Control::new(), 0, vec![]);
        for (i, sample) in samples.iter().enumerate() {
            let (in_phase, lagging) = sample.current.unwrap();
            let (in_phase, lagging) = (single(in_phase), single(lagging));
            // Where power is reversed: within the threshold as it was.
            let reverse = in_phase < -0.01 || (control.reversed() && in_phase <= 0.01);
            let blind = reverse
                && settings.reverse_behaviour == ReverseBehaviour::RegulateReverse
                && sample.source_measured_v.is_none();
            let inputs = crate::control::Inputs {
                load_voltage_v: single(sample.source_voltage_v)
                    * (1.0 / 0.00625_f64.mul_add(-f64::from(tap), 1.0)),
                source_voltage_v: single(sample.source_measured_v.unwrap_or(sample.source_voltage_v)),
                current: crate::compensator::PerUnitCurrent { in_phase, lagging },
                tap,
                automatic: true,
                blocked: blind,
            };
            let steps = control.look(settings, if i == 0 { 0.0 } else { 10.0 }, &inputs).steps();
            if steps != 0 {
                tap += steps;
                moves.push((i, tap));
            }
        }
        moves
    }
}
