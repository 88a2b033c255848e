use super::*;
use crate::plan::Measure;
use crate::reading::{Content, Mapping};
use crate::units::Scale;
use crate::units::{Dimension, Quantity, Unit};

fn celsius() -> Scale {
    Scale { unit: Unit::named("degC").unwrap(), name: "degC".to_owned() }
}

/// A thermometer that says something every 30 s and is stale after 90 s.
fn thermometer() -> Sensor {
    Sensor {
        name: "lagoon-temp".to_owned(),
        title: String::new(),
        feed: crate::plan::Feed::Topic("room2/lagoon/temperature".to_owned()),
        mapping: Mapping::whole(Content::Number(celsius())),
        available: None,
        tank: None,
        measure: Measure { name: "temperature", dimension: Dimension::TEMPERATURE, words: false },
        scale: celsius(),
        every: Span::seconds(30),
        stale_after: Span::seconds(90),
        plausible: Some((5.0, 45.0)),
        reject: vec![85.0, -127.0],
        max_rate: Some(1.0 / 60.0),
        frozen_after: Some(Span::hours(2)),
        resolution: None,
        limits: None,
        gateway: None,
    }
}

/// One sensor with its track and the time of its last reading.
struct Bench {
    sensor: Sensor,
    track: Track,
    now: Moment,
    /// What another probe of the same water says.
    peer: Option<f64>,
}

impl Bench {
    fn new() -> Self {
        Self { sensor: thermometer(), track: Track::default(), now: Moment(0), peer: None }
    }

    /// Takes a reading 30 s after the last one.
    fn says(&mut self, value: f64) -> Judged {
        self.hears(Arrival::Live, Ok(Reading { value: Value::Number(value), measured: None }))
    }

    fn hears(&mut self, delivery: Arrival, reading: Result<Reading, BadReading>) -> Judged {
        self.now = self.now + Span::seconds(30);
        self.track.take(&self.sensor, self.now, delivery, reading, self.peer)
    }

    fn value(&self) -> Option<f64> {
        match self.track.value(&self.sensor, self.now)? {
            Value::Number(number) => Some(number),
            Value::Word(_) => None,
        }
    }

    fn quality(&self) -> Quality {
        self.track.quality(&self.sensor, self.now).0
    }

    fn words(&self, judged: &Judged) -> String {
        judged.doubt.as_ref().map(|doubt| doubt.words(&self.sensor.scale)).unwrap_or_default()
    }
}

#[test]
fn nothing_heard_is_absent() {
    let bench = Bench::new();
    assert_eq!(bench.track.quality(&bench.sensor, Moment(0)), (Quality::Absent, None));
    assert_eq!(bench.value(), None);
    assert_eq!(bench.track.heard(), None);
    assert_eq!(bench.track.stale_at(&bench.sensor, Moment(0)), None);
}

#[test]
fn a_good_reading_is_in_force_until_it_is_stale_and_says_when_that_will_be() {
    let mut bench = Bench::new();
    let judged = bench.says(25.0);
    assert_eq!((judged.quality, judged.doubt, judged.at), (Quality::Good, None, Moment(30_000)));
    assert_eq!(bench.value(), Some(25.0));

    let stale_at = bench.track.stale_at(&bench.sensor, bench.now).unwrap();
    bench.now = stale_at - Span::millis(1);
    assert_eq!((bench.value(), bench.quality()), (Some(25.0), Quality::Good));
    bench.now = stale_at;
    assert_eq!((bench.value(), bench.quality()), (None, Quality::Stale));
    assert_eq!(bench.track.stale_at(&bench.sensor, bench.now), None);
    assert_eq!(bench.track.last_good(), Some((Value::Number(25.0), Moment(30_000))));
}

#[test]
fn one_glitch_changes_nothing_and_a_stream_of_them_blinds() {
    let mut bench = Bench::new();
    bench.says(25.0);
    assert_eq!(bench.says(85.0).quality, Quality::Suspect);
    assert_eq!((bench.value(), bench.quality()), (Some(25.0), Quality::Good));
    let (_, doubt) = bench.track.quality(&bench.sensor, bench.now);
    assert_eq!(doubt, Some(&Rejection::Sentinel { value: 85.0 }));

    bench.says(85.0);
    bench.says(85.0);
    assert_eq!(bench.value(), Some(25.0));
    bench.says(85.0);
    assert_eq!((bench.value(), bench.quality()), (None, Quality::Suspect));
    assert_eq!(bench.track.heard(), Some(bench.now));
    assert_eq!(bench.track.counts(), Counts { good: 1, rejected: 4 });

    assert_eq!(bench.says(25.1).quality, Quality::Good);
    assert_eq!((bench.value(), bench.quality()), (Some(25.1), Quality::Good));
}

#[test]
fn a_sentinel_is_known_in_any_unit() {
    let mut bench = Bench::new();
    bench.sensor.reject.push(0.0);
    for (text, value) in [("185 degF", 85.0), ("-196.6 degF", -127.0), ("32 degF", 0.0)] {
        let sent = Quantity::parse(text).unwrap().base(Dimension::TEMPERATURE).unwrap();
        let judged = bench.says(sent);
        assert!(matches!(judged.doubt, Some(Rejection::Sentinel { .. })), "{text}");
        let shown = celsius().show(value);
        assert_eq!(
            bench.words(&judged),
            format!("{shown} is what the probe says when it has nothing to say")
        );
    }
    assert!(!matches!(bench.says(84.9).doubt, Some(Rejection::Sentinel { .. })));
}

#[test]
fn outside_the_plausible_range_is_suspect_and_its_ends_are_not() {
    let mut bench = Bench::new();
    let judged = bench.says(45.1);
    assert_eq!(judged.quality, Quality::Suspect);
    assert_eq!(bench.words(&judged), "45.1 degC is outside the plausible 5 degC to 45 degC");
    assert_eq!(bench.value(), None);
    assert_eq!(bench.says(45.0).quality, Quality::Good);
}

#[test]
fn a_jump_that_no_water_can_make_is_suspect() {
    let mut bench = Bench::new();
    bench.says(25.0);
    let judged = bench.says(31.0);
    assert_eq!(judged.quality, Quality::Suspect);
    assert_eq!(bench.words(&judged), "from 25 degC to 31 degC within 30 s: faster than 1 degC/min");
    assert_eq!((judged.value, bench.value()), (Some(Value::Number(31.0)), Some(25.0)));
    assert_eq!(bench.says(25.1).quality, Quality::Good);
}

/// For how many minutes a jump from 25 degC to this, repeated twice a minute, is not believed.
fn minutes_of_doubt(bench: &mut Bench, value: f64) -> f64 {
    bench.says(25.0);
    let jump = bench.now;
    while bench.says(value).quality == Quality::Suspect {
        assert!(bench.now - jump < Span::hours(2), "it is never believed");
    }
    (bench.now - jump).as_seconds() / 60.0
}

#[test]
fn a_jump_that_is_repeated_is_doubted_for_as_long_as_the_water_would_need() {
    // At 1 K a minute, of which the first minute's worth is always believed.
    for (value, minutes) in [(28.0, 2.0), (31.0, 5.0), (15.0, 9.0)] {
        assert_eq!(minutes_of_doubt(&mut Bench::new(), value), minutes, "{value}");
    }
}

#[test]
fn a_jump_is_doubted_for_half_an_hour_while_another_probe_of_the_water_denies_it() {
    let mut bench = Bench::new();
    bench.peer = Some(25.2);
    // From the first reading that jumped, half a minute after the last good one.
    assert_eq!(minutes_of_doubt(&mut bench, 31.0), 30.5);
    // A probe that came along confirms it.
    let mut bench = Bench::new();
    bench.peer = Some(30.6);
    assert_eq!(minutes_of_doubt(&mut bench, 31.0), 5.0);
}

#[test]
fn no_jump_is_doubted_for_longer_than_half_an_hour() {
    let mut bench = Bench::new();
    bench.sensor.max_rate = Some(0.01 / 60.0);
    assert_eq!(minutes_of_doubt(&mut bench, 31.0), 30.5);
}

#[test]
fn readings_that_contradict_each_other_are_never_believed() {
    let mut bench = Bench::new();
    bench.says(25.0);
    for value in [31.0, 38.0, 31.0, 38.0, 31.0, 38.0] {
        assert_eq!(bench.says(value).quality, Quality::Suspect);
    }
    assert_eq!(bench.value(), None);
}

#[test]
fn a_row_that_is_broken_begins_anew() {
    for breaker in [85.0, 25.1] {
        let mut bench = Bench::new();
        bench.says(25.0);
        bench.says(35.0);
        bench.says(35.0);
        bench.says(breaker);
        assert_eq!(bench.says(35.0).quality, Quality::Suspect);
    }
    let mut bench = Bench::new();
    bench.says(25.0);
    bench.says(35.0);
    bench.says(35.0);
    bench.hears(Arrival::Live, Err(BadReading::Empty));
    assert_eq!(bench.says(35.0).quality, Quality::Suspect);
}

#[test]
fn noise_and_coarse_steps_are_no_rate() {
    let mut bench = Bench::new();
    for step in 0..1_000 {
        bench.now = bench.now - Span::seconds(29);
        let value = 25.0 + [0.0, 0.5, -0.5, 0.0625][step % 4];
        assert_eq!(bench.says(value).quality, Quality::Good);
    }
}

#[test]
fn many_small_jumps_do_not_add_up_to_an_impossible_rate() {
    let mut bench = Bench::new();
    let mut believed = 0;
    for second in 0..10 {
        bench.now = bench.now - Span::seconds(29);
        if bench.says(25.0 + 0.9 * f64::from(second)).quality == Quality::Good {
            believed += 1;
        }
    }
    // 0.9 K a second is 54 times the limit: the second is as far as the first minute's worth goes.
    assert_eq!(believed, 2);
    assert_eq!(bench.value(), Some(25.9));
}

#[test]
fn a_change_at_the_limit_is_believed_for_as_long_as_it_lasts() {
    let mut bench = Bench::new();
    for half_minute in 0..30 {
        assert_eq!(bench.says(25.0 + 0.5 * f64::from(half_minute)).quality, Quality::Good);
    }
}

#[test]
fn after_a_silence_the_water_may_have_come_far() {
    let mut bench = Bench::new();
    bench.says(25.0);
    bench.now = bench.now + Span::hours(1);
    assert_eq!(bench.says(18.0).quality, Quality::Good);
}

#[test]
fn a_value_that_never_moves_is_withdrawn_until_it_moves() {
    let mut bench = Bench::new();
    let first = bench.says(25.0).at;
    while bench.now < first + Span::hours(2) - Span::seconds(30) {
        assert_eq!(bench.says(25.0).quality, Quality::Good);
    }
    let judged = bench.says(25.0);
    assert_eq!(judged.quality, Quality::Suspect);
    assert_eq!(bench.words(&judged), "at exactly 25 degC for 2 h, and after 2 h that counts as stuck");
    assert_eq!((bench.value(), bench.quality()), (None, Quality::Suspect));
    assert_eq!(bench.track.stale_at(&bench.sensor, bench.now), None);
    assert_eq!(bench.track.last_good(), Some((Value::Number(25.0), bench.now - Span::seconds(30))));

    bench.says(85.0);
    assert_eq!(bench.value(), None);
    bench.now = bench.now + Span::hours(1);
    bench.says(25.0);
    assert_eq!(bench.value(), None);
    assert_eq!(bench.says(25.0625).quality, Quality::Good);
    assert_eq!((bench.value(), bench.quality()), (Some(25.0625), Quality::Good));
}

#[test]
fn a_silence_does_not_count_as_unmoved() {
    let mut bench = Bench::new();
    bench.says(25.0);
    bench.now = bench.now + Span::hours(3);
    assert_eq!(bench.says(25.0).quality, Quality::Good);
}

#[test]
fn retained_and_backlog_are_old_never_in_force_and_never_heard() {
    let mut bench = Bench::new();
    let reading = || Ok(Reading { value: Value::Number(25.0), measured: None });
    assert_eq!(bench.hears(Arrival::Retained, reading()).quality, Quality::Old);
    assert_eq!(bench.track.quality(&bench.sensor, bench.now), (Quality::Old, Some(&Rejection::Retained)));
    assert_eq!((bench.value(), bench.track.heard()), (None, None));
    assert_eq!(bench.track.counts(), Counts::default());

    bench.says(25.5);
    let judged = bench.hears(Arrival::Backlog, reading());
    assert_eq!((judged.quality, judged.value), (Quality::Old, Some(Value::Number(25.0))));
    assert_eq!((bench.value(), bench.quality()), (Some(25.5), Quality::Good));
    assert_eq!(bench.track.heard(), Some(bench.now - Span::seconds(30)));
    assert_eq!(bench.track.quality(&bench.sensor, bench.now).1, None);
}

#[test]
fn a_live_message_with_an_old_reading_is_heard_but_not_in_force() {
    let mut bench = Bench::new();
    let measured = |seconds| {
        Ok(Reading { value: Value::Number(25.0), measured: Some(Moment(0) + Span::seconds(seconds)) })
    };
    bench.now = Moment(0) + Span::minutes(10);
    let judged = bench.hears(Arrival::Live, measured(330));
    assert_eq!(bench.words(&judged), "measured 5 min ago, longer than 1 min 30 s");
    assert_eq!((judged.quality, bench.quality(), bench.value()), (Quality::Late, Quality::Old, None));
    assert_eq!(bench.track.heard(), Some(bench.now));

    // Age counts from the measurement, not from the arrival.
    assert_eq!(bench.hears(Arrival::Live, measured(640)).quality, Quality::Good);
    assert_eq!(bench.track.stale_at(&bench.sensor, bench.now), Some(Moment(730_001)));

    let judged = bench.hears(Arrival::Live, measured(630));
    assert_eq!(bench.words(&judged), "measured 10 s before the reading in force");
    assert_eq!((judged.quality, bench.quality()), (Quality::Late, Quality::Good));
}

#[test]
fn what_cannot_be_read_is_suspect_and_says_what_was_sent() {
    let mut bench = Bench::new();
    let judged = bench.hears(Arrival::Live, Err(BadReading::NotANumber("oops".to_owned())));
    assert_eq!((judged.quality, judged.value), (Quality::Suspect, None));
    assert_eq!(bench.words(&judged), "`oops` is not a number");
    assert_eq!((bench.quality(), bench.track.heard()), (Quality::Suspect, Some(bench.now)));
}

#[test]
fn words_are_judged_by_time_alone() {
    let mut bench = Bench::new();
    let word = |place| Ok(Reading { value: Value::Word(place), measured: None });
    assert_eq!(bench.hears(Arrival::Live, word(0)).quality, Quality::Good);
    assert_eq!(bench.hears(Arrival::Live, word(1)).quality, Quality::Good);
    assert_eq!(bench.track.value(&bench.sensor, bench.now), Some(Value::Word(1)));
}

#[test]
fn a_probe_that_gives_up_its_jump_is_believed_at_once() {
    let mut bench = Bench::new();
    bench.says(25.1);
    bench.peer = Some(25.0);
    for _ in 0..50 {
        bench.says(12.0);
    }
    assert_eq!(bench.value(), None);
    bench.says(25.2);
    assert_eq!(bench.value(), Some(25.2));
}

#[test]
fn what_was_said_before_in_another_unit_is_not_believed_and_no_other_fall_is_taken_for_that() {
    let unit = |name: &str| Scale { unit: Unit::named(name).unwrap(), name: name.to_owned() };
    // Declared, set to instead, and what it said before and says now, as numbers of the payload.
    let settings = [
        ("degC", "degF", 25.4, 77.9),
        ("degF", "degC", 78.1, 25.6),
        ("L/h", "US gal/h", 4_000.0, 1_060.0),
        ("L/h", "L/min", 4_000.0, 66.0),
        ("W", "kW", 300.0, 0.302),
        ("cm", "in", 31.0, 12.1),
    ];
    for (declared, other, before, now) in settings {
        let scale = unit(declared);
        let mut bench = Bench::new();
        bench.sensor.mapping = Mapping::whole(Content::Number(scale.clone()));
        bench.sensor.measure.dimension = scale.unit.dimension;
        let number = |said| scale.unit.to_base(said);
        (bench.sensor.max_rate, bench.sensor.plausible, bench.sensor.frozen_after) = (None, None, None);
        bench.sensor.scale = scale.clone();
        bench.says(number(before));
        for _ in 0..20 {
            let judged = bench.says(number(now));
            assert_eq!(judged.quality, Quality::Suspect, "{declared} {other}");
            let words = judged.doubt.expect("why").words(&bench.sensor.scale);
            assert!(words.ends_with(&format!("as if it were set to {other} now")), "{words}");
        }
        assert_eq!(bench.says(number(before * 1.01)).quality, Quality::Good, "{declared}: it is set back");
        // Whatever falls to a half, to nothing or by a tenth says so at once.
        for part in [0.5, 0.0, 0.9] {
            bench.says(number(before));
            assert_eq!(bench.says(number(before * part)).quality, Quality::Good, "{declared} to {part}");
            bench.says(number(before * 0.7));
        }
    }
}

#[test]
fn a_jump_that_could_be_a_unit_is_believed_when_it_has_lasted_unless_another_probe_contradicts() {
    for (peer, believed) in [(None, true), (Some(25.2), false)] {
        let mut bench = Bench::new();
        (bench.sensor.max_rate, bench.sensor.plausible, bench.peer) = (None, None, peer);
        bench.says(25.4);
        let last = (0..62).map(|_| bench.says(77.8)).last().expect("said");
        assert_eq!(last.quality == Quality::Good, believed, "{peer:?}");
    }
}

/// A battery sensor sleeps between its reports, and says so: that is no fault.
#[test]
fn who_says_to_be_away_is_believed_for_one_interval_and_absent_after_it() {
    let mut bench = Bench::new();
    bench.says(25.0);
    bench.track.on_presence(false, bench.now);
    let at = |bench: &Bench, seconds: i64| {
        let at = bench.now + Span::seconds(seconds);
        (bench.track.value(&bench.sensor, at).is_some(), bench.track.quality(&bench.sensor, at).0)
    };
    assert_eq!(at(&bench, 44), (true, Quality::Good));
    assert_eq!(at(&bench, 46), (false, Quality::Absent));
    assert_eq!(bench.track.stale_at(&bench.sensor, bench.now), Some(bench.now + Span::millis(45_001)));
    bench.says(25.1);
    assert_eq!(at(&bench, 30), (true, Quality::Good), "it woke in its time");
    bench.track.on_presence(true, bench.now);
    assert_eq!(at(&bench, 80), (true, Quality::Good), "it is there: three reports may be lost");
}
