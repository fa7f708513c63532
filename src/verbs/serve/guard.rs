//! Which requests are answered: those of a browser on this computer from our own page, and none
//! that another site sends.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, HOST, ORIGIN, REFERRER_POLICY, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::Bench;

/// A name that leads here from elsewhere shows in `Host`, a page from elsewhere in `Origin`.
pub async fn door(State(bench): State<Arc<Bench>>, request: Request, next: Next) -> Response {
    if !bench.is_asked_by(request.headers()) {
        let [address, _] = &bench.hosts;
        let told = format!("Only requests from http://{address}/ are answered.\n");
        return (StatusCode::FORBIDDEN, told).into_response();
    }
    let mut answer = next.run(request).await;
    let rules = [
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (REFERRER_POLICY, "no-referrer"),
        (CACHE_CONTROL, "no-store"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        // The pages have policies of their own; none of them is shown inside another.
        (CONTENT_SECURITY_POLICY, "frame-ancestors 'none'"),
    ];
    for (name, rule) in rules {
        answer.headers_mut().insert(name, HeaderValue::from_static(rule));
    }
    answer
}

impl Bench {
    fn is_asked_by(&self, headers: &HeaderMap) -> bool {
        let told = |name: HeaderName| headers.get(name).map(HeaderValue::as_bytes);
        let is_ours = |host: &[u8]| self.hosts.iter().any(|ours| ours.as_bytes() == host);
        let from_ours = |origin: &[u8]| origin.strip_prefix(b"http://").is_some_and(is_ours);
        told(HOST).is_some_and(is_ours) && told(ORIGIN).is_none_or(from_ours)
    }
}
