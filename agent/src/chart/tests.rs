use super::*;
use jiff::tz::TimeZone;

fn at(minutes: i64) -> Wall {
    Wall(1_792_864_800_000 + minutes * 60_000)
}

fn day() -> Picture {
    let span = Stretch { from: at(-1440), to: at(480) };
    let mut picture = Picture::new("lagoon", "Lagoon, water", span);
    picture.now = Some(at(0));
    picture.limits = Some((24.0, 27.5));
    let seen: Vec<SeenPoint> = (-144..=0)
        .filter(|step| !(-60..-55).contains(step))
        .map(|step| SeenPoint::of(at(step * 10), if step > -6 { 23.5 } else { 25.0 }))
        .collect();
    let hold = Span::minutes(21);
    picture.seen = pieces(&seen, hold);
    picture.gaps = between(&picture.seen, Stretch { from: at(-1440), to: at(0) }, hold);
    picture.seen_now = true;
    picture
}

#[test]
fn no_line_crosses_what_was_not_seen() {
    let picture = day();
    assert_eq!(picture.seen.len(), 2);
    assert_eq!(picture.gaps, [Stretch { from: at(-610), to: at(-550) }]);
    let svg = strip(&picture);
    assert_eq!(svg.matches("class=\"gap\"").count(), 1);
    assert_eq!(svg.matches("class=\"ln\"").count(), 2);
    assert_eq!(svg.matches("class=\"ln ln2\"").count(), 1, "what is outside is drawn again in red");
    assert!(svg.contains("dot dotr"), "{svg}");
}

#[test]
fn a_strip_of_a_day_is_small_names_classes_only_and_is_told_in_words() {
    let mut picture = day();
    picture.said = describe(&picture, &|value| format!("{} °C", number(value)), &TimeZone::UTC);
    let svg = strip(&picture);
    assert!(svg.len() < 2_900, "{} bytes", svg.len());
    assert!(!svg.contains("style=") && !svg.contains("NaN"), "{svg}");
    assert_eq!(
        picture.said,
        "Now 23.5 °C, below its limits of 24 °C and 27.5 °C. Lowest 23.5 °C at 17:10, highest 25 °C at 18:00. \
         Outside its limits first at 17:10. Not seen from 07:50 to 08:50."
    );
}

#[test]
fn a_stale_value_has_neither_dot_nor_fan() {
    let mut picture = day();
    picture.seen_now = false;
    picture.fans = vec![vec![(at(0), 23.5, 23.5, 23.5), (at(60), 22.0, 22.5, 23.0)]];
    let svg = strip(&picture);
    assert!(!svg.contains("class=\"fan\"") && !svg.contains("<circle"), "{svg}");
    assert!(svg.contains(">not seen<"), "{svg}");
}

#[test]
fn drawings_hold_whatever_the_numbers_are() {
    let zone = TimeZone::UTC;
    for values in [vec![], vec![7.0], vec![7.0; 3], vec![0.0, 1e12, -1e12], vec![f64::MIN_POSITIVE, 0.0]] {
        let span = Stretch { from: at(0), to: at(values.len() as i64) };
        let points: Vec<SeenPoint> =
            (0..).zip(&values).map(|(nth, value)| SeenPoint::of(at(nth), *value)).collect();
        let mut picture = Picture::new("x", "<x>", span);
        picture.seen = pieces(&points, Span::minutes(2));
        picture.said = describe(&picture, &number, &zone);
        for pen in [Stroke::Line, Stroke::Steps, Stroke::Band] {
            picture.pen = pen;
            for svg in [strip(&picture), plot(&picture, &zone)] {
                assert!(!svg.contains("NaN") && !svg.contains("inf") && !svg.contains("<x>"), "{svg}");
            }
        }
        let bars: Vec<DayBar> =
            points.iter().map(|p| DayBar { at: p.at, low: p.low, high: p.high }).collect();
        let svg = days(("d", "t", "s"), span, (&bars, &[]), Some((1.0, 2.0)), &[], &zone);
        assert!(!svg.contains("NaN"), "{svg}");
    }
}

#[test]
fn nights_are_local_and_cut_to_the_stretch() {
    let zone = TimeZone::get("Europe/Lisbon").expect("a zone");
    // From 18:00 UTC on 24 October: Lisbon is an hour ahead until the clocks go back that night.
    let found = nights(Stretch { from: at(0), to: at(24 * 60) }, &zone);
    assert_eq!(found, [Stretch { from: at(180), to: at(13 * 60) }]);
}

#[test]
fn a_year_is_told_by_its_months_and_a_month_by_its_days() {
    let axis = |days: i64| days_axis(Stretch { from: at(0), to: at(days * 24 * 60) }, &TimeZone::UTC);
    let year = axis(365);
    for month in ["Jan", "Apr", "Jul", "Oct"] {
        assert!(year.contains(&format!(">{month}<")), "{year}");
    }
    assert!(!year.contains(">15<") && axis(30).contains(">15<"), "{}", axis(30));
}
