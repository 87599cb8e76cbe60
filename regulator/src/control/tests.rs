use super::*;
use crate::taps::TapChanger;
use crate::{Nameplate, WindingType};

/// A regulator on a stiff source: the load voltage is the source voltage times the ratio.
struct Bench {
    settings: ControlSettings,
    control: Control,
    changer: TapChanger,
    tap: i32,
    source_v: f64,
    current: PerUnitCurrent,
    automatic: bool,
    blocked: bool,
}

impl Bench {
    fn new(settings: ControlSettings) -> Self {
        Self {
            settings,
            control: Control::new(),
            changer: TapChanger::of(&Nameplate::common()),
            tap: 0,
            source_v: 122.0,
            current: PerUnitCurrent { in_phase: 0.5, lagging: 0.1 },
            automatic: true,
            blocked: false,
        }
    }

    fn load_v(&self) -> f64 {
        self.source_v * self.changer.ratio(f64::from(self.tap))
    }

    /// One second; the tap after it.
    fn second(&mut self) -> i32 {
        let inputs = Inputs {
            load_voltage_v: self.load_v(),
            source_voltage_v: self.source_v,
            current: self.current,
            tap: self.tap,
            automatic: self.automatic,
            blocked: self.blocked,
        };
        self.tap += self.control.step(&self.settings, 1.0, &inputs).steps();
        self.tap
    }

    /// Seconds (counted from now) at which it tapped, over this many.
    fn taps_within(&mut self, seconds: u32) -> Vec<u32> {
        let mut moves = Vec::new();
        for second in 1..=seconds {
            let before = self.tap;
            if self.second() != before {
                moves.push(second);
            }
        }
        moves
    }
}

#[test]
fn in_band_it_rests() {
    assert_eq!(Bench::new(ControlSettings::common()).taps_within(600), Vec::<u32>::new());
}

#[test]
fn one_tap_after_the_delay_then_more_at_the_inter_tap_time() {
    let mut bench = Bench::new(ControlSettings::common());
    bench.source_v = 119.0; // 121 V is the lower edge: 2 V and three steps away
    assert_eq!(bench.taps_within(600), [30, 35, 40]);
    assert!(bench.load_v() > 121.0);
    bench.source_v = 122.0; // now high by 0.3 V beyond the upper edge
    assert_eq!(bench.taps_within(600), [30, 35]);
}

#[test]
fn a_return_into_the_band_starts_the_delay_afresh() {
    let mut bench = Bench::new(ControlSettings::common());
    bench.source_v = 120.0;
    assert_eq!(bench.taps_within(29), Vec::<u32>::new());
    bench.source_v = 122.0;
    bench.second();
    bench.source_v = 120.0;
    assert_eq!(bench.taps_within(31), [30]);
}

#[test]
fn a_change_of_side_starts_the_delay_afresh() {
    let mut bench = Bench::new(ControlSettings::common());
    bench.source_v = 120.5;
    bench.taps_within(29);
    bench.source_v = 123.5;
    assert_eq!(bench.taps_within(30), [30]);
    assert_eq!(bench.tap, -1);
}

#[test]
fn it_stops_at_its_limits() {
    let mut bench = Bench::new(ControlSettings { tap_max: 8, tap_min: -4, ..ControlSettings::common() });
    bench.source_v = 100.0;
    bench.taps_within(600);
    assert_eq!(bench.tap, 8);
    assert!(bench.control.out_of_band());
    bench.source_v = 140.0;
    bench.taps_within(600);
    assert_eq!(bench.tap, -4);
}

#[test]
fn manual_or_blocked_does_not_tap_and_starts_afresh_after() {
    for manual in [true, false] {
        let mut bench = Bench::new(ControlSettings::common());
        bench.source_v = 118.0;
        (bench.automatic, bench.blocked) = (!manual, !manual);
        assert_eq!(bench.taps_within(300), Vec::<u32>::new());
        (bench.automatic, bench.blocked) = (true, false);
        assert_eq!(bench.taps_within(34), [30]);
    }
}

/// Kersting ch. 7, the example of the relay voltage: 13 taps to the lower edge by the nearest step; a control that stops as
/// soon as it is in band needs 13 or 14 (the load voltage rises with the taps, the drop is held constant here).
#[test]
fn the_compensator_raises_to_hold_the_load_centre() {
    let mut settings = ControlSettings::common();
    settings.forward.set_voltage_v = 120.0;
    settings.forward.compensator = Compensator { resistance_v: 10.5, reactance_v: 31.5 };
    let mut bench = Bench::new(settings);
    bench.source_v = 120.089;
    bench.current = PerUnitCurrent::polar(346.965 / 700.0, 25.842);
    bench.changer = TapChanger::new(WindingType::A, 32);
    bench.taps_within(600);
    assert!((13..=14).contains(&bench.tap), "{}", bench.tap);
}

#[test]
fn reversed_power_with_keep_forward_regulates_on() {
    let mut bench = Bench::new(ControlSettings::common());
    bench.current.in_phase = -0.3;
    bench.source_v = 119.0;
    assert_eq!(bench.taps_within(100), [30, 35, 40]);
    assert!(bench.control.reversed());
}

#[test]
fn reversed_power_with_block_holds_the_tap() {
    let mut bench = Bench::new(ControlSettings {
        reverse_behaviour: ReverseBehaviour::Block,
        ..ControlSettings::common()
    });
    bench.source_v = 119.0;
    bench.current.in_phase = -0.3;
    assert_eq!(bench.taps_within(300), Vec::<u32>::new());
    bench.current.in_phase = 0.3;
    assert_eq!(bench.taps_within(30), [30]);
}

#[test]
fn reversed_power_with_reverse_settings_holds_the_source_side() {
    let mut settings =
        ControlSettings { reverse_behaviour: ReverseBehaviour::RegulateReverse, ..ControlSettings::common() };
    settings.reverse.set_voltage_v = 120.0;
    settings.reverse.delay_s = 10.0;
    let mut control = Control::new();
    let mut tap = 0;
    let changer = TapChanger::of(&Nameplate::common());
    // Fed from the load side: that one is stiff at 124 V, the source side follows the tap.
    let mut source = 0.0;
    for _ in 0..300 {
        source = 124.0 / changer.ratio(f64::from(tap));
        let inputs = Inputs {
            load_voltage_v: 124.0,
            source_voltage_v: source,
            current: PerUnitCurrent { in_phase: -0.4, lagging: 0.0 },
            tap,
            automatic: true,
            blocked: false,
        };
        tap += control.step(&settings, 1.0, &inputs).steps();
    }
    assert!(tap > 0, "the source side was high, so the tap had to rise");
    assert!((source - 120.0).abs() <= 1.0, "{source}");
}

/// Walling et al. 2008 and the worked case computed with OpenDSS: a forward-only control whose load side is the strong one
/// runs to its limit while the source side takes the whole range: 118.05 V / 1.10 = 107.3 V.
#[test]
fn a_forward_only_control_fed_from_its_load_side_runs_to_the_limit() {
    let mut settings = ControlSettings::common();
    settings.forward.set_voltage_v = 124.0;
    let changer = TapChanger::new(WindingType::A, 32);
    let (mut control, mut tap) = (Control::new(), 0);
    for _ in 0..600 {
        let inputs = Inputs {
            load_voltage_v: 118.05,
            source_voltage_v: 118.05 / changer.ratio(f64::from(tap)),
            current: PerUnitCurrent { in_phase: -0.7, lagging: 0.1 },
            tap,
            automatic: true,
            blocked: false,
        };
        tap += control.step(&settings, 1.0, &inputs).steps();
    }
    assert_eq!(tap, 16);
    assert!((118.05 / changer.ratio(16.0) - 107.30).abs() < 0.05);
}

#[test]
fn near_zero_power_keeps_its_last_direction() {
    let mut bench = Bench::new(ControlSettings::common());
    bench.current.in_phase = -0.005;
    bench.second();
    assert!(!bench.control.reversed());
    bench.current.in_phase = -0.02;
    bench.second();
    assert!(bench.control.reversed());
    bench.current.in_phase = 0.005;
    bench.second();
    assert!(bench.control.reversed());
    bench.current.in_phase = 0.02;
    bench.second();
    assert!(!bench.control.reversed());
}

/// A look sees what is there at an instant: out of band from 0 s on, and a delay of 30 s, is a tap at 30 s.
#[test]
fn looks_count_time_from_the_first_sample_out_of_band() {
    let settings = ControlSettings::common();
    let (mut control, mut moves) = (Control::new(), vec![]);
    for second in (0..=60).step_by(10) {
        let inputs = Inputs {
            load_voltage_v: 120.0,
            source_voltage_v: 120.0,
            current: PerUnitCurrent::default(),
            tap: 0,
            automatic: true,
            blocked: false,
        };
        if control.look(&settings, 10.0, &inputs) == TapCommand::Raise {
            moves.push(second);
        }
    }
    assert_eq!(moves, [30, 40, 50, 60]);
}

/// Seconds at which it taps when the voltage is out of band for 20 s and back for 10 s, over and over.
fn taps_of_a_voltage_that_comes_and_goes(timing: Timing) -> Vec<u32> {
    let mut bench = Bench::new(ControlSettings { timing, ..ControlSettings::common() });
    let mut moves = vec![];
    for second in 1..=60 {
        bench.source_v = if (second - 1) % 30 < 20 { 120.0 } else { 122.0 };
        let before = bench.tap;
        if bench.second() != before {
            moves.push(second);
        }
    }
    moves
}

/// 20 s up, 10 s back, 20 s up: 30 s are reached at the end of second 50. Plain arithmetic.
#[test]
fn an_integrating_delay_runs_back_in_band_and_a_sequential_one_ends() {
    assert_eq!(taps_of_a_voltage_that_comes_and_goes(Timing::Sequential), Vec::<u32>::new());
    assert_eq!(taps_of_a_voltage_that_comes_and_goes(Timing::Integrating), [50]);
}

#[test]
fn an_integrating_delay_is_forgotten_once_it_has_run_back() {
    let mut bench = Bench::new(ControlSettings { timing: Timing::Integrating, ..ControlSettings::common() });
    bench.source_v = 120.0;
    bench.taps_within(20);
    bench.source_v = 122.0;
    bench.taps_within(5);
    assert!(!bench.control.out_of_band());
    assert!(!bench.control.is_idle());
    bench.taps_within(15);
    assert!(bench.control.is_idle());
    bench.source_v = 120.0;
    assert_eq!(bench.taps_within(31), [30]);
}

/// After its taps the whole delay is due again, integrating or not: else a voltage at the edge would tap at once, and again.
#[test]
fn a_sequence_that_ends_in_band_uses_up_an_integrated_delay() {
    let mut bench = Bench::new(ControlSettings { timing: Timing::Integrating, ..ControlSettings::common() });
    bench.source_v = 120.5;
    assert_eq!(bench.taps_within(31), [30]);
    bench.source_v = 119.5;
    assert_eq!(bench.taps_within(31), [30]);
}

fn widening() -> ControlSettings {
    let widening = Widening {
        ramp_v: 1.0,
        window_s: 60.0,
        factor: 3.0,
        hold_s: 300.0,
        hard_low_v: 119.5,
        hard_high_v: 126.0,
    };
    ControlSettings { widening: Some(widening), ..ControlSettings::common() }
}

#[test]
fn a_fast_ramp_widens_the_band_and_quiet_narrows_it() {
    let mut bench = Bench::new(widening());
    bench.taps_within(60);
    assert!(!bench.control.widened());
    bench.source_v = 120.2; // 0.8 V below the set band, 1.2 V inside the wide one
    assert_eq!(bench.taps_within(250), Vec::<u32>::new());
    assert!(bench.control.widened());
    // The average follows and is within 1 V again some 35 s after the ramp; 300 s later the band is as set.
    let after = bench.taps_within(300);
    assert_eq!(after.len(), 2, "{after:?}");
    assert!((60..=120).contains(&after[0]), "{after:?}");
}

#[test]
fn a_slow_ramp_does_not_widen_it() {
    let mut bench = Bench::new(widening());
    let mut taps = 0;
    for _ in 0..1200 {
        bench.source_v -= 0.0025; // 3 V in 20 min: 0.15 V against the average of a minute
        taps += bench.taps_within(1).len();
        assert!(!bench.control.widened());
    }
    assert!(taps >= 3, "{taps}");
}

#[test]
fn its_own_taps_are_no_ramps() {
    let mut settings = widening();
    settings.widening.as_mut().unwrap().ramp_v = 0.5;
    settings.inter_tap_s = 1.0;
    let mut bench = Bench::new(settings);
    bench.source_v = 120.0;
    assert_eq!(bench.taps_within(60), [30, 31]);
    assert!(!bench.control.widened());
}

#[test]
fn beyond_hard_limits_the_set_band_applies_as_if_there_were_no_ramp() {
    let mut plain = Bench::new(ControlSettings::common());
    let mut wide = Bench::new(widening());
    for bench in [&mut plain, &mut wide] {
        bench.taps_within(10);
        bench.source_v = 119.2; // inside the wide band, below the hard limit
    }
    let first = plain.taps_within(30);
    assert_eq!(first, [30]);
    assert_eq!(wide.taps_within(30), first);
    // Back above the hard limit it waits again.
    assert_eq!(wide.taps_within(60), Vec::<u32>::new());
}

#[test]
fn beyond_the_wide_band_it_taps_until_inside_it() {
    let mut bench = Bench::new(widening());
    bench.taps_within(10);
    bench.source_v = 125.8;
    assert_eq!(bench.taps_within(90), [30, 35]);
    assert!((124.0..=125.0).contains(&bench.load_v()), "{}", bench.load_v());
}
