//! Forwarding to InfluxDB 2: everything that the journal takes, with nothing lost when the database is away.
//!
//! # How it works
//!
//! The journal is the queue ([`outbox`](crate::store::outbox)). A thread of its own reads what follows the cursor in
//! pages, renders it, sends it in batches of at most [`BATCH_LINES`] lines, and moves the cursor when the database has
//! answered that it has them. An outage of any length costs nothing: afterwards the pages are read from where they
//! were left, sealed hours too. Control and the recording thread never wait for any of it. Points carry their time, so
//! sending one twice changes nothing; after a kill at most the points of the last minute are sent again.
//!
//! | the database | what happens |
//! |---|---|
//! | 204 | the cursor moves on |
//! | 400, 422 | the batch is halved until the offending line is alone; when the database has accepted another line after it, it is sent once more, and set aside if it is refused again (table `set_aside`, with the reason, and a notice); all others go on |
//! | 400 to line after line, none accepted | nothing is set aside, a notice; tried again every 5 minutes |
//! | 413 | batches are halved, and doubled again after 32 accepted ones; a single line is treated as malformed |
//! | 401, 403; 404; any other answer | kept, a notice that says how to mend it; tried again every 5 minutes |
//! | 429, or 503 with `Retry-After` | waits as long as it asks, at most an hour; over plain HTTP see below |
//! | 408, 5xx, no answer in 30 s, no connection in 10 s, an answer cut short | the same batch again after 1 s, doubling to 5 minutes, each pause a fifth longer or shorter by chance |
//!
//! Over plain HTTP the `influxdb2` client loses `Retry-After`: after a first 429 or 503 the pause is our own (at least
//! 5 s after 429), and the batch goes through the client that shows the header, until one is accepted.
//!
//! The cursor is saved once a minute and at the end, one small commit each. Where a series is kept for a limited time, an
//! outage longer than that costs what the journal itself has given up by then.
//!
//! What is stamped while the wall clock is not believed waits until it is. Of a run in which it never was, the times
//! are unknown for ever, so its numbers stay in the journal alone.
//!
//! # What is sent
//!
//! In line protocol with milliseconds, in the program's units and with its signs. Every field is a float for ever.
//! Unknown values and what is no number are not sent. Besides `home` the tags are:
//!
//! | measurement | tags | fields |
//! |---|---|---|
//! | `grid`, `solar`, `house`, `battery` | `point`, and `phase` where the point has one | `power_w`, `current_a` (a point in amps), `register_kwh`, `pulses`, `pulse_count`; `voltage_v`, `current_a`, `power_factor`, `import_kwh`, `export_kwh` |
//! | `load` | `load`, `point` (its meter), `phase` | the same, of the load's own meter |
//! | `load` | `load` | `setpoint_w`; `on` (1 or 0, at each decision) |
//! | `input` | `input` | `value`, after its scale |
//! | `balance` | `phase`: `all`, or 1 to 3 | `grid_w`, `solar_w`, `battery_w`, `house_w`, `import_w`, `export_w`, `loads_w`, `base_w`, `spare_w` |
//! | `energy` | `flow`: `import`, `export`, `solar`, `house`, `charge`, `discharge`; `load`, then `load`; `meter_in`, `meter_out`, then `point` | `kwh`, `covered_s`, at the start of the half hour |
//! | `unexplained` | `series` | `value` as received, where the journal no longer knows what it means |
//!
//! Power is positive into the house: `grid` above 0 is import, `battery` above 0 discharging. Texts (reasons, notices)
//! stay in the journal. The draw of a load without a meter of its own is an estimate that the journal does not keep;
//! its half hours are in `energy`.
//!
//! What was put right with `overspill correct` is sent again put right: power and current, and the half hours. `balance`
//! stays what the program worked with at the time, and a register what it showed. After two points were swapped their
//! wrong numbers stay beside the right ones where their times differ; delete them in the database first.
//!
//! The time is that of arrival, to a tenth of a second, as in the journal. Further points of one series with the same
//! stamp follow a millisecond apart in the order of their arrival; from the hundredth on they replace each other. When
//! the wall clock was set back and the same tenth of a second comes a second time, the later point replaces the earlier
//! one.

mod answer;
mod client;
mod line;
mod meaning;
mod plan;
#[cfg(test)]
mod plan_laws;
mod worker;

pub use line::Point;
pub use plan::{BATCH_LINES, LONGEST_WAIT, SLOW, SUSPECTS};
pub use worker::{Forwarder, Lag, Pace};
