//! Who may ask: requests addressed to this computer, from this computer, by no page of another site.

use std::net::{Ipv4Addr, Ipv6Addr};

use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, HOST, ORIGIN, REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::refusal::Refusal;
use crate::state::ServiceState;

/// Nothing may be loaded, framed or sent from an answer of ours; the page at `/` needs none of it.
const POLICY: &str = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Lets a request through or refuses it, and puts on every answer what keeps browsers from misusing it.
pub(crate) async fn guard(State(state): State<ServiceState>, request: Request, next: Next) -> Response {
    let mut response = match check(request.uri(), request.headers(), state.address().port()) {
        Ok(()) => next.run(request).await,
        Err(refusal) => {
            tracing::debug!(?refusal, "a request is refused");
            refusal.into_response()
        }
    };
    let headers = response.headers_mut();
    for (name, value) in [
        (CONTENT_SECURITY_POLICY, POLICY),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (REFERRER_POLICY, "no-referrer"),
        (CACHE_CONTROL, "no-store"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

/// Refuses a request that is not addressed to us, or that comes from a page which is not ours.
fn check(uri: &Uri, headers: &HeaderMap, port: u16) -> Result<(), Refusal> {
    let host = only(headers, &HOST)?.ok_or_else(|| {
        let cure = "send it: HTTP/1.1 demands it";
        Refusal::request(StatusCode::BAD_REQUEST, "Host", "the header is missing".into(), cure)
    })?;
    let origin = own_origin(host, port).ok_or_else(|| misdirected("Host", host, port))?;
    // A target in absolute form names the host once more and would overrule the header (RFC 9112, 3.2.2, from
    // memory).
    if let Some(authority) = uri.authority() {
        let meant = own_origin(authority.as_str(), port).filter(|_| uri.scheme_str() == Some("http"));
        if meant.is_none() {
            return Err(misdirected("request target", &uri.to_string(), port));
        }
    }
    match only(headers, &ORIGIN)? {
        Some(from) if from != origin => Err(Refusal::request(
            StatusCode::FORBIDDEN,
            "Origin",
            format!("'{}' is not '{origin}'", shown(from)),
            "ask from a page of this service, or from a program that is no browser",
        )),
        _ => Ok(()),
    }
}

/// The one value of a header, or none; a second one would be read differently by different readers.
fn only<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, Refusal> {
    let mut values = headers.get_all(name).iter();
    let first = values.next();
    let title = if *name == HOST { "Host" } else { "Origin" };
    let refuse = |seen: &str| {
        let cure = "send the header once, in plain text";
        Err(Refusal::request(StatusCode::BAD_REQUEST, title, seen.into(), cure))
    };
    if values.next().is_some() {
        return refuse("the header is there more than once");
    }
    match first.map(HeaderValue::to_str) {
        None => Ok(None),
        Some(Ok(text)) => Ok(Some(text)),
        Some(Err(_)) => refuse("the header is not plain text"),
    }
}

fn misdirected(name: &str, seen: &str, port: u16) -> Refusal {
    Refusal::request(
        StatusCode::MISDIRECTED_REQUEST,
        name,
        format!("'{}' is not this service", shown(seen)),
        &format!("address it as 127.0.0.1:{port}, [::1]:{port} or localhost:{port}"),
    )
}

fn shown(text: &str) -> String {
    text.chars().take(120).collect()
}

/// The origin of our pages under a host that is ours, as browsers write it (RFC 6454, 6.2, from memory);
/// none for a host that is not ours.
fn own_origin(host: &str, port: u16) -> Option<String> {
    let (name, rest) = match host.strip_prefix('[') {
        Some(after) => {
            let (inside, rest) = after.split_once(']')?;
            let ip: Ipv6Addr = inside.parse().ok()?;
            (ip.is_loopback().then(|| format!("[{ip}]"))?, rest)
        }
        None => {
            let (name, rest) = host.split_at(host.find(':').unwrap_or(host.len()));
            let ours = name.eq_ignore_ascii_case("localhost")
                || name.parse::<Ipv4Addr>().is_ok_and(|ip| ip.is_loopback());
            (ours.then(|| name.to_ascii_lowercase())?, rest)
        }
    };
    // Without a port, HTTP means 80 (RFC 9110, 4.2.1, from memory).
    let asked = match rest.strip_prefix(':') {
        Some(digits) if digits.bytes().all(|b| b.is_ascii_digit()) => digits.parse().ok()?,
        Some(_) => return None,
        None if rest.is_empty() => 80,
        None => return None,
    };
    let tail = if port == 80 { String::new() } else { format!(":{port}") };
    (port == asked).then(|| format!("http://{name}{tail}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_loopback_names_with_the_right_port_are_ours() {
        for (host, port, origin) in [
            ("127.0.0.1:8427", 8427, "http://127.0.0.1:8427"),
            ("127.9.8.7:8427", 8427, "http://127.9.8.7:8427"),
            ("LocalHost:8427", 8427, "http://localhost:8427"),
            ("[::1]:8427", 8427, "http://[::1]:8427"),
            ("[0:0:0:0:0:0:0:1]:8427", 8427, "http://[::1]:8427"),
            ("localhost", 80, "http://localhost"),
            ("localhost:80", 80, "http://localhost"),
        ] {
            assert_eq!(own_origin(host, port).as_deref(), Some(origin), "{host}");
        }
        for host in [
            "",
            ":8427",
            "localhost",
            "localhost:",
            "localhost:80",
            "localhost:8428",
            "localhost:+8427",
            "localhost:8427 ",
            "localhost:8427:8427",
            "localhost:108427",
            "localhost.:8427",
            "localhost.example:8427",
            "me@localhost:8427",
            "127.0.0.1.example:8427",
            "127.1:8427",
            "2130706433:8427",
            "0x7f.0.0.1:8427",
            "0.0.0.0:8427",
            "192.0.2.1:8427",
            "::1:8427",
            "[::1",
            "[::1]",
            "[::1]8427",
            "[::1%lo]:8427",
            "[::]:8427",
            "[::ffff:127.0.0.1]:8427",
            "[2001:db8::1]:8427",
            "example.com:8427",
        ] {
            assert_eq!(own_origin(host, 8427), None, "{host}");
        }
    }
}
