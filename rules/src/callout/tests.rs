//! The call-out held against its promises: the table row by row, and each promise as
//! a scene with exact counts of who is told.

mod night;

mod answers;
mod climbs;
mod endless;
mod joins;
mod quiet_and_mass;
mod restarts;
mod table;
