//! Tasks.
