//! What a keeper should know of a record that belongs to no episode, call-out or work, in words.

use slackwater_rules::record::Body;

/// The note that a record leaves; none if something else tells of it.
pub(super) fn text(body: Body) -> Option<String> {
    Some(match body {
        Body::Withheld { relay, on, why, .. } => {
            let state = if on { "on" } else { "off" };
            format!("{relay} was wanted {state} and not switched: {why}")
        }
        Body::Held { relay, why, .. } => format!("{relay} stayed as it was: {why}"),
        Body::ByHand { relay, shows, why, .. } => {
            let (shown, told) = if shows { ("on", "off") } else { ("off", "on") };
            format!("{relay} showed {shown} after it was proved {told}, and was left alone: {why}")
        }
        Body::Released { relay, why, .. } => format!("{relay} was left as it stood: {why}"),
        Body::CommandKept { relay, topic, payload } => {
            let what = format!("the broker keeps the command {payload:?} for {relay} on {topic}");
            format!("{what}: a device that connects would obey it")
        }
        Body::Reloaded { changes } => {
            let what = if changes.is_empty() { "nothing differs".to_owned() } else { changes.join("; ") };
            format!("another plan took over: {what}")
        }
        Body::ClockSet { .. } => body.to_string(),
        Body::Chattering { alarm, raises, within } => {
            format!("{alarm} chatters: raised {raises} times within {within}")
        }
        Body::Ticked { call, step, done, by } => {
            let done = if done { "done" } else { "not done after all" };
            format!("{by} says of call-out {call}, {done}: {step}")
        }
        Body::HandedOn { call, by } => {
            format!("{by} had the next person called in call-out {call}")
        }
        Body::Hushed { siren, length, by } => {
            format!("{by} silenced {siren} for {length}")
        }
        Body::Settled { alarm } => format!("{alarm} has settled"),
        Body::Reset { alarm, by } => format!("{alarm} was reset by {by}"),
        Body::Refused { what, why, by } => format!("refused: {what}, from {by}: {why}"),
        Body::SilencePlanned { length, why, by } => {
            let why = if why.is_empty() { why } else { format!(": {why}") };
            format!("{} said that this site would be silent for {length}{why}", by.who)
        }
        Body::SilenceEnded { by } => format!("{} took the planned silence back", by.who),
        Body::SiteChanged { site, change, by } => format!("site {site} {change}, by {}", by.who),

        // Told by the coverage, by the work that caused it, or by its episode, call-out and drill.
        Body::Learned { .. }
        | Body::Started { .. }
        | Body::Stopped { .. }
        | Body::SightLost { .. }
        | Body::SightRegained { .. }
        | Body::FoundSight { .. }
        | Body::Unsuppressed { .. }
        | Body::CallChanged { .. }
        | Body::Stepped { .. }
        | Body::Raised { .. }
        | Body::Blipped { .. }
        | Body::Worsened { .. }
        | Body::Foretold { .. }
        | Body::LostSight { .. }
        | Body::Returned { .. }
        | Body::Acknowledged { .. }
        | Body::Marked { .. }
        | Body::CallBegan { .. }
        | Body::Joined { .. }
        | Body::Paged { .. }
        | Body::Delivered { .. }
        | Body::Skipped { .. }
        | Body::Answered { .. }
        | Body::Resumed { .. }
        | Body::CallEnded { .. }
        | Body::Switched { .. }
        | Body::Proved { .. }
        | Body::NotProved { .. }
        | Body::Shelved { .. }
        | Body::Unshelved { .. }
        | Body::TakenOut { .. }
        | Body::Suppressed { .. }
        | Body::PutBack { .. }
        | Body::WorkBegan { .. }
        | Body::WorkEnded { .. }
        | Body::Drill(_) => return None,
    })
}
