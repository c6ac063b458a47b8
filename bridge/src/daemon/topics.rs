//! Where the program publishes and listens, below its prefix.

/// The topics of one home.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Topics {
    prefix: String,
}

impl Topics {
    /// Topics below `prefix`, which has no slash at its end.
    pub fn new(prefix: &str) -> Topics {
        Topics { prefix: prefix.to_owned() }
    }

    /// `up` or `down`, retained plain text; `down` also by will.
    pub fn status(&self) -> String {
        format!("{}/status", self.prefix)
    }

    /// Who commands: a retained sign of life of each instance.
    pub fn instance(&self) -> String {
        format!("{}/instance", self.prefix)
    }

    /// The power balance, retained JSON.
    pub fn balance(&self) -> String {
        format!("{}/balance", self.prefix)
    }

    /// What a load does and why, retained JSON.
    pub fn load(&self, id: &str) -> String {
        format!("{}/load/{id}", self.prefix)
    }

    /// A rule's state, retained JSON.
    pub fn rule(&self, name: &str) -> String {
        format!("{}/rule/{name}", self.prefix)
    }

    /// What a shadow would do and what it came to, retained JSON.
    pub fn shadow(&self, name: &str) -> String {
        format!("{}/shadow/{name}", self.prefix)
    }

    /// What a setting is, retained JSON.
    pub fn setting(&self, id: &str) -> String {
        format!("{}/setting/{id}", self.prefix)
    }

    /// Where people change a setting.
    pub fn set(&self, id: &str) -> String {
        format!("{}/setting/{id}/set", self.prefix)
    }

    /// Notices, JSON, not retained.
    pub fn notice(&self) -> String {
        format!("{}/notice", self.prefix)
    }

    /// How far forwarding to InfluxDB has come, retained JSON.
    pub fn influxdb(&self) -> String {
        format!("{}/influxdb", self.prefix)
    }

    /// Where people ask something of a load.
    pub fn wish(&self, id: &str) -> String {
        format!("{}/load/{id}/override", self.prefix)
    }

    /// Where a named person takes a load out of service or puts it back.
    pub fn service(&self, id: &str) -> String {
        format!("{}/load/{id}/service", self.prefix)
    }
}
