//! One task an endpoint: when to poll, whom, and what to do when nobody answers.
