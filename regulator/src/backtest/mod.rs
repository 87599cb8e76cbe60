//! Backtest (in work).
