//! `slackwater drill`: trying out whether help comes. Two of the drills are words to the running
//! agent. The outage drill walks a keeper at a terminal through pulling the plug: it asks the
//! agent what has to happen, reads from the journal when it did, prints each step as it comes,
//! and has the agent keep the result.

use super::{Config, Who, failed, say, wrong};
use crate::clock::Clock;
use crate::control::{self, Reply, Request};
use crate::journal::Log;
use crate::outage_drill::{Course, Tracker};
use crate::settings::{Environment, Places, Trust};
use clap::Subcommand;
use slackwater_rules::engine::OperatorCommand;
use slackwater_rules::record::{Measured, Seq};
use slackwater_rules::time::Moment;
use std::io::{BufRead, Write};
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

/// Between two looks into the journal.
const LOOK: Duration = Duration::from_millis(250);

#[derive(Debug, Subcommand)]
pub(super) enum DrillVerb {
    /// Test a call-out from end to end; its pages are marked as a test.
    #[command(after_help = "Example: slackwater drill callout household")]
    Callout {
        /// The call-out's name.
        name: String,
        #[command(flatten)]
        who: Who,
        #[command(flatten)]
        config: Config,
    },
    /// Send a test page to everyone by every channel that a call-out uses.
    #[command(
        after_help = "Example: slackwater drill pages\nEach page has a code of its own: an answer proves its channel. `status` shows what is proved."
    )]
    Pages {
        #[command(flatten)]
        who: Who,
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
        who: Who,
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
            match outage(&places, alarm).await {
                Ok((alarm, steps)) => {
                    let good = steps.iter().all(Measured::good);
                    // The agent's words are those of the record, told to the keeper already.
                    let kept = say(&config, who, OperatorCommand::OutageDrilled { alarm, steps }).await;
                    if good { kept } else { ExitCode::FAILURE }
                }
                Err(text) => failed(&text),
            }
        }
    }
}

/// The whole drill; what came of it, or why it was broken off.
async fn outage(places: &Places, alarm: Option<String>) -> Result<(String, Vec<Measured>), String> {
    let socket = &places.control.socket;
    let course = asked(socket, &Request::Course { alarm }).await?;
    let course: Course =
        serde_json::from_str(&course).map_err(|error| format!("the agent's course: {error}"))?;
    calm(&asked(socket, &Request::Status { json: true }).await?)?;
    let clock = Clock::system(Trust::System);
    let mut journal = DrillJournal::open(&places.journal.path)?;

    print!("{}", before(&course));
    if prompt("Type yes to go on: ")?.trim() != "yes" {
        return Err("Nothing was done.".to_owned());
    }
    // What happened while the cautions were read is not the drill's.
    journal.skip()?;
    prompt("Pull the plug, or open the breaker, and press Enter at the same moment: ")?;
    let out = clock.now().mono;
    let mut tracker = Tracker::new(course.clone(), out);
    println!(
        "Out. Answer the page when it comes. The plug goes back when told, {} from now at the latest.",
        course.longest()
    );
    watch(&clock, &mut journal, &mut tracker, out, Tracker::out).await?;

    prompt("\nNOW PUT THE PLUG BACK, or close the breaker, and press Enter at the same moment: ")?;
    let back = clock.now().mono;
    tracker.put_back(back);
    println!("In. Look now: do pumps and lights run again by themselves? Wait for the all-clear.");
    watch(&clock, &mut journal, &mut tracker, back, Tracker::in_again).await?;

    let steps: Vec<Measured> = tracker.out().into_iter().chain(tracker.in_again()).collect();
    let bad = steps.iter().filter(|step| !step.good()).count();
    println!();
    match bad {
        0 => println!("All came in time."),
        1 => println!("One of {} did not come in time: find out why before the night does.", steps.len()),
        n => println!("{n} of {} did not come in time: find out why before the night does.", steps.len()),
    }
    Ok((course.alarm, steps))
}

/// Follows the journal until all of `steps` has come, or is overdue; prints each as it comes.
async fn watch(
    clock: &Clock,
    journal: &mut DrillJournal,
    tracker: &mut Tracker,
    begun: Moment,
    steps: impl Fn(&Tracker) -> Vec<Measured>,
) -> Result<(), String> {
    let mut told: Vec<String> = Vec::new();
    loop {
        journal.follow(tracker)?;
        let now = steps(tracker);
        for step in now.iter().filter(|step| step.took.is_some()) {
            if !told.contains(&step.what) {
                println!("  {step}");
                told.push(step.what.clone());
            }
        }
        if tracker.is_over(&now, begun, clock.now().mono) {
            for step in now.iter().filter(|step| step.took.is_none()) {
                println!("  {step}");
            }
            return Ok(());
        }
        tokio::time::sleep(LOOK).await;
    }
}

/// The journal, read from where the drill began.
struct DrillJournal {
    log: Log,
    next: Seq,
}

impl DrillJournal {
    fn open(path: &Path) -> Result<Self, String> {
        Ok(Self { log: Log::open(path).map_err(|error| error.to_string())?, next: 0 })
    }

    fn read(&mut self, mut take: impl FnMut(&slackwater_rules::record::Record)) -> Result<(), String> {
        let next = &mut self.next;
        let walked = self.log.walk(*next, |record| {
            *next = record.seq + 1;
            take(&record);
            true
        });
        walked.map(drop).map_err(|error| error.to_string())
    }

    fn skip(&mut self) -> Result<(), String> {
        self.read(|_| {})
    }

    fn follow(&mut self, tracker: &mut Tracker) -> Result<(), String> {
        self.read(|record| tracker.take(record))
    }
}

async fn asked(socket: &Path, request: &Request) -> Result<String, String> {
    match control::ask(socket, request).await? {
        Reply { ok: true, text } => Ok(text),
        Reply { ok: false, text } => Err(text),
    }
}

/// No drill while something is wrong: nobody could tell the two apart.
fn calm(status: &str) -> Result<(), String> {
    let status: serde_json::Value =
        serde_json::from_str(status).map_err(|error| format!("the agent's status: {error}"))?;
    if let Some(why) = status.pointer("/health/broker/deaf").and_then(|why| why.as_str()) {
        return Err(format!("no drill now, the broker can't be heard: {why}"));
    }
    let open = status.pointer("/status/alarms").and_then(|alarms| alarms.as_array()).into_iter().flatten();
    let open: Vec<_> =
        open.filter(|alarm| alarm["code"].is_string()).filter_map(|alarm| alarm["name"].as_str()).collect();
    match open.is_empty() {
        true => Ok(()),
        false => Err(format!("no drill now, alarms are open: {}", open.join(", "))),
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
    print!("{text}");
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
