//! A worked example, and counting anew.

use proptest::prelude::{ProptestConfig, prop, prop_assert, prop_assert_eq, proptest};

use super::*;
use crate::alarms::flood::Period;

const A: Source = (Condition::ReversePower, 1);

fn at(seconds: i64) -> Timestamp {
    Timestamp::from_timestamp(1_767_225_600, 0).unwrap() + TimeDelta::seconds(seconds)
}

fn annunciation(s: i64, (condition, place): Source, priority: Priority) -> Annunciation {
    Annunciation { at: at(s), condition, place, priority }
}

fn span((condition, place): Source, from: i64, to: Option<i64>) -> Span {
    Span { condition, place, from: at(from), to: to.map(at) }
}

fn others(i: i64) -> Source {
    (Condition::NotAutomatic, 100 + u64::try_from(i).unwrap())
}

/// Two days. One alarm is raised every half minute for the first half hour, 60 times; from the second hour on another of 140 different
/// ones comes every twenty minutes.
fn two_days() -> Vec<Annunciation> {
    let often = (0..60).map(|i| annunciation(30 * i, A, Priority::High));
    let others = (0..140).map(|i| annunciation(3600 + 1200 * i, others(i), Priority::Low));
    often.chain(others).collect()
}

fn input<'a>(annunciations: &'a [Annunciation], standing: &'a [Span], shelved: &'a [Span]) -> Input<'a> {
    Input {
        from: at(0),
        to: at(2 * 86_400),
        annunciations,
        standing,
        shelved,
        shelving_limit: TimeDelta::hours(8),
    }
}

fn value(quality: &Quality, title: &str) -> (f64, Verdict) {
    let metric = quality.metric(title).unwrap_or_else(|| panic!("{title}"));
    // to the hundredth
    ((metric.value.unwrap() * 100.0).round() / 100.0, metric.verdict)
}

/// Asserts values to the hundredth, and verdicts.
fn expect(quality: &Quality, expected: &[(&str, f64, Verdict)]) {
    for (title, number, verdict) in expected {
        let (value, judged) = value(quality, title);
        assert!((value - number).abs() < 1e-9 && judged == *verdict, "{title}: {value} {judged:?}");
    }
}

#[test]
fn two_days_worked_by_hand() {
    let annunciations = two_days();
    let quality = measure(&input(&annunciations, &[], &[]));
    assert_eq!((quality.annunciations, quality.sources), (200, 141));
    expect(
        &quality,
        &[
            ("Alarms a day, mean", 100.0, Verdict::Within),
            // 60, and 69 of the others before one day after the first
            ("Most in any 24 hours", 129.0, Verdict::NoFigure),
            ("Alarms an hour, mean", 4.17, Verdict::Within),
            ("Most in any hour", 60.0, Verdict::NoFigure),
            ("Alarms in 10 min, mean", 0.69, Verdict::Within),
            ("Most in any 10 min", 20.0, Verdict::Above),
            // one hour of 48
            ("Hours with more than 30", 2.08, Verdict::Above),
            // three of 288
            ("Tens of minutes with more than 10", 1.04, Verdict::Above),
            // from the eleventh, at 300 s, until that at 1650 s is ten minutes old: 1950 s
            ("Time in flood", 1.13, Verdict::Above),
            // 60 and nine others, of 200
            ("Share of the ten most frequent", 34.5, Verdict::FarAbove),
            ("Chattering alarms", 1.0, Verdict::Above),
            ("Fleeting alarms", 0.0, Verdict::Within),
            ("Low priority", 70.0, Verdict::Above),
            ("Medium priority", 0.0, Verdict::Within),
            ("High priority", 30.0, Verdict::FarAbove),
            ("Critical priority", 0.0, Verdict::Within),
        ],
    );
    assert_eq!(quality.floods, [Period { from: at(300), to: Some(at(2250)), annunciations: 60 }]);
    assert_eq!(quality.most_frequent.len(), 10);
    assert_eq!(quality.most_frequent[0], Frequent { source: A, times: 60, percent: 30.0 });
    assert_eq!(quality.most_frequent[1].source, others(0), "equals in order of condition and place");
    assert_eq!(quality.chattering, [A]);
}

#[test]
fn standing_and_shelved_worked_by_hand() {
    let annunciations = two_days();
    let (b, c) = (others(0), others(1));
    let standing = [
        // chatters, so it is not fleeting too
        span(A, 0, Some(15)),
        span(b, 3600, Some(3600 + 299)),
        span(c, 4800, Some(4800 + 300)),
        // stale already when the period begins, until 10,000 s
        span(b, -100_000, Some(10_000)),
        // from the second day on
        span(c, 0, None),
        // a day and not more
        span(A, 0, Some(86_400)),
        span(A, 80_000, Some(170_000)),
        // ended before the period
        span(A, -200_000, Some(-1)),
    ];
    let shelved =
        [span(A, 0, Some(28_800)), span(b, 1, Some(28_802)), span(c, 150_000, None), span(A, -50_000, None)];
    let quality = measure(&input(&annunciations, &standing, &shelved));
    expect(
        &quality,
        &[
            ("Fleeting alarms", 1.0, Verdict::Above),
            ("Most stale at once", 2.0, Verdict::Within),
            ("Shelved longer than allowed", 2.0, Verdict::FarAbove),
        ],
    );
    assert_eq!(quality.stale, [standing[4], standing[3], standing[6]]);
    assert_eq!(quality.shelved_too_long, [shelved[3], shelved[1]]);
}

#[test]
fn five_stale_ones_at_once_are_too_many() {
    let standing: Vec<_> = (0..5).map(|i| span(others(i), -90_000, None)).collect();
    assert_eq!(
        value(&measure(&input(&[], &standing[1..], &[])), "Most stale at once"),
        (4.0, Verdict::Within)
    );
    assert_eq!(value(&measure(&input(&[], &standing, &[])), "Most stale at once"), (5.0, Verdict::Above));
}

#[test]
fn what_a_short_period_or_a_few_alarms_cannot_tell_is_not_told() {
    let few = two_days()[..99].to_vec();
    let quality = measure(&input(&few, &[], &[]));
    for title in ["Share of the ten most frequent", "Low priority", "Critical priority"] {
        let metric = quality.metric(title).unwrap();
        assert!(metric.value.is_none() && matches!(metric.verdict, Verdict::CannotTell(_)), "{metric:?}");
    }
    let hour = Input { to: at(3599), ..input(&few, &[], &[]) };
    let quality = measure(&hour);
    assert_eq!(quality.annunciations, 60, "those of the hour alone");
    for title in ["Alarms a day, mean", "Alarms an hour, mean", "Hours with more than 30"] {
        assert!(matches!(quality.metric(title).unwrap().verdict, Verdict::CannotTell(_)), "{title}");
    }
    assert!(quality.metric("Alarms in 10 min, mean").unwrap().value.is_some());
    assert_eq!(measure(&Input { to: at(0), ..hour }).annunciations, 0, "an empty period");
}

#[test]
fn without_alarms_all_is_within() {
    let quality = measure(&input(&[], &[], &[]));
    let told = quality.metrics.iter().filter(|m| m.value.is_some() && m.figure.is_some());
    assert!(told.clone().count() >= 10);
    assert!(told.into_iter().all(|m| m.verdict == Verdict::Within), "{:?}", quality.metrics);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    /// Against counting each thing anew, in any order of input.
    #[test]
    fn it_agrees_with_counting_anew(
        raw in prop::collection::vec((0..200_000_i64, 0..12_u64, 0..4_usize), 0..400),
        crowded in prop::collection::vec((40_000..44_000_i64, 0..3_u64), 0..80),
    ) {
        let crowd = crowded.into_iter().map(|(s, place)| (s, place, 0));
        let given: Vec<Annunciation> = raw.into_iter().chain(crowd)
            .map(|(s, place, p)| annunciation(s, (Condition::Hunting, place), Priority::ALL[p]))
            .collect();
        let of = input(&given, &[], &[]);
        let quality = measure(&of);
        let mut seconds: Vec<i64> =
            given.iter().filter(|a| a.at < of.to).map(|a| (a.at - at(0)).num_seconds()).collect();
        seconds.sort_unstable();
        prop_assert_eq!(quality.annunciations, seconds.len());
        for (rates, length, limit) in
            [(quality.rates[0], 86_400, None), (quality.rates[1], 3600, Some(30)), (quality.rates[2], 600, Some(10))]
        {
            let before = |s: i64| seconds.iter().filter(|o| (0..length).contains(&(s - **o))).count();
            prop_assert_eq!(rates.most, seconds.iter().map(|s| before(*s)).max().unwrap_or(0) as u64);
            let bins = 2 * 86_400 / length;
            let busy = limit.map(|limit| {
                let crowded = |bin: &i64| seconds.iter().filter(|s| **s / length == *bin).count() > limit;
                100.0 * f64::from(u32::try_from((0..bins).filter(crowded).count()).unwrap())
                    / f64::from(u32::try_from(bins).unwrap())
            });
            let agree = match (rates.busy_percent, busy) {
                (Some(a), Some(b)) => (a - b).abs() < 1e-9,
                (a, b) => a.is_none() && b.is_none(),
            };
            prop_assert!(agree, "busy");
        }
        let of_place = |place: u64| {
            let mut of: Vec<i64> = given.iter().filter(|a| a.place == place && a.at < at(2 * 86_400))
                .map(|a| (a.at - at(0)).num_seconds()).collect();
            of.sort_unstable();
            of
        };
        let chattering: Vec<Source> = (0..12)
            .filter(|p| of_place(*p).windows(4).any(|w| w[3] - w[0] < 3600))
            .map(|p| (Condition::Hunting, p)).collect();
        prop_assert_eq!(&quality.chattering, &chattering);
        let mut times: Vec<(usize, u64)> = (0..12).map(|p| (of_place(p).len(), p)).filter(|(n, _)| *n > 0).collect();
        times.sort_by_key(|(n, p)| (std::cmp::Reverse(*n), *p));
        times.truncate(10);
        let listed: Vec<(usize, u64)> = quality.most_frequent.iter()
            .map(|f| (usize::try_from(f.times).unwrap(), f.source.1)).collect();
        prop_assert_eq!(listed, times);
    }
}

/// Prints how long a million annunciations, out of order, take on this machine.
#[test]
#[ignore = "a measurement"]
fn speed_of_a_million() {
    let given: Vec<Annunciation> = (0..1_000_000_i64)
        .map(|i| annunciation(i * 7919 % (365 * 86_400), others(i * 31 % 5000), Priority::Low))
        .collect();
    let of = Input { to: at(365 * 86_400), ..input(&given, &[], &[]) };
    let begun = std::time::Instant::now();
    let quality = measure(&of);
    println!("{} annunciations in {:?}", quality.annunciations, begun.elapsed());
    assert_eq!(quality.annunciations, 1_000_000);
}
