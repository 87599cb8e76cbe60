//! The counters as text, by the OpenMetrics specification 1.0.

use std::fmt::{Display, Write};

use super::{counters::Counters, histogram::Histogram};

/// The text of all metrics.
pub(super) fn render(counters: &Counters) -> String {
    let mut out = Text::default();
    let c = counters;
    out.gauge("start_time_seconds", "When the poller started, Unix time.", c.started_at.timestamp());
    out.gauge("endpoints", "Endpoints polled.", c.endpoint_count);
    out.gauge("regulators", "Regulators polled.", c.regulator_count);
    out.gauge("endpoints_failing", "Endpoints and units that fail now.", c.endpoints.failing().len());
    out.counter("polls", "Polls of a unit.", c.polls);
    out.counter("polls_missed", "Due times that passed without a poll.", c.missed);
    out.head("poll_failures", "counter", "Failed polls by kind.");
    for kind in crate::modbus::ErrorKind::ALL {
        let n = c.failures.get(kind.name()).copied().unwrap_or(0);
        out.line("poll_failures_total", &format!("{{kind=\"{}\"}}", kind.name()), n);
    }
    let (restarts, overflows) = c.endpoints.device_events();
    out.counter("device_restarts", "Restarts that devices told of.", restarts);
    out.counter("device_overflows", "Times that devices lost events.", overflows);
    out.histogram("poll_lateness_seconds", "How late polls started.", &c.lateness);
    out.histogram("poll_latency_seconds", "Slowest request of answered polls.", &c.latency);
    out.gauge("readings_held", "Readings that wait for the database.", c.held);
    out.counter("readings_written", "Readings written.", c.written);
    out.counter("readings_given_up", "Readings dropped because too many waited.", c.given_up());
    out.counter("readings_refused", "Readings that could not be stored.", c.refused);
    out.histogram("batch_readings", "Readings in a batch.", &c.batch_sizes);
    out.gauge("database_up", "Whether the last attempt to write succeeded.", u8::from(c.database_up));
    out.gauge("rollup_batches_behind", "Batches that the rollups have not seen yet.", c.rollup_behind);
    out.0.push_str("# EOF\n");
    out.0
}

/// Text with the prefix of our names.
#[derive(Default)]
struct Text(String);

impl Text {
    fn head(&mut self, name: &str, kind: &str, help: &str) {
        self.put(format_args!("# TYPE tapkeeper_poller_{name} {kind}\n"));
        if name.ends_with("_seconds") {
            self.put(format_args!("# UNIT tapkeeper_poller_{name} seconds\n"));
        }
        self.put(format_args!("# HELP tapkeeper_poller_{name} {help}\n"));
    }

    fn line(&mut self, name: &str, labels: &str, value: impl Display) {
        self.put(format_args!("tapkeeper_poller_{name}{labels} {value}\n"));
    }

    fn gauge(&mut self, name: &str, help: &str, value: impl Display) {
        self.head(name, "gauge", help);
        self.line(name, "", value);
    }

    fn counter(&mut self, name: &str, help: &str, value: u64) {
        self.head(name, "counter", help);
        self.line(&format!("{name}_total"), "", value);
    }

    fn histogram(&mut self, name: &str, help: &str, histogram: &Histogram) {
        self.head(name, "histogram", help);
        let mut count = 0;
        for (bound, up_to) in histogram.cumulative() {
            // bounds are floats of the specification's canonical form: 1.0, not 1
            let bound = if bound.is_finite() { format!("{bound:?}") } else { "+Inf".to_owned() };
            self.line(&format!("{name}_bucket"), &format!("{{le=\"{bound}\"}}"), up_to);
            count = up_to;
        }
        self.line(&format!("{name}_count"), "", count);
        self.line(&format!("{name}_sum"), "", histogram.sum());
    }

    fn put(&mut self, text: std::fmt::Arguments<'_>) {
        // writing to a string cannot fail
        let _written = self.0.write_fmt(text);
    }
}

#[cfg(test)]
mod tests {
    use std::collections::{HashMap, HashSet};
    use std::time::Duration;

    use regulator::Timestamp;

    use super::*;
    use crate::endpoint::{Answered, Outcome};

    /// Checks the rules of OpenMetrics 1.0 that a scraper insists on (sections "ABNF", "Metric types", "Counter" and
    /// "Histogram"), and returns the samples.
    fn parse(text: &str) -> HashMap<String, f64> {
        let body = text.strip_suffix("# EOF\n").expect("ends with # EOF");
        let mut kinds: HashMap<&str, &str> = HashMap::new();
        let mut current = "";
        let mut samples = HashMap::new();
        for line in body.lines() {
            assert!(!line.is_empty() && line == line.trim(), "{line:?}");
            if let Some(rest) = line.strip_prefix("# ") {
                let (what, rest) = rest.split_once(' ').unwrap();
                let (name, value) = rest.split_once(' ').unwrap();
                match what {
                    "TYPE" => {
                        assert!(["gauge", "counter", "histogram"].contains(&value));
                        assert!(kinds.insert(name, value).is_none(), "{name} twice");
                        current = name;
                    }
                    "UNIT" => assert!(name.ends_with(&format!("_{value}"))),
                    "HELP" => assert!(!value.contains(['\n', '\\', '"'])),
                    _ => panic!("{line}"),
                }
                assert_eq!(name, current, "metadata out of place");
                continue;
            }
            let (series, value) = line.rsplit_once(' ').unwrap();
            let name = series.split('{').next().unwrap();
            assert!(name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_'), "{name}");
            let suffixes: &[&str] = match kinds[current] {
                "gauge" => &[""],
                "counter" => &["_total"],
                _ => &["_bucket", "_count", "_sum"],
            };
            assert!(suffixes.iter().any(|s| name == format!("{current}{s}")), "{line} under {current}");
            if let Some(labels) = series.strip_prefix(name).filter(|l| !l.is_empty()) {
                let label = labels.strip_prefix('{').and_then(|l| l.strip_suffix('}')).unwrap();
                let (key, quoted) = label.split_once('=').unwrap();
                assert!(["le", "kind"].contains(&key) && quoted.starts_with('"') && quoted.ends_with('"'));
                let bound = quoted.trim_matches('"');
                assert!(
                    key != "le" || bound == "+Inf" || bound.contains('.') || bound.contains('e'),
                    "{bound}"
                );
            }
            assert!(samples.insert(series.to_owned(), value.parse().unwrap()).is_none(), "{series} twice");
        }
        histograms_rise(&kinds, &samples, body);
        samples
    }

    fn histograms_rise(kinds: &HashMap<&str, &str>, samples: &HashMap<String, f64>, body: &str) {
        for (name, _) in kinds.iter().filter(|(_, kind)| **kind == "histogram") {
            let buckets: Vec<f64> = body
                .lines()
                .filter(|l| l.starts_with(&format!("{name}_bucket")))
                .map(|l| l.rsplit_once(' ').unwrap().1.parse().unwrap())
                .collect();
            assert!(buckets.is_sorted(), "{name}: {buckets:?}");
            assert_eq!(samples[&format!("{name}_bucket{{le=\"+Inf\"}}")], samples[&format!("{name}_count")]);
        }
    }

    #[test]
    fn the_text_keeps_the_rules_of_openmetrics_and_says_what_was_counted() {
        let mut counters = Counters::new(Timestamp::UNIX_EPOCH);
        for i in 0..10 {
            counters.note(&Outcome {
                endpoint_id: 1,
                unit: Some(1),
                at: Timestamp::UNIX_EPOCH,
                result: Ok(Answered { latency: Duration::from_millis(20) }),
                lateness: Duration::from_millis(i * 100),
                missed: 2,
            });
        }
        counters.written = 7;
        let samples = parse(&render(&counters));
        let get = |name: &str| samples[&format!("tapkeeper_poller_{name}")];
        assert_eq!(get("polls_total"), 10.0);
        assert_eq!(get("polls_missed_total"), 20.0);
        assert_eq!(get("readings_written_total"), 7.0);
        assert_eq!(get("poll_lateness_seconds_bucket{le=\"0.25\"}"), 3.0);
        assert!((get("poll_lateness_seconds_sum") - 4.5).abs() < 1e-9);
        assert_eq!(get("poll_failures_total{kind=\"timeout\"}"), 0.0);
        let names: HashSet<&str> = samples.keys().map(|k| k.split('{').next().unwrap()).collect();
        assert!(names.iter().all(|n| n.starts_with("tapkeeper_poller_")));
        assert_eq!(counters.take_lateness_p99_ms(), Some(800.0));
        assert_eq!(counters.take_lateness_p99_ms(), None);
    }
}
