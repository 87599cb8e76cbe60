//! Whole-system tests: independent peers, failure drills, benches.
