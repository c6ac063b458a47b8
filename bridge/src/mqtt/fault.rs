//! Why a connection failed, in words.

use std::fmt;
use std::io;

use tokio_rustls::rustls;
use tokio_rustls::rustls::CertificateError;

use super::LinkConfig;
use crate::config::SecretError;

/// Why there is no connection.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// For programs.
    pub kind: FaultKind,
    /// For people.
    pub words: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.words)
    }
}

/// The kinds of reason why there is no connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FaultKind {
    /// Nothing listens there, or there is no way to it.
    Unreachable,
    /// The server's certificate or its TLS.
    Tls,
    /// The server does not speak the MQTT that was asked for.
    Version,
    /// User name or password.
    Login,
    /// The client id was refused.
    ClientId,
    /// Another client with the same id took our place.
    Evicted,
    /// The server stopped answering.
    Silent,
    /// The server closed the connection before it accepted us.
    ClosedEarly,
    /// The server closed the connection.
    Closed,
    /// The server refused us for another reason, such as being busy.
    Refused,
    /// The server sent what is no MQTT.
    Garbage,
    /// A fault of this program.
    Internal,
}

/// Makes faults that name the server and the client.
pub(super) struct Words {
    server: String,
    host: String,
    client_id: String,
}

impl Words {
    pub(super) fn new(config: &LinkConfig) -> Self {
        let port = config.port;
        let server = match config.host.as_str() {
            v6 if v6.contains(':') => format!("[{v6}]:{port}"),
            host => format!("{host}:{port}"),
        };
        Self { server, host: config.host.clone(), client_id: config.client_id.clone() }
    }

    fn fault(kind: FaultKind, words: String) -> Fault {
        Fault { kind, words }
    }

    pub(super) fn no_answer(&self) -> Fault {
        Self::fault(FaultKind::Unreachable, format!("{} did not answer in time", self.server))
    }

    pub(super) fn silent(&self) -> Fault {
        Self::fault(FaultKind::Silent, format!("the MQTT server at {} stopped answering", self.server))
    }

    pub(super) fn closed(&self) -> Fault {
        Self::fault(FaultKind::Closed, format!("the MQTT server at {} closed the connection", self.server))
    }

    pub(super) fn closed_early(&self) -> Fault {
        let words = format!("{} closed the connection before it accepted this program", self.server);
        Self::fault(FaultKind::ClosedEarly, words)
    }

    pub(super) fn garbage(&self) -> Fault {
        Self::fault(FaultKind::Garbage, format!("{} sent something that is not MQTT", self.server))
    }

    pub(super) fn version(&self) -> Fault {
        let words = format!("the MQTT server at {} does not speak this version of MQTT", self.server);
        Self::fault(FaultKind::Version, words)
    }

    pub(super) fn login(&self) -> Fault {
        let words = format!("the MQTT server at {} refused the user name or password", self.server);
        Self::fault(FaultKind::Login, words)
    }

    pub(super) fn not_authorized(&self) -> Fault {
        let words = format!(
            "the MQTT server at {} refused the user name or password, or does not let this client in",
            self.server
        );
        Self::fault(FaultKind::Login, words)
    }

    pub(super) fn password(&self, why: &SecretError) -> Fault {
        Self::fault(FaultKind::Login, why.to_string())
    }

    pub(super) fn client_id(&self) -> Fault {
        let words =
            format!("the MQTT server at {} refused the client id \"{}\"", self.server, self.client_id);
        Self::fault(FaultKind::ClientId, words)
    }

    pub(super) fn evicted(&self) -> Fault {
        let words = format!(
            "another program connected to {} with the client id \"{}\" and took this one's place; \
             give each program an id of its own",
            self.server, self.client_id
        );
        Self::fault(FaultKind::Evicted, words)
    }

    /// Adds a guess to a connection that was closed early several times in a row.
    pub(super) fn perhaps_evicted(&self, fault: Fault, times: u32) -> Fault {
        let words = format!(
            "{}, {times} times in a row soon after accepting it; perhaps another program uses the client id \
             \"{}\" too",
            fault.words, self.client_id
        );
        Self::fault(FaultKind::Evicted, words)
    }

    pub(super) fn refused(&self, why: &str) -> Fault {
        Self::fault(FaultKind::Refused, format!("the MQTT server at {} {why}", self.server))
    }

    pub(super) fn unconfirmed(&self) -> Fault {
        let words = format!("the MQTT server at {} did not confirm the subscriptions", self.server);
        Self::fault(FaultKind::Silent, words)
    }

    pub(super) fn internal(&self) -> Fault {
        let words = format!("the connection to {} failed inside this program", self.server);
        Self::fault(FaultKind::Internal, words)
    }

    /// A fault of the network, or of TLS, which comes wrapped in one.
    pub(super) fn io(&self, error: &io::Error) -> Fault {
        if let Some(tls) = error.get_ref().and_then(|inner| inner.downcast_ref::<rustls::Error>()) {
            return self.tls(tls);
        }
        let server = &self.server;
        let words = match error.kind() {
            io::ErrorKind::ConnectionRefused => {
                format!("nothing is listening at {server}; is the MQTT server running?")
            }
            io::ErrorKind::ConnectionReset
            | io::ErrorKind::ConnectionAborted
            | io::ErrorKind::BrokenPipe
            | io::ErrorKind::UnexpectedEof => return self.closed(),
            io::ErrorKind::TimedOut => return self.no_answer(),
            io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
                format!("the network has no way to {server}")
            }
            _ if is_lookup(error) => format!("the name \"{}\" could not be found in the network", self.host),
            _ => format!("the connection to {server} failed: {error}"),
        };
        Self::fault(FaultKind::Unreachable, words)
    }

    pub(super) fn tls(&self, error: &rustls::Error) -> Fault {
        let why = match error {
            rustls::Error::InvalidCertificate(certificate) => self.certificate(certificate),
            rustls::Error::InvalidMessage(_) => "does not speak TLS on this port".to_owned(),
            _ => "and this program could not agree on TLS".to_owned(),
        };
        Self::fault(FaultKind::Tls, format!("the MQTT server at {} {why}", self.server))
    }

    pub(super) fn tls_name(&self) -> Fault {
        let words = format!("\"{}\" is neither a name nor an address that TLS can check", self.host);
        Self::fault(FaultKind::Tls, words)
    }

    fn certificate(&self, error: &CertificateError) -> String {
        match error {
            CertificateError::UnknownIssuer => {
                "shows a certificate of an authority that is not trusted here; name the authority's \
                 certificate with ca_file"
                    .to_owned()
            }
            CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
                "shows a certificate that has expired".to_owned()
            }
            CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
                "shows a certificate that is not valid yet; is this computer's clock right?".to_owned()
            }
            CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
                format!("shows a certificate for another name than \"{}\"", self.host)
            }
            CertificateError::Revoked => "shows a certificate that was revoked".to_owned(),
            _ => "shows a certificate that can't be trusted".to_owned(),
        }
    }
}

/// Name look-ups have no kind of their own; only the text tells.
fn is_lookup(error: &io::Error) -> bool {
    let text = error.to_string();
    text.contains("lookup address") || text.contains("could not resolve")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_of_the_network_are_told_in_words() {
        let words = Words::new(&LinkConfig::new("meter.lan", 1883, "overspill"));
        let refused = words.io(&io::ErrorKind::ConnectionRefused.into());
        assert_eq!(refused.kind, FaultKind::Unreachable);
        assert_eq!(refused.words, "nothing is listening at meter.lan:1883; is the MQTT server running?");
        let lookup = io::Error::other("failed to lookup address information: Name or service not known");
        assert_eq!(words.io(&lookup).words, "the name \"meter.lan\" could not be found in the network");
        assert_eq!(words.io(&io::ErrorKind::ConnectionReset.into()).kind, FaultKind::Closed);
    }

    #[test]
    fn a_certificate_fault_inside_a_network_fault_is_found() {
        let words = Words::new(&LinkConfig::new("meter.lan", 8883, "overspill"));
        let inner = rustls::Error::InvalidCertificate(CertificateError::UnknownIssuer);
        let fault = words.io(&io::Error::new(io::ErrorKind::InvalidData, inner));
        assert_eq!(fault.kind, FaultKind::Tls);
        assert!(fault.words.contains("ca_file"), "{fault}");
    }
}
