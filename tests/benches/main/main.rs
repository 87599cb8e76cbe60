//! `make bench`: ratios taken side by side in one run, printed as tables.
//!
//! Run one alone with `cargo bench -p system-tests -- writing` (polling, outstations, writing, alarm, burst, alarm_list, pages). Absolute times are this machine's;
//! ratios are what the project promises, and each table says which.

mod alarm;
mod alarm_list;
mod burst;
mod fleet;
mod outstation_parts;
mod outstations;
mod pages;
mod parts;
mod polling;
mod process;
mod report;
mod writing;

use anyhow::Result;

fn main() -> Result<()> {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    if wanted.first().is_some_and(|w| w == "part") {
        return parts::run(&wanted[1..]);
    }
    let runs = |name: &str| wanted.is_empty() || wanted.iter().any(|w| w == name);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    runtime.block_on(async {
        if runs("polling") {
            polling::run().await?;
        }
        if runs("outstations") {
            outstations::run().await?;
        }
        if runs("writing") {
            writing::run().await?;
        }
        if runs("alarm") {
            alarm::run().await?;
        }
        if runs("burst") {
            burst::run().await?;
        }
        if runs("alarm_list") {
            alarm_list::run().await?;
        }
        if runs("pages") {
            pages::run().await?;
        }
        Ok(())
    })
}
