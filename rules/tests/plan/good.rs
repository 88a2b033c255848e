//! What a right rule file comes to.

use crate::site::{HALYARD, check};

#[test]
fn a_rule_file_that_uses_everything_becomes_a_plan_without_a_finding() {
    let checked = check(HALYARD);
    assert_eq!(checked.report, "");
    let plan = checked.plan.expect("no findings, so a plan");
    assert_eq!(plan.site, "Halyard House");
}
