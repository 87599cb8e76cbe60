//! Rotas and their calendar against independent libraries.
//!
//! `tests/peers/rota.py` (run from `.venv`, see `make peers`) works out with `dateutil` what our rotas say from 2020 to 2030 in five time zones, and reads our
//! feeds with `icalendar`. Both use the time zone database, in a copy of their own.

#![expect(clippy::unwrap_used, reason = "what fails here fails the test")]

mod examples;
mod feeds;
mod peer;
mod rotas;
