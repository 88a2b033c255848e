//! What is told, from a site's journal to a row, and that its form is what it is said to be: by the
//! CloudEvents library of others and by the schema that the repository has.

use super::Fleet;
use slackwater_tests::agent::until;
use std::fs;
use std::path::Path;
use std::process::Command;

const READER: &str = r#"
import json, sys
from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from jsonschema import Draft202012Validator, FormatChecker
schema = json.load(open(sys.argv[1]))
Draft202012Validator.check_schema(schema)
ours = Draft202012Validator(schema, format_checker=FormatChecker())
count = 0
for line in open(sys.argv[2]):
    event = JSONFormat().read(CloudEvent, line.strip())
    assert event.get_specversion() == "1.0", line
    assert event.get_source() == "/slackwater/sites/halyard", line
    assert event.get_time() is not None, line
    assert event.get_data()["record"]["kind"] == event.get_type().rsplit(".", 1)[1], line
    ours.validate(json.loads(line))
    count += 1
print(count)
"#;

#[tokio::test(flavor = "multi_thread")]
async fn an_alarm_at_a_site_is_a_row_in_the_fleets_journal_once() {
    let Some(fleet) = Fleet::build() else { return };
    let (board, shed, mut site) = (fleet.board(), fleet.keep(), fleet.watch());
    let raised = fleet.alarm(&board, 1);
    let sql = format!(
        "SELECT site, kind, subject, record ->> 'alarm', sure, received - at < interval '1 minute', \
         event ->> 'type' FROM fleet.events_v1 WHERE number = {raised}"
    );
    let row = "halyard|raised|power-lost-1|power-lost-1|t|t|example.slackwater.record.v1.raised";
    fleet.kept("its row", &sql, |lines| lines == [row]);
    fleet.all_is_kept("ASC");
    let none = fleet.database.query("SELECT * FROM fleet.gaps_v1").expect("a view");
    assert_eq!(none, Vec::<String>::new());
    let weeks = "SELECT count(*) FROM pg_inherits WHERE inhparent = 'fleet.events'::regclass";
    assert_eq!(fleet.database.query(weeks).expect("read"), ["1"]);

    // Both start again: what was stored is known, and nothing is stored twice.
    shed.terminate();
    site.signal(rustix::process::Signal::TERM);
    site.ended(super::IN_TIME);
    let (_shed, _site) = (fleet.keep(), fleet.watch());
    fleet.alarm(&board, 2);
    fleet.all_is_kept("ASC");
    let said = || fleet.site.say(&["status"]).out.contains("events: well").then_some(());
    until("that the way is well", super::IN_TIME, said, || fleet.site.say(&["status"]).out);
    the_form_is_right(&fleet);
}

fn the_form_is_right(fleet: &Fleet) {
    if !Command::new("python3")
        .args(["-c", "import cloudevents, jsonschema"])
        .status()
        .is_ok_and(|it| it.success())
    {
        assert!(std::env::var_os("SLACKWATER_NEED_REAL").is_none_or(|value| value != "1"), "no cloudevents");
        eprintln!("SKIPPED: no cloudevents and jsonschema for python3 (.ci/requirements.txt)");
        return;
    }
    let events = fleet.database.query("SELECT event FROM fleet.events_v1").expect("read");
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("../agent/fleet/schema/event-1.json");
    fs::write(fleet.shed.path("events"), events.join("\n")).expect("written");
    let read =
        Command::new("python3").args(["-c", READER]).arg(schema).arg(fleet.shed.path("events")).output();
    let read = read.expect("it runs");
    let said = String::from_utf8_lossy(&read.stdout);
    assert_eq!(said.trim(), events.len().to_string(), "{}", String::from_utf8_lossy(&read.stderr));
}
