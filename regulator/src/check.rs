//! Checks against published numbers, told in one line each so that a table of them can be made from a test run's output.

/// Fails unless `ours` is `theirs` within `tolerance`; prints `CHECK | computation | source | their number | ours`.
#[track_caller]
pub(crate) fn check(computation: &str, source: &str, theirs: f64, ours: f64, tolerance: f64) {
    let decimals = decimals(theirs);
    println!("CHECK | {computation} | {source} | {theirs:.decimals$} | {ours:.decimals$}");
    assert!((ours - theirs).abs() <= tolerance, "{computation}: {ours} is not {theirs}");
}

/// Decimals that a number was written with, near enough.
fn decimals(value: f64) -> usize {
    format!("{value}").split_once('.').map_or(0, |(_, decimals)| decimals.len().min(6))
}
