//! The board itself: its clock, the room on its disk, the places that the watch writes to.

use super::TriedPart;
use crate::clock::Clock;
use crate::settings::Settings;
use serde_json::Value as Json;
use std::path::Path;

/// With less than this there is no room for a night's records.
const LEAST: u64 = 32 << 20;

pub(super) fn rows(settings: &Settings, running: Option<&Json>) -> Vec<TriedPart> {
    let mut rows = vec![clock(settings), disk(settings)];
    rows.extend(running.map(|_| TriedPart::ok("the watch", "runs and answers")));
    rows
}

fn clock(settings: &Settings) -> TriedPart {
    match Clock::system(settings.trust).now().wall_trusted {
        true => TriedPart::ok("clock", "trusted"),
        false => TriedPart::note(
            "clock",
            "nothing says that it is synchronised: hours and absences of people are left out of account",
            "see that a time service runs (`timedatectl`), and that the board has a network",
        ),
    }
}

/// The nearest folder that is there, of a file that may not be.
fn there(path: &Path) -> Option<&Path> {
    path.ancestors()
        .skip(1)
        .map(|folder| if folder.as_os_str().is_empty() { Path::new(".") } else { folder })
        .find(|folder| folder.exists())
}

fn disk(settings: &Settings) -> TriedPart {
    let journal = &settings.places.journal;
    let Some(folder) = there(&journal.path) else {
        return TriedPart::bad(
            "disk",
            format!("{} has no place", journal.path.display()),
            "see `path` of `[journal]`",
        );
    };
    let room = match rustix::fs::statvfs(folder) {
        Ok(room) => room.f_bavail.saturating_mul(room.f_frsize),
        Err(error) => {
            return TriedPart::bad("disk", format!("{}: {error}", folder.display()), "see the disk");
        }
    };
    let kept = std::fs::metadata(&journal.path).map_or(0, |file| file.len());
    let wanted = journal.max_size.saturating_sub(kept);
    let found = format!("{} MiB free at {}", room >> 20, folder.display());
    match room {
        room if room < LEAST => TriedPart::bad("disk", found, "make room: what happens could not be kept"),
        room if room < wanted => {
            let remedy = format!(
                "make room, or let the journal be smaller: `max-size` wants {} MiB more",
                wanted >> 20
            );
            TriedPart::note("disk", found, remedy)
        }
        _ => TriedPart::ok("disk", found),
    }
}
