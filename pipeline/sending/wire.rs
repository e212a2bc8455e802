//! A connection to a receiver, in the clear or through TLS; silent for no longer than it may be.

use super::destination::Tls;
use std::io::{self, Read, Write};
use std::net::{TcpStream, ToSocketAddrs as _};
use std::time::Duration;

/// Bytes both ways.
pub(super) trait Wire: Read + Write {}
impl<T: Read + Write> Wire for T {}

/// Connects to `host:port`. The error is for a person and holds nothing that the peer wrote.
pub(super) fn open(address: &str, tls: Option<&Tls>, timeout: Duration) -> Result<Box<dyn Wire>, String> {
    let stream = connect(address, timeout)?;
    match tls {
        None => Ok(Box::new(stream)),
        Some(tls) => secure(stream, address, tls),
    }
}

/// The first address that answers.
fn connect(address: &str, timeout: Duration) -> Result<TcpStream, String> {
    let failed = |error: io::Error| format!("no connection: {}", error.kind());
    let mut last = "the host is not known".to_owned();
    for address in address.to_socket_addrs().map_err(|_| last.clone())? {
        match TcpStream::connect_timeout(&address, timeout) {
            Ok(stream) => {
                stream.set_read_timeout(Some(timeout)).map_err(failed)?;
                stream.set_write_timeout(Some(timeout)).map_err(failed)?;
                return Ok(stream);
            }
            Err(error) => last = failed(error),
        }
    }
    Err(last)
}

#[cfg(not(feature = "tls"))]
fn secure(_: TcpStream, _: &str, _: &Tls) -> Result<Box<dyn Wire>, String> {
    Err("this program was built without the feature `tls`".to_owned())
}

#[cfg(feature = "tls")]
fn secure(stream: TcpStream, address: &str, tls: &Tls) -> Result<Box<dyn Wire>, String> {
    use super::trust::{self, UNTRUSTED};
    use rustls::pki_types::ServerName;
    use rustls::{ClientConnection, StreamOwned};
    let host = address.rsplit_once(':').map_or(address, |(host, _)| host).trim_matches(['[', ']']);
    let unfit = |_| "its host is no name that a certificate can hold".to_owned();
    let name = ServerName::try_from(host.to_owned()).map_err(unfit)?;
    let connection =
        ClientConnection::new(trust::of_connection(tls)?.into(), name).map_err(|_| UNTRUSTED.to_owned())?;
    let mut stream = StreamOwned::new(connection, stream);
    // Now, so that a receiver that is not trusted is told from one that is silent.
    while stream.conn.is_handshaking() {
        stream.conn.complete_io(&mut stream.sock).map_err(|error| match error.kind() {
            io::ErrorKind::InvalidData => UNTRUSTED.to_owned(),
            kind => format!("no connection: {kind}"),
        })?;
    }
    Ok(Box::new(stream))
}
