//! A ring: dial for voice, wait, hang up (3GPP TS 27.007, 6.2, 6.5 and 7.18). A number and a length
//! flow in; how it ended flows out. Somebody who picks up pays nothing and hears nothing: it is
//! hung up then.

use super::dialogue::ModemFault;
use super::lines::fields;
use super::number::Number;
use super::session::ModemSession;
use slackwater_rules::record::Outcome;
use std::time::Duration;
use tokio::time::{Instant, sleep};

/// Until the network has begun with it; some modems answer only when it rings.
const DIAL_LIMIT: Duration = Duration::from_secs(30);
/// From dialling to the first ring.
const SET_UP: Duration = Duration::from_secs(20);
/// Between two looks at the call.
const LOOK: Duration = Duration::from_secs(1);

/// How a ring ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum RingEnd {
    /// It rang for as long as it was to.
    Rang(Duration),
    /// Somebody picked up, after so long.
    PickedUp(Duration),
    /// The network, or the other side, ended it: in the modem's words.
    Ended(String),
}

impl RingEnd {
    /// What it means for a page.
    pub(super) fn outcome(&self) -> Outcome {
        match self {
            Self::Rang(length) => {
                Outcome::Accepted { note: format!("rang for {} s, which is no answer", length.as_secs()) }
            }
            Self::PickedUp(after) => Outcome::Accepted {
                note: format!("picked up after {} s, which is no answer, and hung up", after.as_secs()),
            },
            Self::Ended(why) => Outcome::deferred(format!("it did not ring to the end: {why}")),
        }
    }
}

/// `<stat>` of `+CLCC`: TS 27.007, 7.18.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum CallState {
    PickedUp,
    Dialling,
    Rings,
    Over,
    /// The modem does not say.
    Unknown,
}

impl CallState {
    fn read(said: &[String]) -> Self {
        let ours =
            said.iter().filter_map(|line| fields(line, "+CLCC")).find(|call| call.get(1) == Some(&"0"));
        match ours.as_ref().and_then(|call| call.get(2)).copied() {
            Some("0" | "1") => Self::PickedUp,
            Some("2") => Self::Dialling,
            Some("3") => Self::Rings,
            Some(_) => Self::Unknown,
            None => Self::Over,
        }
    }
}

impl ModemSession {
    /// Rings for so long, and hangs up whatever happened.
    pub(super) async fn ring(&mut self, to: &Number, length: Duration) -> Result<RingEnd, ModemFault> {
        let end = match self.dialogue.dial(&format!("ATD+{};", to.digits()), DIAL_LIMIT).await? {
            Some(why) => RingEnd::Ended(why),
            None => self.let_ring(length).await?,
        };
        match self.dialogue.ask("AT+CHUP").await {
            Ok(_) => {}
            Err(ModemFault::Refused(_)) => match self.dialogue.ask("ATH").await {
                Ok(_) | Err(ModemFault::Refused(_)) => {}
                Err(lost) => return Err(lost),
            },
            Err(lost) => return Err(lost),
        }
        Ok(end)
    }

    async fn let_ring(&mut self, length: Duration) -> Result<RingEnd, ModemFault> {
        let begun = Instant::now();
        let mut rings_since = None;
        loop {
            sleep(LOOK).await;
            let state = match self.dialogue.ask("AT+CLCC").await {
                Ok(said) => CallState::read(&said),
                Err(ModemFault::Refused(_)) => CallState::Unknown,
                Err(lost) => return Err(lost),
            };
            match state {
                CallState::PickedUp => return Ok(RingEnd::PickedUp(begun.elapsed())),
                CallState::Over => {
                    return Ok(RingEnd::Ended("it was refused, or the line was busy".to_owned()));
                }
                CallState::Rings => _ = rings_since.get_or_insert_with(Instant::now),
                CallState::Unknown => _ = rings_since.get_or_insert(begun),
                CallState::Dialling if begun.elapsed() > SET_UP => {
                    return Ok(RingEnd::Ended(format!("no ring within {} s", SET_UP.as_secs())));
                }
                CallState::Dialling => {}
            }
            if let Some(since) = rings_since.filter(|since| since.elapsed() >= length) {
                return Ok(RingEnd::Rang(since.elapsed()));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::CallState;

    #[test]
    fn the_state_of_our_own_call_is_read() {
        let state = |lines: &[&str]| {
            CallState::read(&lines.iter().map(|line| (*line).to_owned()).collect::<Vec<_>>())
        };
        assert_eq!(state(&["+CLCC: 1,0,2,0,0,\"+351900000012\",145"]), CallState::Dialling);
        assert_eq!(state(&["+CREG: 1", "+CLCC: 1,0,3,0,0"]), CallState::Rings);
        assert_eq!(state(&["+CLCC: 1,0,0,0,0"]), CallState::PickedUp);
        assert_eq!(state(&["+CLCC: 1,1,4,0,0"]), CallState::Over, "somebody else's call comes in");
        assert_eq!(state(&[]), CallState::Over);
    }
}
