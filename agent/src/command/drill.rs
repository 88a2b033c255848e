//! `slackwater drill`: trying out whether help comes. Two of the drills are words to the running
//! agent. The outage drill runs in the agent too: here a keeper at a terminal is walked through
//! pulling the plug, tells the agent so, and sees each step as the agent sees it come.

use super::{Config, Speaker, failed, say, wrong};
use crate::control::{self, ControlReply, Request};
use crate::output::{out, outln};
use crate::settings::{Environment, Places};
use clap::Subcommand;
use slackwater_rules::engine::{Course, OperatorCommand, OutageView};
use slackwater_rules::record::Measured;
use std::io::{BufRead, Write};
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

/// Between two looks at the drill.
const LOOK: Duration = Duration::from_millis(250);

#[derive(Debug, Subcommand)]
pub(super) enum DrillVerb {
    /// Test a call-out from end to end; its pages are marked as a test.
    #[command(after_help = "Example: slackwater drill callout household")]
    Callout {
        /// The call-out's name.
        name: String,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
    /// Send a test page to everyone by every channel that a call-out uses.
    #[command(
        after_help = "Example: slackwater drill pages\nEach page has a code of its own: an answer proves its channel. `status` shows what is proved."
    )]
    Pages {
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
    /// Pull the plug on purpose, step by step, and measure what comes of it.
    #[command(
        after_help = "Example: slackwater drill outage\n         slackwater drill outage power-lost --as ines\nExit code: 0 if all came in time, 1 if not."
    )]
    Outage {
        /// The alarm; the one made from the hazard power-lost if none is named.
        alarm: Option<String>,
        #[command(flatten)]
        who: Speaker,
        #[command(flatten)]
        config: Config,
    },
}

pub(super) async fn carry_out(what: DrillVerb) -> ExitCode {
    match what {
        DrillVerb::Callout { name, who, config } => {
            say(&config, who, OperatorCommand::Drill { callout: name }).await
        }
        DrillVerb::Pages { who, config } => say(&config, who, OperatorCommand::TestPages).await,
        DrillVerb::Outage { alarm, who, config } => {
            let places = match Places::load(&config.config, &Environment::of_process()) {
                Ok(places) => places,
                Err(mistakes) => return wrong(&mistakes.to_string()),
            };
            let agent = DrillSession { socket: &places.control.socket, who: who.name() };
            match outage(&agent, alarm).await {
                Ok(steps) if steps.iter().all(Measured::good) => ExitCode::SUCCESS,
                Ok(_) => ExitCode::FAILURE,
                Err(text) => failed(&text),
            }
        }
    }
}

/// The agent, and who speaks to it.
struct DrillSession<'a> {
    socket: &'a Path,
    who: String,
}

impl DrillSession<'_> {
    async fn say(&self, say: OperatorCommand) -> Result<String, String> {
        asked(self.socket, &Request::Say { who: self.who.clone(), say }).await
    }

    /// How the drill stands.
    async fn drill(&self) -> Result<OutageView, String> {
        let status = asked(self.socket, &Request::Status { json: true }).await?;
        let status: serde_json::Value =
            serde_json::from_str(&status).map_err(|error| format!("the agent's status: {error}"))?;
        let drill = status.pointer("/status/outage").cloned().unwrap_or_default();
        let drill: Option<OutageView> =
            serde_json::from_value(drill).map_err(|error| format!("the agent's drill: {error}"))?;
        drill.ok_or_else(|| "the drill was broken off: if the plug is out, put it back".to_owned())
    }

    /// Follows the drill, and prints each step as it comes, until this is so.
    async fn follow(
        &self,
        told: &mut Vec<String>,
        until: impl Fn(&OutageView) -> bool,
    ) -> Result<OutageView, String> {
        loop {
            let drill = self.drill().await?;
            let ended = until(&drill);
            for step in &drill.steps {
                if (step.took.is_some() || ended) && !told.contains(&step.what) {
                    outln!("  {step}");
                    told.push(step.what.clone());
                }
            }
            if ended {
                return Ok(drill);
            }
            tokio::time::sleep(LOOK).await;
        }
    }
}

/// The whole drill; what came of it, or why it was broken off.
async fn outage(agent: &DrillSession<'_>, alarm: Option<String>) -> Result<Vec<Measured>, String> {
    let course = asked(agent.socket, &Request::Course { alarm }).await?;
    let course: Course =
        serde_json::from_str(&course).map_err(|error| format!("the agent's course: {error}"))?;
    out!("{}", before(&course));
    if prompt("Type yes to go on: ")?.trim() != "yes" {
        return Err("Nothing was done.".to_owned());
    }
    agent.say(OperatorCommand::BeginOutage { alarm: Some(course.alarm.clone()) }).await?;
    prompt("Pull the plug, or open the breaker, and press Enter at the same moment: ")?;
    agent.say(OperatorCommand::PlugOut).await?;
    outln!(
        "Out. Answer the page when it comes. The plug goes back when told, {} from now at the latest.",
        course.longest()
    );
    let mut told = Vec::new();
    agent.follow(&mut told, |drill| drill.over).await?;
    prompt(
        "
NOW PUT THE PLUG BACK, or close the breaker, and press Enter at the same moment: ",
    )?;
    agent.say(OperatorCommand::PlugBack).await?;
    outln!("In. Look now: do pumps and lights run again by themselves? Wait for the all-clear.");
    let OutageView { steps, .. } = agent.follow(&mut told, |drill| drill.done).await?;
    let bad = steps.iter().filter(|step| !step.good()).count();
    outln!();
    match bad {
        0 => outln!("All came in time."),
        1 => outln!("One of {} did not come in time: find out why before the night does.", steps.len()),
        n => outln!("{n} of {} did not come in time: find out why before the night does.", steps.len()),
    }
    Ok(steps)
}

async fn asked(socket: &Path, request: &Request) -> Result<String, String> {
    match control::ask(socket, request).await? {
        ControlReply { ok: true, text, .. } => Ok(text),
        ControlReply { ok: false, text, .. } => Err(text),
    }
}

/// What a keeper has to know before the plug is pulled.
fn before(course: &Course) -> String {
    let relay = match &course.relay {
        Some(relay) => format!(
            "- {relay} is to come by itself. If it does not: put the plug back, or start air by hand."
        ),
        None => "- Nothing switches itself for this alarm: have air from a battery ready.".to_owned(),
    };
    format!(
        "Outage drill: {alarm}, {place}, {site}\n\
         \n\
         Read this first.\n\
         - Dry hands, dry floor. At the breaker of that outlet, or at a plug that is dry and above the water.\n\
         \x20 Never pull a plug that stands in water or is wet: leave it, and switch the breaker off.\n\
         - All that hangs on that outlet stands without power: heaters, pumps, filters, lights.\n\
         - Never with animals that are weak or new, in heat, or in a tank that holds no hour without air.\n\
         {relay}\n\
         - Stay beside the tank. The plug goes back when told, after {longest} at the latest, and at once\n\
         \x20 if anything looks wrong.\n\
         - The pages that go out are the real ones: tell those who will get them.\n\
         \n",
        alarm = course.alarm,
        place = course.place,
        site = course.site,
        longest = course.longest(),
    )
}

/// One line from the keeper.
fn prompt(text: &str) -> Result<String, String> {
    out!("{text}");
    let mut line = String::new();
    let read = std::io::stdout().flush().and_then(|()| std::io::stdin().lock().read_line(&mut line));
    match read {
        Ok(0) => {
            Err("\nNobody is at the terminal: the drill is broken off. If the plug is out, put it back."
                .to_owned())
        }
        Ok(_) => Ok(line),
        Err(error) => Err(format!("the terminal: {error}; if the plug is out, put it back")),
    }
}
