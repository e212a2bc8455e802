//! Whom an https connection trusts and what it shows of itself. Only in programs built with TLS; the settings refuse an
//! https address in others.

use super::destination::Web;
use std::fs;
use std::path::Path;
use ureq::tls::{Certificate, ClientCert, PemItem, PrivateKey, RootCerts, TlsConfig, parse_pem};

/// Where Debian and its kin keep the authorities that the system trusts.
const SYSTEM_AUTHORITIES: &str = "/etc/ssl/certs/ca-certificates.crt";

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
