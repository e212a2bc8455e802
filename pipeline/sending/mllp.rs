//! HL7 v2 over the minimal lower layer protocol: each message between 0x0B and 0x1C 0x0D, one acknowledgement
//! before the next message leaves.

use super::destination::Mllp;
use super::parcel::{Outcome, Parcel};
use super::wire::{self, Wire};
use std::io;
use std::time::{Duration, Instant};

const START: u8 = 0x0B;
const END: [u8; 2] = [0x1C, 0x0D];
/// An acknowledgement is a few lines.
const LONGEST_ANSWER: usize = 64 * 1024;

/// Sends messages over one connection.
pub(super) fn send(engine: &Mllp, timeout: Duration, parcels: &[Parcel], tell: &mut dyn FnMut(usize, Outcome)) {
    let mut stream = match wire::open(&engine.address, engine.tls.as_ref(), timeout) {
        Ok(stream) => stream,
        Err(why) => {
            if !parcels.is_empty() {
                tell(0, Outcome::Away(why));
            }
            return;
        }
    };
    for (index, parcel) in parcels.iter().enumerate() {
        let outcome = exchange(stream.as_mut(), timeout, &parcel.bytes);
        let away = matches!(outcome, Outcome::Away(_));
        tell(index, outcome);
        if away {
            return;
        }
    }
}

fn exchange(stream: &mut dyn Wire, timeout: Duration, message: &[u8]) -> Outcome {
    let Some(control) = field(message, b"MSH", 9) else {
        return Outcome::Refused("the message has no control ID".to_owned());
    };
    let framed = [&[START], message, &END].concat();
    if let Err(error) = stream.write_all(&framed).and_then(|()| stream.flush()) {
        return Outcome::Away(format!("the connection broke: {}", error.kind()));
    }
    match answer(stream, timeout) {
        Ok(answer) => judge(&answer, &control),
        Err(error) => Outcome::Away(format!("no acknowledgement: {}", error.kind())),
    }
}

/// The next framed answer, whole within `timeout`.
fn answer(stream: &mut dyn Wire, timeout: Duration) -> io::Result<Vec<u8>> {
    let began = Instant::now();
    let (mut bytes, mut buffer) = (Vec::new(), [0; 4096]);
    loop {
        let read = stream.read(&mut buffer)?;
        if read == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        bytes.extend_from_slice(buffer.get(..read).unwrap_or_default());
        if let Some(end) = bytes.windows(2).position(|pair| pair == END) {
            bytes.truncate(end);
            let start = bytes.iter().position(|&b| b == START).map_or(0, |at| at + 1);
            return Ok(bytes.split_off(start));
        }
        if bytes.len() > LONGEST_ANSWER {
            return Err(io::ErrorKind::InvalidData.into());
        }
        if began.elapsed() > timeout {
            return Err(io::ErrorKind::TimedOut.into());
        }
    }
}

/// A field of the first segment of that name; in MSH the separator itself is the first.
fn field(message: &[u8], segment: &[u8], number: usize) -> Option<String> {
    let line = message.split(|b| matches!(b, b'\r' | b'\n')).find(|line| line.starts_with(segment))?;
    let separator = *line.get(segment.len())?;
    let value = line.split(|&b| b == separator).nth(number)?;
    Some(String::from_utf8_lossy(value).trim().to_owned()).filter(|text| !text.is_empty())
}

/// What an acknowledgement means (HL7 v2.5.1, 2.9.2 and table 0008): A and C forms alike; an error is of the message,
/// a rejection may pass.
fn judge(answer: &[u8], control: &str) -> Outcome {
    let (Some(code), about) = (field(answer, b"MSA", 1), field(answer, b"MSA", 2)) else {
        return Outcome::Away("the answer is no acknowledgement".to_owned());
    };
    if about.as_deref() != Some(control) {
        return Outcome::Away("the acknowledgement is of another message".to_owned());
    }
    match code.as_str() {
        "AA" | "CA" => Outcome::delivered(),
        "AE" | "CE" => Outcome::Refused(format!("{code}: the receiver found an error in the message")),
        "AR" | "CR" => Outcome::Later(format!("{code}: the receiver rejected the message")),
        _ => Outcome::Away("the acknowledgement has no known code".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_acknowledgement_is_read_by_its_code_and_its_message() {
        let ack = |code: &str, id: &str| format!("MSH|^~\\&|A|B|C|D|20260101||ACK^R01|9|P|2.5.1\rMSA|{code}|{id}|x\r");
        let judged = |code, id| judge(ack(code, id).as_bytes(), "17");
        assert_eq!(judged("AA", "17"), Outcome::delivered());
        assert_eq!(judged("CA", "17"), Outcome::delivered());
        assert!(matches!(judged("AE", "17"), Outcome::Refused(_)));
        assert!(matches!(judged("AR", "17"), Outcome::Later(_)));
        assert!(matches!(judged("AA", "18"), Outcome::Away(_)));
        assert!(matches!(judged("XX", "17"), Outcome::Away(_)));
        assert!(matches!(judge(b"hello", "17"), Outcome::Away(_)));
    }

    #[test]
    fn the_control_id_is_the_tenth_field_of_the_header() {
        let message = b"MSH|^~\\&|SIDEROLOG|a|b|c|2026||ORU^R01^ORU_R01|12345|P|2.5.1\rPID|1\r";
        assert_eq!(field(message, b"MSH", 9).as_deref(), Some("12345"));
    }
}
