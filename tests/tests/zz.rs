#![allow(missing_docs, clippy::unwrap_used)]
use overspill_tests::commission::recorded::*;
#[test]
fn look() {
    for points in [vec![GRID, SOLAR, HEATER, LAUNDRY, KITCHEN], vec![GRID, SOLAR], vec![GRID, HEATER, LAUNDRY]] {
        let minutes = fortnight(points.contains(&SOLAR));
        let home = home(&points, true);
        let r = judged(&home, &points, &minutes, 0, &|m| *m);
        println!("== {points:?} dark {:?} below {:?} may be good {}", r.dark, r.below_zero, r.may_be_good);
        for f in &r.findings { println!("{:?} {:?}\n   {:?}", f.point, f.held, f.proven); }
        for a in &r.answers { println!("  {a:?}"); }
        println!("{:?}", r.needs);
    }
}
