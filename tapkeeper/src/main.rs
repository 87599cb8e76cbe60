//! The tapkeeper program: one subcommand a role.

fn main() {}
