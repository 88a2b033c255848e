//! The review in rows, for a spreadsheet: RFC 4180, one row a thing that happened, all with the
//! same columns. Lengths are in seconds.

use super::{CallOutReview, Episode, PageResult, ProofSeen, Review, SensorReview, Stamp};
use slackwater_rules::record::Purpose;
use slackwater_rules::time::Span;

const HEAD: [&str; 9] = ["kind", "from", "to", "clock", "name", "who", "result", "seconds", "detail"];

/// The review in rows.
pub fn render_csv(review: &Review) -> String {
    let mut rows = Rows { text: HEAD.join(",") + "\r\n" };
    for gap in &review.coverage.gaps {
        rows.stretch("gap", &gap.from, gap.to.as_ref()).row(&gap.of, "", "", &gap.why);
    }
    review.episodes.iter().for_each(|known| rows.episode(known));
    review.call_outs.iter().for_each(|call| rows.call_out(call));
    for aside in &review.asides {
        let row = rows.stretch(aside.kind, &aside.from, aside.to.as_ref());
        row.row(&aside.of, &aside.who, "", &aside.why);
    }
    review.sensors.iter().for_each(|sensor| rows.sensor(review, sensor));
    for blips in &review.blips {
        let detail = format!("{}, the longest", blips.count);
        rows.whole(review, "blips", &blips.alarm, blips.longest, &detail);
    }
    for note in &review.notes {
        rows.point("note", &note.at).row("", "", "", &note.text);
    }
    rows.text
}

struct Rows {
    text: String,
}

/// A row that has its kind and its times.
struct CsvRow<'a> {
    rows: &'a mut Rows,
    seconds: Option<Span>,
}

impl Rows {
    fn episode(&mut self, known: &Episode) {
        let name = format!("{}: {}", known.place, known.alarm);
        let detail = format!("{}, code {}: {}", known.priority, known.code, known.because);
        let result = if known.returned.is_some() { "returned" } else { "stands" };
        let row = self.stretch("episode", &known.onset, known.returned.as_ref());
        row.lasting(Some(known.stood)).row(&name, "", result, &detail);
        for foretold in &known.foretold {
            for estimate in &foretold.estimates {
                self.point("foretold", &foretold.at).row(&name, "", "", &estimate.in_full());
            }
        }
        for worse in &known.worsened {
            self.point("worsened", &worse.at).row(&name, "", "", &worse.why);
        }
        for answer in &known.acknowledged {
            let row = self.point("acknowledged", &answer.at).lasting(answer.after);
            row.row(&name, &answer.who, "", &answer.via);
        }
        if let Some(mark) = &known.mark {
            self.point("marked", &mark.at).row(&name, &mark.who, &mark.verdict.to_string(), &mark.note);
        }
        for switching in &known.stopgaps {
            let name = format!("{} {}", switching.relay, if switching.on { "on" } else { "off" });
            let row = self.point("stopgap", &switching.at);
            match &switching.proof {
                ProofSeen::Proved { after } => {
                    row.lasting(Some(*after)).row(&name, "", "proved", &switching.why)
                }
                ProofSeen::NotProved { why } => row.row(&name, "", "not proved", why),
                ProofSeen::Unknown => row.row(&name, "", "unknown", &switching.why),
            }
        }
    }

    fn call_out(&mut self, call: &CallOutReview) {
        for page in &call.pages {
            let kind = match page.purpose {
                purpose if purpose.hushes(&page.to) => "quiet",
                Purpose::Call => "page",
                Purpose::Taken => "answered-by-other",
                Purpose::AllClear => "all-clear",
                Purpose::Digest => "digest",
                Purpose::Drill => "drill",
                Purpose::Notice => "notice",
            };
            let (result, detail) = match &page.result {
                PageResult::Accepted { note } => ("accepted", note),
                PageResult::Deferred { why } => ("deferred", why),
                PageResult::Failed { why } => ("failed", why),
                PageResult::Unknown => ("unknown", &page.headline),
            };
            let row = self.stretch(kind, &page.at, page.result_at.as_ref());
            row.row(&call.policy, &page.to, result, detail);
        }
        for skipped in &call.skipped {
            self.point("skipped", &skipped.at).row(&call.policy, &skipped.to, "", &skipped.why);
        }
        for answer in &call.answers {
            let row = self.point("answered", &answer.at).lasting(answer.after);
            row.row(&call.policy, &answer.who, "", &answer.via);
        }
        for resumed in &call.resumed {
            self.point("resumed", &resumed.at).row(&call.policy, "", "", &resumed.why);
        }
    }

    fn sensor(&mut self, review: &Review, sensor: &SensorReview) {
        let name = &sensor.sensor;
        let detail = format!("{} readings, {} rejected", sensor.readings, sensor.rejected);
        self.whole(review, "known", name, sensor.known, &detail);
        for (kind, extreme) in [("lowest", &sensor.lowest), ("highest", &sensor.highest)] {
            if let Some(extreme) = extreme {
                self.point(kind, &extreme.at).row(name, "", &extreme.value.to_string(), &extreme.shown);
            }
        }
        if let Some(outside) = &sensor.outside {
            self.whole(review, "below", name, outside.below, &outside.lower);
            self.whole(review, "above", name, outside.above, &outside.upper);
            self.whole(review, "unknown", name, outside.unknown, "");
        }
        if let Some(words) = &sensor.words {
            self.whole(
                review,
                "changes",
                name,
                sensor.known,
                &format!("{} times, last {}", words.changes, words.last),
            );
        }
    }

    /// What holds for the whole of the review.
    fn whole(&mut self, review: &Review, kind: &str, name: &str, span: Span, detail: &str) {
        let row = self.stretch(kind, &review.since, Some(&review.until));
        row.lasting(Some(span)).row(name, "", "", detail);
    }

    fn stretch(&mut self, kind: &str, from: &Stamp, to: Option<&Stamp>) -> CsvRow<'_> {
        let sure = from.clock_trusted && to.is_none_or(|to| to.clock_trusted);
        for cell in [kind, &from.at, to.map_or("", |to| &to.at), if sure { "trusted" } else { "not trusted" }]
        {
            self.cell(cell);
        }
        CsvRow { rows: self, seconds: to.and_then(|to| to.after(from)) }
    }

    fn point(&mut self, kind: &str, at: &Stamp) -> CsvRow<'_> {
        CsvRow { seconds: None, ..self.stretch(kind, at, None) }
    }

    /// A cell and the comma after it. A text that a spreadsheet would take for a formula is
    /// kept a text by a quotation mark: texts may come from outside.
    fn cell(&mut self, text: &str) {
        let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']) && text.parse::<f64>().is_err();
        let text = if formula { format!("'{text}") } else { text.to_owned() };
        match text.contains([',', '"', '\n', '\r']) {
            true => self.text.extend(["\"", &text.replace('"', "\"\""), "\","]),
            false => self.text.extend([text.as_str(), ","]),
        }
    }
}

impl CsvRow<'_> {
    fn lasting(self, span: Option<Span>) -> Self {
        Self { seconds: span, ..self }
    }

    fn row(self, name: &str, who: &str, result: &str, detail: &str) {
        let seconds = self.seconds.map_or(String::new(), |span| span.as_seconds().to_string());
        for cell in [name, who, result, &seconds, detail] {
            self.rows.cell(cell);
        }
        self.rows.text.pop();
        self.rows.text.push_str("\r\n");
    }
}
