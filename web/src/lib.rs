//! Pages and assets: view model in, HTML out.
//!
//! A page is a struct with a template of the same name; `server` fills it. Nothing here touches the database, the
//! network or a clock.

pub mod alarm_quality;
pub mod alarms;
pub mod answer;
pub mod assets;
pub mod backtest;
pub mod board;
pub mod calculators;
pub mod causes;
pub mod conditions;
pub mod duration;
pub mod dwell;
pub mod error_page;
pub mod feeder;
pub mod flood;
pub mod frame;
pub mod handover;
pub mod maintenance;
pub mod neutral;
pub mod notes;
pub mod people;
pub mod polling;
pub mod reach;
pub mod rotas;
pub mod sign_in;
pub mod site;
pub mod study;
pub mod thresholds;
pub mod undelivered;
pub mod windows;
pub mod words;
