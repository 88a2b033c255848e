use super::keep_units;

#[test]
fn a_unit_stays_with_its_number_and_markup_is_left_alone() {
    assert_eq!(keep_units("<p>24.4 °C for 5 min, 3 hats</p>"), "<p>24.4\u{a0}°C for 5\u{a0}min, 3 hats</p>");
    assert_eq!(keep_units("<b>0</b> L/h"), "<b>0</b>\u{a0}L/h");
    let path = "<path d=\"M1 5h2\" x=\"3 h\"/> 12 handles";
    assert_eq!(keep_units(path), path);
}

#[test]
fn the_sheet_of_a_report_is_small_and_fetches_nothing() {
    let sheet = super::sheet();
    assert!(sheet.len() < 14_000, "{} bytes", sheet.len());
    for sign in ["url(http", "@import", "src:"] {
        assert!(!sheet.contains(sign), "{sign}");
    }
    assert_eq!(sheet.matches('{').count(), sheet.matches('}').count());
}
