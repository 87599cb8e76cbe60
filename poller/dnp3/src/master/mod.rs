//! A master that reads (clause 13 and annex F of the standard's guidance, as far as monitoring goes).
//!
//! A [`Channel`] is one connection with the outstations behind it. It is told what came in and what time it is; it says what to send,
//! when to look again, and tells its [`Host`] what arrived. One request is under way at a time; each outstation has its own
//! schedule ([`Association`]'s), and those which are silent are left alone longer and longer, so that they do not take the others' time.
//!
//! **What it can send is a [`Request`]**: to read, to keep house, and nothing else. Confirmations go out only when the host says that what
//! came is safe ([`Channel::stored`]).

mod association;
mod budget;
mod channel;
mod config;
mod flight;
mod host;
mod receiving;
mod request;
mod schedule;
#[cfg(test)]
mod tests;
mod timing;
mod unsolicited;

pub use association::Association;
pub use channel::Channel;
pub use config::{AssociationConfig, ChannelConfig, EventPoll, TimeSync};
pub use host::{Arrived, Failure, Host, Note, Pace, Receipt, Token};
pub use request::Request;
pub use schedule::Task;

pub use crate::now::Now;
pub use crate::objects::Classes;
