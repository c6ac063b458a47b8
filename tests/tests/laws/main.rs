//! Laws of the controller: what must hold whatever comes in.
//!
//! Homes of several kinds live through random hours: weather, appetites, silent and absurd meters, people's overrides,
//! other rules, a clock that jumps, islands, another instance. A driver answers the controller's commands and wakes it
//! when it asks; a witness looks at every output and knows nothing of how the controller works.
#![allow(unreachable_pub, missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod homes;
mod power;
mod remembered;
mod steps;
mod witness;
mod world;

use proptest::prelude::*;

use steps::Step;
use world::World;

fn hours() -> impl Strategy<Value = Vec<Step>> {
    proptest::collection::vec(steps::any_step(), 1..40)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, max_shrink_iters: 3000, ..ProptestConfig::default() })]

    /// The witness checks every output: see there for the laws.
    #[test]
    fn every_law_holds_in_any_home(kind in homes::any_kind(), steps in hours()) {
        World::new(&kind).live(&steps)?;
    }

    /// The same inputs give the same outputs, byte for byte.
    #[test]
    fn the_same_inputs_give_the_same_bytes(kind in homes::any_kind(), steps in hours()) {
        let (mut once, mut again) = (World::new(&kind), World::new(&kind));
        once.live(&steps)?;
        again.live(&steps)?;
        prop_assert!(!once.written.is_empty());
        prop_assert_eq!(&once.written, &again.written);
    }

    /// A restart with what was kept breaks no law either: `min_off` holds across it, and nobody forgets who took a load
    /// out of service.
    #[test]
    fn every_law_holds_across_a_restart(
        kind in homes::any_kind(), before in hours(), after in hours(), away_ms in 0..600_000_i64
    ) {
        let mut world = World::new(&kind);
        world.live(&before)?;
        world.restart(away_ms)?;
        world.live(&after)?;
    }
}
