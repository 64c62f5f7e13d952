//! Who may ask, and what every answer carries.
//!
//! On loopback without a token the danger is a page from elsewhere in a browser of this machine: its name may be made to lead
//! here (DNS rebinding), so the `Host` must be this machine's own. With a token a page from elsewhere knows neither token nor cookie.

use super::api::Wrong;
use super::{State, hex};
use axum::extract::Request;
use axum::http::header::{
    self, ALLOW, AUTHORIZATION, CACHE_CONTROL, COOKIE, HOST, LOCATION, SET_COOKIE,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};
use std::net::{IpAddr, SocketAddr};

/// A token shorter than this can be guessed.
pub const TOKEN_LEAST: usize = 16;

/// Nothing from elsewhere is loaded, nothing may frame this, no script stands in a page.
const POLICY: &str = "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; frame-ancestors 'none'; \
                      form-action 'self'";

/// What those who may look know.
#[derive(Clone)]
pub struct Token(String);

// Not for logs.
impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token")
    }
}

impl std::str::FromStr for Token {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let count = text.chars().count();
        if count < TOKEN_LEAST {
            return Err(format!(
                "a token of {count} characters can be guessed: take at least {TOKEN_LEAST}"
            ));
        }
        if !text.bytes().all(|byte| byte.is_ascii_graphic()) {
            return Err("a token goes over the wire as it is: use ASCII without blanks".into());
        }
        Ok(Self(text.to_owned()))
    }
}

pub struct Guard {
    /// Digest of the token.
    token: Option<[u8; 32]>,
    /// What a browser keeps of it: of no use for `Authorization`.
    cookie: Option<String>,
    cookie_name: String,
    loopback: bool,
}

impl Guard {
    pub fn new(at: SocketAddr, token: Option<&Token>) -> Self {
        Self {
            token: token.map(|token| digest(token.0.as_bytes())),
            cookie: token.map(|token| hex(&digest(format!("page cookie {}", token.0).as_bytes()))),
            // Cookies do not know of ports: two servers on one machine must not share one.
            cookie_name: format!("ohmward-{}", at.port()),
            loopback: at.ip().is_loopback(),
        }
    }

    fn is_token(&self, given: &str) -> bool {
        self.token
            .is_some_and(|token| same(&token, &digest(given.as_bytes())))
    }

    fn has_cookie(&self, headers: &HeaderMap) -> bool {
        let Some(cookie) = &self.cookie else {
            return false;
        };
        let given = headers.get_all(COOKIE).iter();
        given
            .filter_map(|line| line.to_str().ok())
            .flat_map(|line| line.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .any(|(name, value)| {
                name == self.cookie_name
                    && same(&digest(value.as_bytes()), &digest(cookie.as_bytes()))
            })
    }

    fn has_bearer(&self, headers: &HeaderMap) -> bool {
        headers
            .get(AUTHORIZATION)
            .and_then(|value| value.to_str().ok())
            .and_then(|value| value.split_once(' '))
            .is_some_and(|(scheme, token)| {
                scheme.eq_ignore_ascii_case("bearer") && self.is_token(token.trim())
            })
    }

    /// The answer to whoever may not go on; `None` lets pass.
    fn refuse(&self, method: &Method, uri: &Uri, headers: &HeaderMap) -> Option<Response> {
        if method != Method::GET && method != Method::HEAD {
            let wrong = Wrong::new(
                StatusCode::METHOD_NOT_ALLOWED,
                format!("{method} changes things, and nothing here can be changed: use GET"),
            );
            let mut answer = wrong.into_response();
            answer
                .headers_mut()
                .insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
            return Some(answer);
        }
        if self.loopback && !is_own_name(headers) {
            let wrong = Wrong::new(
                StatusCode::MISDIRECTED_REQUEST,
                "the Host header names another machine: open this page as 127.0.0.1 or localhost",
            );
            return Some(wrong.into_response());
        }
        self.token?;
        if let Some(answer) = self.exchange(uri) {
            return Some(answer);
        }
        if self.has_bearer(headers) || self.has_cookie(headers) {
            return None;
        }
        Some(ask_for_token(uri))
    }

    /// `?token=…` becomes a cookie, so that the token does not stand in the address bar.
    fn exchange(&self, uri: &Uri) -> Option<Response> {
        let query = uri.query()?;
        let pairs: Vec<&str> = query.split('&').collect();
        let given = pairs.iter().find_map(|pair| pair.strip_prefix("token="))?;
        if !self.is_token(&unescape(given)) {
            return Some(ask_for_token(uri));
        }
        let rest: Vec<&str> = pairs
            .into_iter()
            .filter(|pair| !pair.starts_with("token="))
            .collect();
        // One leading slash: "//elsewhere" would lead to another machine.
        let path = format!("/{}", uri.path().trim_start_matches('/'));
        let to = if rest.is_empty() {
            path
        } else {
            format!("{path}?{}", rest.join("&"))
        };
        let cookie = format!(
            "{}={}; Path=/; HttpOnly; SameSite=Strict",
            self.cookie_name,
            self.cookie.as_deref().unwrap_or_default()
        );
        Some(
            (
                StatusCode::SEE_OTHER,
                [(LOCATION, to), (SET_COOKIE, cookie)],
            )
                .into_response(),
        )
    }
}

/// Middleware around everything.
pub async fn guard(state: State, request: Request, next: Next) -> Response {
    let refused = state
        .guard
        .refuse(request.method(), request.uri(), request.headers());
    let mut answer = match refused {
        Some(answer) => answer,
        None => next.run(request).await,
    };
    let headers = answer.headers_mut();
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (
            HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    answer
}

fn digest(bytes: &[u8]) -> [u8; 32] {
    Sha256::digest(bytes).into()
}

/// In the same time wherever they differ. They are digests: even a leak would say nothing of what was digested.
fn same(a: &[u8; 32], b: &[u8; 32]) -> bool {
    let differs = a.iter().zip(b).fold(0, |differs, (a, b)| differs | (a ^ b));
    std::hint::black_box(differs) == 0
}

/// `localhost`, or an address of the loopback, with or without a port.
fn is_own_name(headers: &HeaderMap) -> bool {
    let mut given = headers.get_all(HOST).iter();
    let (Some(host), None) = (given.next(), given.next()) else {
        return false;
    };
    let Ok(host) = host.to_str() else {
        return false;
    };
    let name = match host.rsplit_once(':') {
        Some((name, port))
            if port.bytes().all(|byte| byte.is_ascii_digit()) && !name.is_empty() =>
        {
            name
        }
        _ => host,
    };
    if name.eq_ignore_ascii_case("localhost") {
        return true;
    }
    name.trim_start_matches('[')
        .trim_end_matches(']')
        .parse::<IpAddr>()
        .is_ok_and(|ip| ip.is_loopback())
}

fn ask_for_token(uri: &Uri) -> Response {
    const WHAT: &str = "this page needs its token: send it as \"Authorization: Bearer TOKEN\", or open /?token=TOKEN once";
    if uri.path().starts_with("/api") || uri.path() == "/metrics" {
        return Wrong::new(StatusCode::UNAUTHORIZED, WHAT).into_response();
    }
    let page = maud::html! {
        (maud::DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Token needed · Ohmward" }
            }
            body {
                h1 { "This page needs its token" }
                p { "It is the one that was given when this page was started (--token or --token-file)." }
                form method="get" action="/" {
                    label { "Token " input type="password" name="token" required autofocus autocomplete="current-password"; }
                    " "
                    button { "Open" }
                }
            }
        }
    };
    (
        StatusCode::UNAUTHORIZED,
        [(header::CONTENT_TYPE, "text/html; charset=utf-8")],
        page.into_string(),
    )
        .into_response()
}

/// Percent-encoding and plus signs undone; what is no encoding stays as it is.
fn unescape(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut k = 0;
    while let Some(&byte) = bytes.get(k) {
        let hex = |at: usize| {
            bytes
                .get(at)
                .and_then(|byte| char::from(*byte).to_digit(16))
        };
        match (byte, hex(k + 1), hex(k + 2)) {
            (b'%', Some(high), Some(low)) => {
                out.push((high * 16 + low) as u8);
                k += 3;
            }
            (b'+', ..) => {
                out.push(b' ');
                k += 1;
            }
            _ => {
                out.push(byte);
                k += 1;
            }
        }
    }
    String::from_utf8_lossy(&out).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn host(name: &str) -> HeaderMap {
        let mut headers = HeaderMap::new();
        headers.insert(HOST, name.parse().expect("a header"));
        headers
    }

    #[test]
    fn only_this_machines_own_names_pass() {
        for name in [
            "localhost",
            "LOCALHOST:8460",
            "127.0.0.1:8460",
            "127.9.9.9",
            "[::1]:8460",
            "[::1]",
        ] {
            assert!(is_own_name(&host(name)), "{name}");
        }
        for name in [
            "example.org",
            "localhost.example.org:8460",
            "127.0.0.1.example.org",
            "192.0.2.7:8460",
            ":8460",
            "",
        ] {
            assert!(!is_own_name(&host(name)), "{name}");
        }
        assert!(!is_own_name(&HeaderMap::new()));
        let mut two = host("localhost");
        two.append(HOST, "example.org".parse().expect("a header"));
        assert!(!is_own_name(&two));
    }

    #[test]
    fn a_token_is_long_and_plain() {
        assert!("short".parse::<Token>().is_err());
        assert!("fifteen-letters".parse::<Token>().is_err());
        assert!("sixteen-letters!\n".parse::<Token>().is_ok());
        assert!("with a blank in between".parse::<Token>().is_err());
    }

    #[test]
    fn escapes_are_undone() {
        assert_eq!(unescape("a%2Bb+c%zz%4"), "a+b c%zz%4");
    }
}
