//! The session cookie.

use axum::http::{HeaderMap, HeaderValue, Uri, header};

use super::session::NewSession;

/// The cookie's name over https; the prefix makes browsers insist on Secure, on no domain, and on the whole site as its path.
const SECURE: &str = "__Host-tapkeeper";
/// Its name over http, which is for a browser on the same machine only.
const PLAIN: &str = "tapkeeper";

/// Whether people reach the server by https, going by its public address.
fn secure(public_url: &str) -> bool {
    !public_url.starts_with("http://")
}

/// Whether a public address can be served safely: https, or http on the machine itself.
///
/// # Errors
/// What is wrong and what to do.
pub(crate) fn check(public_url: &str) -> Result<(), String> {
    let remedy = "give it as https://HOST, or as http://127.0.0.1:PORT for a browser on the same machine";
    let uri: Uri = public_url
        .parse()
        .map_err(|_| format!("the public address {public_url:?} is not an address; {remedy}"))?;
    match uri.scheme_str() {
        Some("https") if uri.host().is_some() => Ok(()),
        Some("http") if uri.host().is_some_and(is_loopback) => Ok(()),
        Some("http") => Err(format!(
            "the public address {public_url:?} would send passwords and session cookies unprotected; put a TLS proxy before the \
             server, then {remedy}"
        )),
        _ => Err(format!("the public address {public_url:?} is not an address; {remedy}")),
    }
}

/// Whether a host name or address means the machine itself.
pub(crate) fn is_loopback(host: &str) -> bool {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    host == "localhost" || bare.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// The secret that a request carries.
pub(crate) fn secret(headers: &HeaderMap, public_url: &str) -> Option<String> {
    let name = if secure(public_url) { SECURE } else { PLAIN };
    let jar = axum_extra::extract::CookieJar::from_headers(headers);
    jar.get(name).map(|cookie| cookie.value().to_owned())
}

/// `Set-Cookie` for a new session.
pub(crate) fn set(session: &NewSession, public_url: &str) -> HeaderValue {
    header_value(session.token.reveal(), 7 * 24 * 3600, public_url)
}

/// `Set-Cookie` that removes it.
pub(crate) fn clear(public_url: &str) -> HeaderValue {
    header_value("", 0, public_url)
}

fn header_value(value: &str, max_age_s: u32, public_url: &str) -> HeaderValue {
    let (name, and_secure) = if secure(public_url) { (SECURE, "; Secure") } else { (PLAIN, "") };
    let text = format!("{name}={value}; Path=/; Max-Age={max_age_s}; HttpOnly; SameSite=Lax{and_secure}");
    // Tokens are base64url, so the text is a header value.
    HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static(""))
}

/// Adds a `Set-Cookie` to a response.
pub(crate) fn put(response: &mut axum::response::Response, value: HeaderValue) {
    response.headers_mut().append(header::SET_COOKIE, value);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::people::Token;

    fn session() -> NewSession {
        NewSession { token: Token::random(), expires_at: chrono::Utc::now() }
    }

    #[test]
    fn over_https_the_cookie_is_bound_to_the_host_and_secure() {
        let session = session();
        let header = set(&session, "https://taps.example.org");
        assert_eq!(
            header.to_str().unwrap(),
            format!(
                "__Host-tapkeeper={}; Path=/; Max-Age=604800; HttpOnly; SameSite=Lax; Secure",
                session.token.reveal()
            )
        );
    }

    #[test]
    fn on_the_machine_itself_it_has_a_plain_name_and_is_still_hidden_from_scripts() {
        let header = set(&session(), "http://127.0.0.1:8080");
        let text = header.to_str().unwrap();
        assert!(text.starts_with("tapkeeper=") && text.ends_with("HttpOnly; SameSite=Lax"), "{text}");
    }

    #[test]
    fn a_plain_cookie_is_not_taken_over_https() {
        let mut headers = HeaderMap::new();
        headers.insert(header::COOKIE, HeaderValue::from_static("tapkeeper=planted; other=1"));
        assert_eq!(secret(&headers, "https://taps.example.org"), None);
        assert_eq!(secret(&headers, "http://localhost:8080").as_deref(), Some("planted"));
    }

    #[test]
    fn plain_http_is_accepted_for_this_machine_only() {
        for good in
            ["https://taps.example.org", "http://127.0.0.1:8080", "http://localhost:1", "http://[::1]:80"]
        {
            assert_eq!(check(good), Ok(()), "{good}");
        }
        assert!(check("http://taps.example.org").unwrap_err().contains("TLS proxy"));
        assert!(check("http://127.0.0.1.example.org").is_err());
        assert!(check("taps.example.org").unwrap_err().contains("https://HOST"));
    }
}
