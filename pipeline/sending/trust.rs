//! Whom a connection through TLS trusts and what it shows of itself: https, and C-STORE and MLLP where the site asks for
//! it. Only in programs built with TLS; the settings refuse all of these in others.

use super::destination::{Tls, Web};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::fs;
use std::path::Path;
use ureq::tls::{Certificate, ClientCert, PemItem, PrivateKey, RootCerts, TlsConfig, parse_pem};

/// Where Debian and its kin keep the authorities that the system trusts.
const SYSTEM_AUTHORITIES: &str = "/etc/ssl/certs/ca-certificates.crt";

/// What is said of a receiver whose certificate cannot be accepted.
pub(super) const UNTRUSTED: &str = "no trusted connection; see `authorities` and `identity`";

/// Authorities and our own certificate for a connection that is not http.
pub(super) fn of_connection(tls: &Tls) -> Result<rustls::ClientConfig, String> {
    let certificates = |path: &Path| -> Result<Vec<CertificateDer<'static>>, String> {
        let unsound = |_| format!("{} is not a sound PEM file", path.display());
        CertificateDer::pem_file_iter(path).map_err(unsound)?.collect::<Result<_, _>>().map_err(unsound)
    };
    let mut roots = rustls::RootCertStore::empty();
    roots.add_parsable_certificates(certificates(tls.authorities.as_deref().unwrap_or(Path::new(SYSTEM_AUTHORITIES)))?);
    let provider = rustls::crypto::aws_lc_rs::default_provider();
    let builder = rustls::ClientConfig::builder_with_provider(provider.into())
        .with_safe_default_protocol_versions()
        .map_err(|_| UNTRUSTED.to_owned())?
        .with_root_certificates(roots);
    let Some(path) = &tls.identity else { return Ok(builder.with_no_client_auth()) };
    let key = PrivateKeyDer::from_pem_file(path).map_err(|_| format!("{} holds no private key", path.display()))?;
    let unfit = |_| format!("{}: certificate and key do not belong together", path.display());
    builder.with_client_auth_cert(certificates(path)?, key).map_err(unfit)
}

/// Authorities that are trusted and, where the site has one, our own certificate.
pub(super) fn trust(web: &Web) -> Result<TlsConfig, String> {
    let (authorities, _) = pem(web.authorities.as_deref().unwrap_or(Path::new(SYSTEM_AUTHORITIES)))?;
    let mut config = TlsConfig::builder()
        .root_certs(RootCerts::from(authorities))
        .unversioned_rustls_crypto_provider(rustls::crypto::aws_lc_rs::default_provider().into());
    if let Some(path) = &web.identity {
        let (chain, key) = pem(path)?;
        let key = key.ok_or_else(|| format!("{} holds no private key", path.display()))?;
        config = config.client_cert(Some(ClientCert::new_with_certs(&chain, key)));
    }
    Ok(config.build())
}

type Pem = (Vec<Certificate<'static>>, Option<PrivateKey<'static>>);

fn pem(path: &Path) -> Result<Pem, String> {
    let bytes = fs::read(path).map_err(|error| format!("{}: {}", path.display(), error.kind()))?;
    let (mut certificates, mut key) = (Vec::new(), None);
    for item in parse_pem(&bytes) {
        match item {
            Ok(PemItem::Certificate(certificate)) => certificates.push(certificate),
            Ok(PemItem::PrivateKey(found)) => key = Some(found),
            Ok(_) => {}
            Err(_) => return Err(format!("{} is not a sound PEM file", path.display())),
        }
    }
    Ok((certificates, key))
}
