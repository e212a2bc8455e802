//! STOW-RS (PS3.18 10.5): one object a request, so that each has an end of its own.

use super::destination::Web;
use super::dimse;
use super::http;
use super::parcel::{Outcome, Parcel};
use crate::study::Digest;
use serde_json::Value;
use std::time::Duration;

/// Posts one object.
pub(super) fn post(web: &Web, timeout: Duration, parcel: &Parcel) -> Outcome {
    let digest = Digest::of(&parcel.bytes);
    let boundary = format!("siderolog-{}", digest.short());
    let head = format!("--{boundary}\r\nContent-Type: application/dicom\r\n\r\n");
    let body = [head.as_bytes(), &parcel.bytes, format!("\r\n--{boundary}--\r\n").as_bytes()].concat();
    let kind = format!("multipart/related; type=\"application/dicom\"; boundary={boundary}");
    let answer = match http::post(web, timeout, &kind, "application/dicom+json", &body) {
        Ok(answer) => answer,
        Err(outcome) => return outcome,
    };
    match (answer.status, failure(&answer.body)) {
        (200..=299 | 409, Some(status)) => dimse::judge(status),
        (status, _) => http::judge(status, None),
    }
}

/// Failure Reason (0008,1197) of the first item of the Failed SOP Sequence (0008,1198), or of the Other Failures
/// Sequence (0008,119A).
fn failure(body: &Value) -> Option<u16> {
    // Some servers answer with the data set in an array.
    let set = body.get(0).unwrap_or(body);
    let item = ["00081198", "0008119A"].iter().find_map(|tag| set.get(tag)?.pointer("/Value/0"))?;
    let reason = item.pointer("/00081197/Value/0").and_then(Value::as_u64);
    // Without a reason: processing failure.
    Some(reason.and_then(|reason| u16::try_from(reason).ok()).unwrap_or(0x0110))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failed_object_is_found_in_the_answer() {
        let failed =
            serde_json::json!({"00081198": {"vr": "SQ", "Value": [{"00081197": {"vr": "US", "Value": [49152]}}]}});
        assert_eq!(failure(&failed), Some(0xC000));
        assert_eq!(failure(&serde_json::json!([failed])), Some(0xC000));
        assert_eq!(failure(&serde_json::json!({"00081199": {"vr": "SQ", "Value": [{}]}})), None);
        assert_eq!(failure(&Value::Null), None);
    }
}
