//! Receivers for the tests: each answers as its script says and keeps what it took.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// What a receiver does with one message.
#[derive(Clone, Debug)]
pub enum Act {
    /// Takes it and answers with this code (MLLP) or status (HTTP).
    Answer(&'static str),
    /// Takes it and says so only after this time.
    Late(Duration, &'static str),
    /// Reads a part and closes the connection.
    Close,
    /// Acknowledges another message.
    Astray,
}

/// What a receiver took, in order.
pub type Taken = Arc<Mutex<Vec<Vec<u8>>>>;

pub struct Receiver {
    pub port: u16,
    pub taken: Taken,
}

impl Receiver {
    pub fn taken(&self) -> Vec<Vec<u8>> {
        self.taken.lock().unwrap().clone()
    }
}

/// A port on which nobody listens.
pub fn closed_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Runs `serve` for every connection; the script is consumed message by message, and its last act repeats.
fn listen(port: u16, script: Vec<Act>, serve: fn(&mut TcpStream, &mut dyn FnMut() -> Act, &Taken)) -> Receiver {
    let listener = TcpListener::bind(("127.0.0.1", port)).unwrap();
    let port = listener.local_addr().unwrap().port();
    let taken = Taken::default();
    let kept = taken.clone();
    thread::spawn(move || {
        let mut next = 0;
        for stream in listener.incoming() {
            let Ok(mut stream) = stream else { return };
            let mut act = || {
                next += 1;
                script[(next - 1).min(script.len() - 1)].clone()
            };
            serve(&mut stream, &mut act, &kept);
        }
    });
    Receiver { port, taken }
}

/// An HL7 receiver.
pub fn mllp(port: u16, script: Vec<Act>) -> Receiver {
    listen(port, script, |stream, act, taken| {
        let (mut bytes, mut buffer) = (Vec::new(), [0; 4096]);
        let mut pending: Option<Act> = None;
        while let Ok(read) = stream.read(&mut buffer) {
            let act = pending.take().unwrap_or_else(&mut *act);
            if read == 0 || matches!(act, Act::Close) {
                return;
            }
            bytes.extend_from_slice(&buffer[..read]);
            let Some(end) = bytes.windows(2).position(|pair| pair == [0x1C, 0x0D]) else {
                pending = Some(act);
                continue;
            };
            assert_eq!(bytes[0], 0x0B);
            let message = bytes[1..end].to_vec();
            bytes.drain(..end + 2);
            let text = String::from_utf8(message.clone()).unwrap();
            let control = text.split('|').nth(9).unwrap().to_owned();
            let (code, control) = match act {
                Act::Answer(code) => (code, control),
                Act::Late(wait, code) => {
                    thread::sleep(wait);
                    (code, control)
                }
                Act::Astray => ("AA", format!("{control}0")),
                Act::Close => return,
            };
            taken.lock().unwrap().push(message);
            let answer = format!("\x0bMSH|^~\\&|R|H|S|F|2026||ACK^R01|1|P|2.5.1\rMSA|{code}|{control}\r\x1c\r");
            if stream.write_all(answer.as_bytes()).is_err() {
                return;
            }
        }
    })
}

/// A web server: keeps head and body of each POST.
pub fn http(port: u16, script: Vec<Act>) -> Receiver {
    listen(port, script, |stream, act, taken| {
        let (mut bytes, mut buffer) = (Vec::new(), [0; 16384]);
        let act = act();
        loop {
            let Ok(read) = stream.read(&mut buffer) else { return };
            if read == 0 || matches!(act, Act::Close) {
                return;
            }
            bytes.extend_from_slice(&buffer[..read]);
            let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") else { continue };
            let head = String::from_utf8_lossy(&bytes[..end]).to_lowercase();
            let length =
                head.lines().find_map(|line| line.strip_prefix("content-length:")?.trim().parse::<usize>().ok());
            if bytes.len() >= end + 4 + length.expect("a length") {
                break;
            }
        }
        let status = match act {
            Act::Answer(status) => status,
            Act::Late(wait, status) => {
                thread::sleep(wait);
                status
            }
            Act::Astray | Act::Close => return,
        };
        taken.lock().unwrap().push(bytes);
        let body = r#"{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"processing","diagnostics":"Doe"}]}"#;
        let _ =
            write!(stream, "HTTP/1.1 {status} X\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}", body.len());
    })
}
