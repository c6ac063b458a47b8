//! A made-up home whose inputs are the columns of a table, and a journal of them.

use std::path::Path;

use overspill::store::{Filler, Stamp, StoreError};
use overspill_rules::home::{Home, InputId, Netting, OtherInput, Supply};
use overspill_rules::input::{Input, OtherReading};
use overspill_rules::time::{Moment, Span, WallTime};

/// One message: its time in milliseconds since 1970 UTC, and a number for each input.
pub type Message = (i64, Vec<f64>);

/// Messages of this many hours are one commit; the file does not depend on it, since hours are sealed whole.
const HOURS_A_COMMIT: i64 = 1;

/// A home with these inputs and nothing else.
pub fn home(inputs: &[String]) -> Home {
    Home {
        id: "wren".to_owned(),
        name: "Wren Cottage".to_owned(),
        timezone: jiff::tz::TimeZone::UTC,
        coordinates: None,
        supply: Supply {
            phases: 1,
            netting: Netting::Sum,
            volts: 230.0,
            rating_a: 60.0,
            export_limit_w: None,
        },
        circuits: Vec::new(),
        points: Vec::new(),
        inputs: inputs.iter().map(|id| input(id)).collect(),
        loads: Vec::new(),
        battery: None,
        blind_a: None,
        settings: Vec::new(),
        tariff: None,
        restart_gap: Span::seconds(10),
    }
}

fn input(id: &str) -> OtherInput {
    OtherInput { id: id.to_owned(), unit: None, stale_after: Span::minutes(5), plausible: None, scale: 1.0 }
}

/// Writes the messages to a journal at `path`, as the daemon would, and closes it. The numbers of one message come in
/// under one stamp, as those of one device do; the first goes to input number `first`.
///
/// # Errors
/// When the journal can't be written.
pub fn fill(
    path: &Path,
    home: &Home,
    first: u16,
    messages: impl Iterator<Item = Message>,
) -> Result<(), StoreError> {
    let mut journal = Filler::open(path, home)?;
    let handle = journal.handle();
    let (mut origin, mut hour) = (None, 0);
    for (batch, (at, numbers)) in (0..).zip(messages) {
        let begin = *origin.get_or_insert(at);
        let this_hour = (at - begin) / (HOURS_A_COMMIT * 3_600_000);
        if this_hour != hour {
            hour = this_hour;
            journal.commit()?;
        }
        let stamp = Stamp { moment: Moment(at - begin), batch, wall: Some(WallTime(at)) };
        for (input, value) in (first..).zip(numbers) {
            let reading = OtherReading { input: InputId(input), value, device_time: None, retained: false };
            handle.input(stamp, &Input::Other(reading));
        }
    }
    journal.commit()?;
    journal.close();
    Ok(())
}

/// Numbers that look random and are the same each time (the generator of Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014, known as SplitMix64; constants from memory).
#[derive(Debug, Clone)]
pub struct Dice(pub u64);

impl Dice {
    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// From 0 to just below 1.
    pub fn share(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Nearly normal with mean 0 and deviation 1: twelve shares less six.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.share()).sum::<f64>() - 6.0
    }

    /// A whole number from -`most` to `most`, each as likely.
    pub fn within(&mut self, most: i64) -> i64 {
        (self.bits() % (2 * most.unsigned_abs() + 1)) as i64 - most
    }
}
