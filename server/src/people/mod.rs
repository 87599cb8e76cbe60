//! People: who they are, what they may do, how they sign in.
//!
//! A page takes [`SignedIn`] as an argument, which sends anyone else to the sign-in page, and asks it for what it needs:
//! `signed_in.require(Role::Engineer)?`. Managing people is in [`admin`].

pub mod admin;
pub(crate) mod cookie;
mod limit;
pub mod link;
mod password;
mod role;
pub mod session;
mod signed_in;
mod token;

pub(crate) use limit::Limiter;
pub(crate) use password::{PasswordError, Passwords};
pub use role::{Role, UnknownRole};
pub(crate) use signed_in::Identity;
pub use signed_in::SignedIn;
pub use token::Token;
pub(crate) use token::digest;

/// What signing in needs beside the database; one a server.
#[derive(Debug, Default)]
pub struct Gate {
    pub(crate) passwords: Passwords,
    pub(crate) limiter: Limiter,
    pub(crate) recent: signed_in::Recent,
}
