//! Harmonic distortion against IEEE 519, where a control reports it.
//!
//! Limits of IEEE 519-2014 and -2022: total harmonic distortion of voltage by the voltage at the point of common coupling, and
//! total demand distortion of current by short-circuit over load current. The numbers agree with several openly published
//! reproductions of tables 1 and 2; the standard itself was not at hand.
//!
//! The standard judges percentiles of short-time values over days, at the point of common coupling with a customer. A regulator
//! is another place and one reading no percentile: a value beyond a limit is a reason to measure, not a verdict.

/// Total harmonic distortion of voltage allowed at this line-to-line voltage, %: 8 up to 1 kV, 5 up to 69 kV, 2.5 up to
/// 161 kV, 1.5 above.
#[must_use]
pub fn voltage_limit_percent(line_kv: f64) -> f64 {
    match line_kv {
        v if v <= 1.0 => 8.0,
        v if v <= 69.0 => 5.0,
        v if v <= 161.0 => 2.5,
        _ => 1.5,
    }
}

/// Total demand distortion of current allowed between 120 V and 69 kV, %, by maximum short-circuit current over maximum demand
/// load current. Nothing unless that is a positive number.
#[must_use]
pub fn demand_limit_percent(short_circuit_over_load: f64) -> Option<f64> {
    Some(match short_circuit_over_load {
        ratio if ratio.is_nan() || ratio <= 0.0 => return None,
        ratio if ratio < 20.0 => 5.0,
        ratio if ratio < 50.0 => 8.0,
        ratio if ratio < 100.0 => 12.0,
        ratio if ratio < 1000.0 => 15.0,
        _ => 20.0,
    })
}

/// Total demand distortion, %, from the distortion of the present current (%, of its fundamental), that current (r.m.s., A) and
/// the maximum demand load current (fundamental, A). Nothing unless the demand is more than zero and the others not negative.
///
/// A small current may be much distorted and yet be little: distortion of current as controls report it must not be held against
/// the limits of demand distortion as it is.
#[must_use]
pub fn demand_distortion_percent(distortion_percent: f64, current_a: f64, demand_a: f64) -> Option<f64> {
    let usable = demand_a > 0.0 && current_a >= 0.0 && distortion_percent >= 0.0;
    let fundamental = current_a / (distortion_percent / 100.0).hypot(1.0);
    let percent = distortion_percent * fundamental / demand_a;
    (usable && percent.is_finite()).then_some(percent)
}

/// A distortion against its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Judgement {
    /// Nothing is reported, or too little to judge it by.
    CannotTell,
    /// At or below the limit.
    Within {
        /// The distortion, %.
        percent: f64,
        /// Its limit, %.
        limit_percent: f64,
    },
    /// Above the limit.
    Beyond {
        /// The distortion, %.
        percent: f64,
        /// Its limit, %.
        limit_percent: f64,
    },
}

impl Judgement {
    fn of(percent: Option<f64>, limit_percent: Option<f64>) -> Self {
        match (percent.filter(|p| p.is_finite() && *p >= 0.0), limit_percent) {
            (Some(percent), Some(limit_percent)) if percent > limit_percent => {
                Self::Beyond { percent, limit_percent }
            }
            (Some(percent), Some(limit_percent)) => Self::Within { percent, limit_percent },
            _ => Self::CannotTell,
        }
    }

    /// In words for people.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::CannotTell => "not reported".to_owned(),
            Self::Within { percent, limit_percent } => {
                format!("{percent:.1} %, within {limit_percent} % (IEEE 519)")
            }
            Self::Beyond { percent, limit_percent } => {
                format!("{percent:.1} %, beyond {limit_percent} % (IEEE 519): worth measuring")
            }
        }
    }
}

/// Distortion of voltage, as reported, against the limit at this line-to-line voltage.
#[must_use]
pub fn judge_voltage(distortion_percent: Option<f64>, line_kv: f64) -> Judgement {
    let limit = (line_kv > 0.0).then(|| voltage_limit_percent(line_kv));
    Judgement::of(distortion_percent, limit)
}

/// Distortion of current, as reported, made demand distortion and held against the limit.
#[must_use]
pub fn judge_current(
    distortion_percent: Option<f64>,
    current_a: Option<f64>,
    demand_a: f64,
    short_circuit_a: f64,
) -> Judgement {
    let demand_distortion = distortion_percent
        .zip(current_a)
        .and_then(|(percent, current)| demand_distortion_percent(percent, current, demand_a));
    Judgement::of(demand_distortion, demand_limit_percent(short_circuit_a / demand_a))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::check;

    #[test]
    fn voltage_limits_by_class() {
        let published = "IEEE 519-2014/2022 table 1, as openly reproduced";
        for (kv, limit) in
            [(0.48, 8.0), (1.0, 8.0), (12.47, 5.0), (69.0, 5.0), (69.1, 2.5), (161.0, 2.5), (230.0, 1.5)]
        {
            let ours = voltage_limit_percent(kv);
            check(&format!("Voltage distortion limit at {kv} kV, %"), published, limit, ours, 0.0);
        }
    }

    #[test]
    fn demand_limits_by_short_circuit_ratio() {
        let published = "IEEE 519 current distortion limits, 120 V to 69 kV, as openly reproduced";
        for (ratio, limit) in [
            (19.9, 5.0),
            (20.0, 8.0),
            (49.0, 8.0),
            (50.0, 12.0),
            (100.0, 15.0),
            (999.0, 15.0),
            (1001.0, 20.0),
        ] {
            let ours = demand_limit_percent(ratio).unwrap();
            check(&format!("Demand distortion limit at Isc/IL {ratio}, %"), published, limit, ours, 0.0);
        }
        assert_eq!(demand_limit_percent(0.0), None);
        assert_eq!(demand_limit_percent(f64::NAN), None);
    }

    /// By the definition: harmonic current over maximum demand current (arithmetic).
    #[test]
    fn a_small_distorted_current_is_little_demand_distortion() {
        // fundamental 40 A and harmonics 12 A: 30 %, 41.76 A r.m.s.; of a demand of 200 A that is 6 %
        let current = 40.0_f64.hypot(12.0);
        let ours = demand_distortion_percent(30.0, current, 200.0).unwrap();
        check(
            "Demand distortion of 12 A in 200 A, %",
            "definition of total demand distortion",
            6.0,
            ours,
            1e-9,
        );
        assert_eq!(demand_distortion_percent(30.0, current, 0.0), None);
    }

    #[test]
    fn what_is_not_reported_is_not_judged() {
        assert_eq!(judge_voltage(None, 12.47), Judgement::CannotTell);
        assert_eq!(judge_voltage(Some(f64::NAN), 12.47), Judgement::CannotTell);
        assert_eq!(judge_voltage(Some(3.0), f64::NAN), Judgement::CannotTell);
        assert_eq!(judge_current(Some(30.0), None, 200.0, 4000.0), Judgement::CannotTell);
        assert_eq!(judge_voltage(Some(5.0), 12.47).words(), "5.0 %, within 5 % (IEEE 519)");
        assert_eq!(judge_voltage(Some(5.3), 12.47).words(), "5.3 %, beyond 5 % (IEEE 519): worth measuring");
        let beyond = judge_current(Some(30.0), Some(40.0_f64.hypot(12.0)), 200.0, 3800.0);
        assert!(matches!(beyond, Judgement::Beyond { limit_percent: 5.0, .. }));
    }
}
