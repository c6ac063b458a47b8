//! Laws of the picture.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::cascade::{Does, cascade};

fn any_steps() -> impl Strategy<Value = Vec<Does>> {
    let gives = prop::collection::vec(prop::option::of(0.0..9000.0_f64), 0..3);
    let takes = prop::collection::vec(prop::option::of(0.0..7000.0_f64), 1..13);
    (gives, takes).prop_map(|(gives, takes)| {
        gives.into_iter().map(Does::Gives).chain(takes.into_iter().map(Does::Takes)).collect()
    })
}

proptest! {
    #[test]
    fn what_comes_in_is_what_is_taken_and_what_leaves(steps in any_steps()) {
        let drawn = cascade(&steps);
        let comes = drawn.comes().map_or(0.0, |r| r.watts());
        let leaves = drawn.leaves().map_or(0.0, |r| r.watts());
        prop_assert!((drawn.edge_w + comes - drawn.taken_w - leaves).abs() < 1e-6);
        prop_assert!(drawn.full_w >= drawn.edge_w.max(drawn.taken_w));
    }

    #[test]
    fn each_step_begins_where_the_one_before_ended(steps in any_steps()) {
        let drawn = cascade(&steps);
        let takes = steps.iter().zip(&drawn.stages).filter(|(does, _)| matches!(does, Does::Takes(_)));
        let mut at = 0.0;
        for own in takes.filter_map(|(_, stage)| stage.own) {
            prop_assert_eq!(own.from, at);
            at = own.to;
        }
    }

    #[test]
    fn what_falls_past_a_step_is_what_the_steps_below_get(steps in any_steps()) {
        let drawn = cascade(&steps);
        for (does, stage) in steps.iter().zip(&drawn.stages) {
            if let (Does::Takes(_), Some(past)) = (does, stage.past) {
                prop_assert!((past.to - drawn.edge_w).abs() < 1e-9);
            }
        }
    }
}
