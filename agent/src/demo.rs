//! What `slackwater demo` brings along, so that it needs nothing else.

pub mod broker;
