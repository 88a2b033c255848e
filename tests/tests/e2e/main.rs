//! From a sensor's message to a person's answer to the log: the real program on a real mosquitto
//! with TLS, passwords and the shipped rights, on a mail server with STARTTLS and a login, and on
//! a push gateway over HTTPS. Where mosquitto is missing these tests say so and look at nothing.

mod answering;
mod rights;

/// The program.
const SLACKWATER: &str = env!("CARGO_BIN_EXE_slackwater-under-test");

/// The house with everything in it; nothing where there is no real broker.
async fn house() -> Option<slackwater_tests::halyard::House> {
    if !slackwater_tests::mosquitto::available() {
        return None;
    }
    Some(slackwater_tests::halyard::House::build(SLACKWATER).await.expect("the house can be set up"))
}
