use super::feed::ModelFeed;
use crate::engine::rig::{TestRig, kinds};
use crate::ids::TankId;
use crate::record::Body;
use crate::time::Span;

#[test]
fn a_model_that_has_learned_nothing_is_not_put_down() {
    let mut rig = TestRig::new();
    let mut next = rig.next();
    let (ground, parts) = rig.split();
    parts.forecasts.on_stop(&ground, &mut next);
    assert!(next.records.is_empty(), "{:?}", kinds(&next));
}

#[test]
fn what_was_never_told_is_not_lost_and_a_change_is_noticed_once() {
    let mut rig = TestRig::new();
    let now = rig.now.mono;
    let (_, parts) = rig.split();
    let pumps = (TankId(0), ModelFeed::Pumps);
    assert!(!parts.forecasts.on_level(pumps, None, false, now));
    assert!(parts.forecasts.on_level(pumps, Some(0.0), false, now), "they stand still");
    assert!(!parts.forecasts.on_level(pumps, Some(0.0), false, now + Span::seconds(1)));
    assert!(parts.forecasts.on_level(pumps, Some(1.0), false, now + Span::seconds(2)), "they run again");
}

#[test]
fn numbers_of_another_plan_or_of_nothing_change_nothing() {
    let mut rig = TestRig::new();
    let learned =
        |tank: &str| Body::Learned { tank: tank.to_owned(), numbers: vec![1.0], oxygen: Vec::new() };
    rig.tell(learned("pond"));
    rig.tell(learned("lagoon"));
    assert_eq!(rig.parts.forecasts.rests_on().count(), 0, "what can't be recalled is rested on by nothing");
}
