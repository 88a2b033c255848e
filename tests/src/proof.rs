//! The proof: Halyard House with real servers and the real program, in which faults strike singly
//! and in pairs while the watch is killed at any instant and started again. What arrived is held
//! against an oracle that knows the manual's page on call-outs and no code of the engine. A seed
//! says a round again. The matrix, which tries each fault alone and slowly, plays in the same
//! house.

pub mod arrivals;
pub mod audit;
pub mod chronicle;
pub mod danger;
pub mod fault;
pub mod flat;
pub mod lag;
pub mod month;
pub mod oracle;
pub mod place;
pub mod random;
pub mod round;
mod rounds;
pub mod script;
mod slow_disk;
pub mod steady;
mod striking;
pub mod watch;

pub use rounds::{Extent, Sum, run};
