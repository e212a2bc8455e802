//! POST over http and https. Redirects are not followed: what we send is about a patient and goes where the site
//! said, or nowhere.

use super::destination::Web;
use super::parcel::{Outcome, Parcel};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::time::Duration;
use ureq::Agent;

/// An answer is a short document; the rest of a longer one is not read.
const LONGEST_ANSWER: u64 = 1 << 20;
/// A whole exchange may take this many times the allowed silence.
const WHOLE: u32 = 10;

/// What a server answered.
pub(super) struct Answer {
    pub status: u16,
    pub body: Value,
}

/// Posts one body. An error is an outcome: the server could not be reached as the site set it.
pub(super) fn post(
    web: &Web,
    timeout: Duration,
    content_type: &str,
    accept: &str,
    body: &[u8],
) -> Result<Answer, Outcome> {
    let agent = agent(web, timeout).map_err(Outcome::Away)?;
    let mut request = agent.post(&web.url).header("Content-Type", content_type).header("Accept", accept);
    if let Some(path) = &web.authorization_file {
        request = request.header("Authorization", secret(path).map_err(Outcome::Away)?);
    }
    let mut response = request.send(body).map_err(|error| Outcome::Away(unreachable(&error)))?;
    let status = response.status().as_u16();
    let text = response.body_mut().with_config().limit(LONGEST_ANSWER).lossy_utf8(true).read_to_string();
    let body = text.ok().and_then(|text| serde_json::from_str(&text).ok()).unwrap_or(Value::Null);
    Ok(Answer { status, body })
}

/// The first line of a file that holds nothing else of use.
fn secret(path: &Path) -> Result<String, String> {
    let text = fs::read_to_string(path).map_err(|_| "the authorization file cannot be read".to_owned())?;
    Ok(text.lines().next().unwrap_or_default().trim().to_owned())
}

/// Without the address or anything a server said: that may hold what it was sent.
fn unreachable(error: &ureq::Error) -> String {
    match error {
        ureq::Error::Timeout(_) => "no answer in time".to_owned(),
        ureq::Error::Io(error) => format!("no connection: {}", error.kind()),
        ureq::Error::HostNotFound => "the host is not known".to_owned(),
        ureq::Error::ConnectionFailed => "no connection".to_owned(),
        #[cfg(feature = "tls")]
        ureq::Error::Rustls(_) | ureq::Error::Tls(_) | ureq::Error::Pem(_) => {
            "no trusted connection; see `authorities` and `identity`".to_owned()
        }
        _ => "the exchange broke".to_owned(),
    }
}

fn agent(web: &Web, timeout: Duration) -> Result<Agent, String> {
    let config = Agent::config_builder()
        .http_status_as_error(false)
        .max_redirects(0)
        .max_redirects_will_error(false)
        .proxy(None)
        .user_agent(concat!("siderolog/", env!("CARGO_PKG_VERSION")))
        .timeout_connect(Some(timeout))
        .timeout_per_read(Some(timeout))
        .timeout_per_write(Some(timeout))
        .timeout_global(Some(timeout * WHOLE));
    #[cfg(not(feature = "tls"))]
    let _ = web;
    #[cfg(feature = "tls")]
    let config = match web.url.starts_with("https://") {
        true => config.tls_config(super::trust::trust(web)?),
        false => config,
    };
    Ok(config.build().new_agent())
}

/// What a status other than success means for one object.
pub(super) fn judge(status: u16, why: Option<String>) -> Outcome {
    let said = why.map_or_else(String::new, |why| format!(" ({why})"));
    match status {
        200..=299 => Outcome::delivered(),
        401 | 403 => Outcome::Away(format!("HTTP {status}: our authorization is not accepted")),
        404 | 405 | 300..=399 => Outcome::Away(format!("HTTP {status}: the address is not right")),
        408 | 425 | 429 | 502..=504 => Outcome::Away(format!("HTTP {status}: nothing is taken now")),
        400..=499 => Outcome::Refused(format!("HTTP {status}{said}")),
        _ => Outcome::Later(format!("HTTP {status}{said}")),
    }
}

/// Posts a FHIR bundle to the server's base.
pub(super) fn post_bundle(web: &Web, timeout: Duration, parcel: &Parcel) -> Outcome {
    let kind = "application/fhir+json";
    match post(web, timeout, kind, kind, &parcel.bytes) {
        Ok(answer) => judge(answer.status, issue(&answer.body)),
        Err(outcome) => outcome,
    }
}

/// The coded part of an OperationOutcome; its free text may repeat what we sent.
fn issue(body: &Value) -> Option<String> {
    let code = body.pointer("/issue/0/code")?.as_str()?;
    let plain = code.len() <= 40 && code.chars().all(|c| c.is_ascii_lowercase() || c == '-');
    plain.then(|| code.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_status_says_who_must_act() {
        for status in [200, 201] {
            assert_eq!(judge(status, None), Outcome::delivered());
        }
        for status in [400, 409, 412, 415, 422] {
            assert!(matches!(judge(status, None), Outcome::Refused(_)), "{status}");
        }
        for status in [301, 401, 403, 404, 429, 503] {
            assert!(matches!(judge(status, None), Outcome::Away(_)), "{status}");
        }
        assert!(matches!(judge(500, None), Outcome::Later(_)));
    }

    #[test]
    fn only_the_code_of_an_answer_is_repeated() {
        let body = serde_json::json!({"issue": [{"code": "business-rule", "diagnostics": "Doe^Jane"}]});
        assert_eq!(judge(422, issue(&body)), Outcome::Refused("HTTP 422 (business-rule)".to_owned()));
        assert_eq!(issue(&serde_json::json!({"issue": [{"code": "Doe^Jane"}]})), None);
    }
}
