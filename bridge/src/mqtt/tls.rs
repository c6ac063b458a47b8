//! Whom to trust.

use std::path::Path;
use std::sync::Arc;

use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::CertificateDer;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

use super::{LinkError, TlsConfig};

/// Reads the certificates to trust.
pub(super) fn client_config(tls: &TlsConfig) -> Result<Arc<ClientConfig>, LinkError> {
    let roots = match &tls.ca_file {
        Some(path) => roots_of_file(path)?,
        None => roots_of_system()?,
    };
    let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()));
    let builder = builder
        .with_safe_default_protocol_versions()
        .map_err(|_| LinkError::Tls("this build has no TLS version in common with anybody".into()))?;
    Ok(Arc::new(builder.with_root_certificates(roots).with_no_client_auth()))
}

fn roots_of_file(path: &Path) -> Result<RootCertStore, LinkError> {
    let shown = path.display();
    let pem = std::fs::read(path)
        .map_err(|e| LinkError::Tls(format!("the CA file {shown} could not be read: {e}")))?;
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_slice_iter(&pem) {
        let added = certificate.ok().map(|certificate| roots.add(certificate));
        if !matches!(added, Some(Ok(()))) {
            return Err(LinkError::Tls(format!("the CA file {shown} has a certificate that can't be read")));
        }
    }
    if roots.is_empty() {
        return Err(LinkError::Tls(format!(
            "the CA file {shown} has no certificate in it (PEM is expected)"
        )));
    }
    Ok(roots)
}

fn roots_of_system() -> Result<RootCertStore, LinkError> {
    let mut roots = RootCertStore::empty();
    // Some of a system's certificates are too odd for rustls; the others do.
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    if roots.is_empty() {
        let words = "this system has no certificates of authorities; install them or name a ca_file";
        return Err(LinkError::Tls(words.into()));
    }
    Ok(roots)
}
