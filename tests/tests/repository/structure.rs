//! How the code is laid out stays as good as it is. The limits are today's figures: only ever
//! smaller.

use super::root;
use slackwater_tests::structure::measure;

#[test]
fn the_layout_of_the_code_gets_no_worse() {
    let now = measure(&root()).expect("the source can be read");
    // No two files of the engine change something through each other.
    assert!(now.changing_knot.len() <= 1 && now.changing_pairs.is_empty(), "{now}");
    assert!(now.engine_methods < 40, "{now}");
    assert!(now.longest_in_engine.0 < 80, "{now}");
    assert!(now.long_files.is_empty(), "{now}");
    assert!(now.shared_names.len() <= 9, "{now}");
    assert!(now.walk < 25 && now.walk_gone.is_empty(), "{now}");
}
