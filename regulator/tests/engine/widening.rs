//! What a band that widens while clouds pass saves, and what it costs.

use regulator::control::{ControlSettings, Widening};
use regulator::study::{Outcome, Replay};

use crate::cases::CLOUDY;
use crate::engine::{model, recording, settings, solve};

/// The engine's cloudy day, 2 V wide and 30 s: at most half of the operations, and no more time outside the hard limits.
#[test]
fn it_halves_the_operations_of_a_cloudy_day() {
    let case = &CLOUDY[0];
    let recording = recording(&solve(case));
    let replay = Replay::new(&recording, model(case));
    let set = settings(case);
    let widening = Widening { hard_low_v: 118.0, hard_high_v: 126.0, ..Widening::common() };
    let wide = ControlSettings { widening: Some(widening), ..set };
    let (before, after) = (replay.run(&set), replay.run(&wide));
    println!(
        "CHECK | operations of a cloudy day, band that widens while ramps last against one that does not | OpenDSS day, own control model | {} | {}",
        before.operations, after.operations
    );
    for (what, outcome) in [("set band", &before), ("widening band", &after)] {
        let (low, high) = outcome.voltage.extremes_v().unwrap();
        let quantile = |share| outcome.voltage.quantile_v(share).unwrap();
        println!(
            "      | {what}: {} undone within 5 min, out of the set band {:.1} % of the time, 5 % below {:.2} V, 5 % above {:.2} V, lowest {low:.2} V, highest {high:.2} V",
            outcome.undone,
            100.0 * outcome.out_of_band_s / outcome.covered_s,
            quantile(0.05),
            quantile(0.95),
        );
    }
    assert!(before.operations >= 40, "{}", before.operations);
    assert!(2 * after.operations <= before.operations, "{} of {}", after.operations, before.operations);
    let (was, is) = (outside_hard_limits_s(&before, &widening), outside_hard_limits_s(&after, &widening));
    println!("      | outside the hard limits {was} s before, {is} s after");
    assert!(is <= was, "{is} s outside the hard limits, {was} s without widening");
    assert_eq!(after.outside_range_a_s, 0.0);
}

fn outside_hard_limits_s(outcome: &Outcome, widening: &Widening) -> f64 {
    let bins = outcome.voltage.bins();
    // Whole bins: a bin counts once it reaches beyond a limit.
    bins.filter(|(v, _)| *v < widening.hard_low_v - 1e-6 || *v + 0.1 > widening.hard_high_v + 1e-6)
        .map(|(_, s)| s)
        .sum()
}
