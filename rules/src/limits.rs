//! Every bound, with its reason. A number that limits something stands here and nowhere else.

use crate::time::Span;

/// A decision is taken at least this often, so that waits and clock windows are noticed.
pub const DECIDE_EVERY: Span = Span::seconds(10);

/// A device's own time counts only this near to the arrival; a device clock further off is wrong.
pub const DEVICE_TIME_WITHIN: Span = Span::minutes(5);

/// `stale_after` must allow two missed readings and a late third.
pub const STALE_INTERVALS: f64 = 2.5;

/// How far a set-point of a modulated load is rounded down, in watts.
pub const MODULATED_GRAIN_W: f64 = 10.0;

/// A modulated load moves up in steps of at least this, in watts, so that noise does not move it.
pub const MODULATED_RAISE_W: f64 = 50.0;

/// A modulated load is raised so far that this much spare power is left, in watts: the house's small movements would
/// else be bought half of the time.
pub const MODULATED_MARGIN_W: f64 = 25.0;

/// While the roof's power falls, it is taken to go on falling for this share of the time to the next reading. More buys
/// less under broken cloud and catches less; on the bench this is where both are better than without.
pub const FADING_INTERVALS: f64 = 0.25;

/// A raise of a charge point needs room for the new value and this share of a step more.
pub const RAISE_MARGIN_STEPS: f64 = 0.25;

/// A raise of a charge point needs at least this many readings with room.
pub const RAISE_READINGS: u32 = 2;

/// Steps smaller than this, in watts, are not told apart from the house's own movements.
pub const TELLING_STEP_W: f64 = 500.0;

/// A load that draws less than this, in watts, draws nothing.
pub const NOTHING_W: f64 = 100.0;

/// A load switched off is seen to be off below this, in watts.
pub const OFF_DRAW_W: f64 = 50.0;

/// A metered load moved as told when its own meter moved by this share of the step.
pub const MOVED_SHARE: f64 = 0.8;

/// The reading answered a step when it moved by this share of it.
pub const ANSWERED_SHARE: f64 = 0.5;

/// A metered load that moved while the reading moved by less than this share contradicts.
pub const UNANSWERED_SHARE: f64 = 0.25;

/// A step is judged no sooner than `settle` and this much: kettles come and go meanwhile.
pub const JUDGE_DELAY: Span = Span::seconds(30);

/// An anchor for judging small steps is given up after this long.
pub const JUDGE_EXPIRES: Span = Span::minutes(5);

/// So many contradictions in a row stop a load.
pub const CONTRADICTIONS_STOP: u32 = 4;

/// If so many of them were opposite, all taking of spare power stops: the clamp is reversed.
pub const OPPOSITES_STOP: u32 = 2;

/// An unmetered load that did not follow a raise is raised again after this long, doubling to [`TRY_AGAIN_AT_MOST`].
pub const RAISE_AGAIN_AFTER: Span = Span::seconds(60);

/// So many unanswered sums in a row mean that an unmetered load takes nothing.
pub const UNANSWERED_STOP: u32 = 2;

/// How much later than declared a grid reading can be found to be, in whole seconds: a longer delay is not a meter's.
pub const LATENESS_AT_MOST_S: usize = 30;

/// Readings are compared this far apart, so that a load's meter that reports every other second does not blur it.
pub const LATENESS_SAMPLES: Span = Span::seconds(5);

/// What was seen is kept by this share from sample to sample: a quarter of an hour or so counts.
pub const LATENESS_KEEPS: f64 = 0.99;

/// Loads must have moved by so much, in watts, before a lateness is believed: four telling steps.
pub const LATENESS_TELLING_W: f64 = 2000.0;

/// A lateness is believed when it explains this share of what the loads moved better than the one before.
pub const LATENESS_GAINS: f64 = 0.5;

/// Of lateness values that explain what was seen as well but for this share, the least is taken.
pub const LATENESS_EQUALLY: f64 = 0.1;

/// A grid reading that is later than declared by so much is worth a notice.
pub const LATENESS_NOTICE: Span = Span::seconds(3);

/// A load that takes nothing for `settle` and this long passes its share on.
pub const TAKES_NOTHING_AFTER: Span = Span::seconds(60);

/// A load that took nothing is tried again after this long, doubling.
pub const TRY_AGAIN_AFTER: Span = Span::minutes(10);

/// The longest time between two tries.
pub const TRY_AGAIN_AT_MOST: Span = Span::minutes(60);

/// Bounds of the learnt ratio of drawn to commanded watts; outside them the home file is wrong.
pub const RATIO_MIN: f64 = 0.7;
/// See [`RATIO_MIN`].
pub const RATIO_MAX: f64 = 4.0;

/// A load that answered with less than this share teaches nothing: it is full or limits itself.
pub const RATIO_TEACHES: f64 = 0.5;

/// Two starts teach an unmetered load's ratio when they agree this well.
pub const RATIO_AGREES: f64 = 0.2;

/// A learnt ratio outside this range is worth a notice.
pub const RATIO_NOTICE: (f64, f64) = (0.8, 1.4);

/// Ratings are kept to this share.
pub const RATING_SHARE: f64 = 0.9;

/// After a cut for a rating, raising needs headroom for this long.
pub const HEADROOM_FOR: Span = Span::seconds(60);

/// Energy bought below the floor stops a load when it reaches this share of `stop_after` times the floor.
pub const BOUGHT_SHARE: f64 = 0.5;

/// So many failures in a row suspend a rule.
pub const FAILURES_SUSPEND: u32 = 3;

/// How long an override lasts unless it says.
pub const OVERRIDE_DEFAULT: Span = Span::hours(2);

/// The longest override. An "on" always ends.
pub const OVERRIDE_LONGEST: Span = Span::hours(24);

/// So many override ids are remembered to refuse a repeated one.
pub const OVERRIDE_IDS: usize = 256;

/// The longest that a changed setting may say to last before it returns to its default: a year away.
pub const SETTING_LONGEST: Span = Span::hours(24 * 366);

/// Settings of one home.
pub const SETTINGS: usize = 64;

/// Shadow rule sets of one home: each costs as much as the live rules, and a small computer runs them beside its control.
pub const SHADOWS: usize = 8;

/// What a rule may remember, in bytes of JSON.
pub const MEMORY_BYTES: usize = 16 * 1024;

/// Operations that one evaluation of a rule may take; ten lines take about a hundred.
pub const RULE_OPERATIONS: u64 = 100_000;

/// Levels of calls in a rule.
pub const RULE_CALL_DEPTH: usize = 32;

/// Depth of one expression of a rule.
pub const RULE_EXPRESSION_DEPTH: usize = 64;

/// Characters of one text in a rule.
pub const RULE_STRING: usize = 4096;

/// Items of one array in a rule.
pub const RULE_ARRAY: usize = 1024;

/// Entries of one map in a rule.
pub const RULE_MAP: usize = 256;

/// Variables alive at once in a rule.
pub const RULE_VARIABLES: usize = 256;

/// Functions that one rule file may define.
pub const RULE_FUNCTIONS: usize = 64;

/// Files that one rule may import.
pub const RULE_MODULES: usize = 16;

/// Bytes of one rule file.
pub const RULE_FILE_BYTES: usize = 64 * 1024;

/// Waits of `sustained` that one rule may have.
pub const SUSTAINED_NAMES: usize = 64;

/// A wait of `sustained` starts afresh when the rule did not look for this long: a rule is evaluated at least every
/// [`DECIDE_EVERY`], so two evaluations passed without it.
pub const SUSTAINED_LOOK: Span = Span::seconds(30);

/// Rolling values that one rule may keep.
pub const ROLLING_NAMES: usize = 16;

/// Parts into which the window of a rolling value is divided; values older than the window leave by parts.
pub const ROLLING_PARTS: usize = 60;

/// The shortest window of a rolling value: less is one reading or two.
pub const ROLLING_SHORTEST: Span = Span::seconds(10);
/// The longest window of a rolling value; for days there is the log of energy.
pub const ROLLING_LONGEST: Span = Span::hours(24);

/// Things that one rule may tell people at once.
pub const TELLS_AT_ONCE: usize = 4;

/// A rule that says the same again, having said something else or nothing in between, is heard again only after this.
pub const TELL_AGAIN: Span = Span::hours(1);

/// Notices of one rule in [`TELL_AGAIN`]; a rule that puts a changing number into its words would flood people.
pub const TELLS_AN_HOUR: usize = 6;

/// A need is planned to be met so long before its deadline: a start waits for `min_off`, a car for its charge point.
pub const NEED_RESERVE: Span = Span::minutes(15);

/// So long after a start at full power a load's draw shows what it takes.
pub const NEED_LOOK_AFTER: Span = Span::minutes(3);

/// So long before the latest start it is told that nothing is plugged in.
pub const NEED_WARN_BEFORE: Span = Span::hours(1);

/// The most that one need may ask for, in kilowatt-hours: more than any car takes.
pub const NEED_KWH_AT_MOST: f64 = 200.0;

/// Prices that are kept of each list: three weeks of half hours, ten days of quarter hours.
pub const PRICES: usize = 1024;

/// The greatest price of a kilowatt-hour, either way, in any currency; a greater one is for something else.
pub const PRICE_AT_MOST: i64 = 1000;

/// A price that would hold longer is no price of a list.
pub const PRICE_LONGEST: Span = Span::hours(24);

/// Prices that ended so long ago are forgotten: nothing that a rule asks reaches further back.
pub const PRICES_BACK: Span = Span::hours(48);

/// Bytes of one message from a device.
pub const PAYLOAD_BYTES: usize = 64 * 1024;

/// Bytes of an expression in the home file (`script`, `send_script`).
pub const EXPRESSION_BYTES: usize = 4096;

/// Characters of a reason.
pub const REASON_CHARS: usize = 200;

/// Readings kept of each point, to know its value at an earlier moment.
pub const HISTORY_READINGS: usize = 256;

/// Outputs that may wait to be drained; more means that the driver broke the contract.
pub const OUTPUTS_WAITING: usize = 65_536;

/// Loads of one home.
pub const LOADS: usize = 64;

/// Points of one home.
pub const POINTS: usize = 256;

/// Measured sums that differ by more than this share, and this many watts, disagree.
pub const MISFIT_SHARE: f64 = 0.1;
/// See [`MISFIT_SHARE`].
pub const MISFIT_W: f64 = 300.0;

/// How long a misfit must last before it is told.
pub const MISFIT_FOR: Span = Span::minutes(5);

/// A load that moved by itself yields to whoever moved it for this long.
pub const YIELD_FOR: Span = Span::minutes(30);

/// Default `settle` of a charge point: IEC 61851-1 allows the point 10 s and the vehicle 5 s, and cars ramp.
pub const SETTLE_CHARGE_POINT: Span = Span::seconds(30);
/// Default `settle` of a modulated load.
pub const SETTLE_MODULATED: Span = Span::seconds(5);
/// Default `settle` of a switch.
pub const SETTLE_SWITCH: Span = Span::seconds(3);
