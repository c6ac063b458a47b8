//! Keys of the tariff.

use crate::config::form::{Form, Key};
use crate::config::grammar::Grammar;

use super::point::TOPIC;

/// The days of the week.
pub(crate) const DAYS: &[&str] = &["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

const PER_KWH: Form = Form::Number { least: -1000.0, most: 1000.0, unit: "per kWh" };

const LIST: &[Key] = &[
    Key::new(
        "file",
        Form::Text,
        "A CSV file with a header `from,price`, relative to the home file's folder; read again when it changes.",
    ),
    Key::new(TOPIC.name, TOPIC.form, "A topic with a JSON list of {from, price}."),
];

const DEEMED: &[Key] = &[
    Key::new(
        "share_percent",
        Form::Number { least: 0.0, most: 100.0, unit: "%" },
        "The share of generation that is taken to be sent out, whatever the meter counts.",
    )
    .required(),
    Key::new("price", PER_KWH, "Paid for each kilowatt-hour of it.").required(),
];

const WINDOW: &[Key] = &[
    Key::new("from", Form::Checked(Grammar::TimeOfDay), "When it begins, such as \"00:30\".").required(),
    Key::new(
        "to",
        Form::Checked(Grammar::TimeOfDay),
        "When it ends, such as \"05:30\"; across midnight where that is not after `from`.",
    )
    .required(),
    Key::new(
        "days",
        Form::Texts,
        "The days on which it begins: mon, tue, wed, thu, fri, sat, sun; every day where not written.",
    ),
    Key::new("price", PER_KWH, "What a kilowatt-hour costs in it, before VAT.").required(),
];

const VAT: Key = Key::new(
    "vat_percent",
    Form::Number { least: 0.0, most: 100.0, unit: "%" },
    "Value added tax on what is bought; 0 where the prices include it.",
)
.or_number(0.0);

const STANDING: Key = Key::new(
    "standing_per_day",
    Form::Number { least: 0.0, most: 1000.0, unit: "a day" },
    "Standing charge for a day, before VAT.",
)
.or_number(0.0);

const IMPORT: Key = Key::new(
    "import",
    PER_KWH,
    "What a kilowatt-hour bought costs, before VAT; with windows, outside all of them.",
);

const IMPORT_PRICES: Key = Key::new(
    "import_prices",
    Form::Table(LIST),
    "A list of prices for what is bought, in place of `import`: half-hourly, say.",
);

const ZONE: Key = Key::new(
    "zone",
    Form::Checked(Grammar::MeterZone),
    "The clock of the windows: an IANA name, or \"winter\" for a meter that stays on the home's winter time all year.",
);

const WINDOWS: Key = Key::new(
    "window",
    Form::Named { one: "window", ids: Grammar::InputId, keys: WINDOW },
    "Times of the day with a price of their own, `[tariff.window.NAME]`.",
);

const EXPORT: Key = Key::new(
    "export",
    PER_KWH,
    "Paid for a kilowatt-hour sent out, as metered; not paid where nothing is written.",
);

const EXPORT_PRICES: Key = Key::new(
    "export_prices",
    Form::Table(LIST),
    "A list of prices for what is sent out, in place of `export`.",
);

const DEEMED_EXPORT: Key = Key::new(
    "deemed_export",
    Form::Table(DEEMED),
    "Sent-out energy is not metered but taken to be a share of generation, in place of `export`.",
);

const GENERATION: Key = Key::new(
    "generation",
    Form::Number { least: 0.0, most: 1000.0, unit: "per kWh" },
    "Paid for a kilowatt-hour generated, used or not.",
)
.or_number(0.0);

const CHANGE: &[Key] = &[
    Key::new("from", Form::Checked(Grammar::Date), "The local date from whose beginning these terms hold.")
        .required(),
    VAT,
    STANDING,
    IMPORT,
    IMPORT_PRICES,
    ZONE,
    WINDOWS,
    EXPORT,
    EXPORT_PRICES,
    DEEMED_EXPORT,
    GENERATION,
];

pub(super) const TARIFF: &[Key] = &[
    Key::new(
        "currency",
        Form::Checked(Grammar::Currency),
        "The currency, by its ISO 4217 code, such as \"GBP\".",
    )
    .required(),
    VAT,
    STANDING,
    IMPORT,
    IMPORT_PRICES,
    ZONE,
    WINDOWS,
    EXPORT,
    EXPORT_PRICES,
    DEEMED_EXPORT,
    GENERATION,
    Key::new(
        "change",
        Form::Tables { one: "change", keys: CHANGE },
        "Terms from a later date on, `[[tariff.change]]`: each is complete, nothing of the earlier ones goes on.",
    ),
];
