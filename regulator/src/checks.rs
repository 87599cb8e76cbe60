//! Checks against published numbers, told in lines from which a table can be made.

/// Holds `ours` to the published number within `tolerance`, and prints one line:
/// `CHECK | computation | source | their number | ours`. Say in `source` when the number is from memory, common practice or
/// plain arithmetic.
#[track_caller]
pub(crate) fn check(computation: &str, source: &str, theirs: f64, ours: f64, tolerance: f64) {
    assert!((ours - theirs).abs() <= tolerance, "{computation}: {ours} is not {theirs} ({source})");
    println!("CHECK | {computation} | {source} | {theirs} | {}", shown(ours, tolerance));
}

/// A number with the digits that its tolerance makes meaningful, and one more.
fn shown(value: f64, tolerance: f64) -> String {
    let digits = if tolerance > 0.0 { (1.0 - tolerance.log10().floor()).clamp(0.0, 9.0) } else { 6.0 };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
    let digits = digits as usize;
    format!("{value:.digits$}")
}

#[test]
#[should_panic(expected = "0.5 is not 0.6")]
fn a_number_that_differs_is_refused() {
    check("half", "arithmetic", 0.6, 0.5, 0.01);
}
