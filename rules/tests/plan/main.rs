//! The rule file from outside: right files become plans, wrong ones say all that is wrong.

mod good;
mod site;
