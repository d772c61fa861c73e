//! Who is answered, and with what. Nothing here can be asked to do anything.

use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use bytes::Bytes;
use hyper::header::{ALLOW, CACHE_CONTROL, CONTENT_TYPE, HOST, HeaderName, HeaderValue, REFERRER_POLICY};
use hyper::header::{CONTENT_SECURITY_POLICY, X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS};
use hyper::{Method, Request, Response, StatusCode};

use super::body::Sent;
use super::connections::Watch;
use crate::metrics::Metrics;
use crate::page::{DOCUMENT, Stage};
use idlegate_os::Clock;
use idlegate_plan::Monitoring;

/// OpenMetrics 1.0, section "Content type" (from memory).
const OPENMETRICS: HeaderValue =
    HeaderValue::from_static("application/openmetrics-text; version=1.0.0; charset=utf-8");
const JSON: HeaderValue = HeaderValue::from_static("application/json");
const HTML: HeaderValue = HeaderValue::from_static("text/html; charset=utf-8");
const EVENTS: HeaderValue = HeaderValue::from_static("text/event-stream");
/// By which a browser says for whose page it asks (Fetch Metadata).
const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// What there is to be served.
#[derive(Debug)]
pub(super) struct Site {
    pub(super) monitoring: Monitoring,
    pub(super) metrics: Arc<Metrics>,
    /// Where there is a page for people.
    pub(super) stage: Option<Stage>,
}

impl Site {
    pub(super) fn answer<B>(&self, request: &Request<B>, peer: IpAddr, watch: &Watch) -> Response<Sent> {
        let mut answer = self.bare_answer(request, peer, watch);
        // Whatever it is: what was true a moment ago is not to be shown later, nor read by a stranger's page.
        for (name, value) in [
            (CACHE_CONTROL, "no-store"),
            (X_CONTENT_TYPE_OPTIONS, "nosniff"),
            (REFERRER_POLICY, "no-referrer"),
            (X_FRAME_OPTIONS, "DENY"),
            (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
            (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        ] {
            answer.headers_mut().insert(name, HeaderValue::from_static(value));
        }
        answer
    }

    fn bare_answer<B>(&self, request: &Request<B>, peer: IpAddr, watch: &Watch) -> Response<Sent> {
        if !is_asked_by_its_name(request, &self.monitoring.names) {
            return text(StatusCode::MISDIRECTED_REQUEST, JSON, "{}");
        }
        if !self.may_read(peer, request.uri().path()) {
            return text(StatusCode::FORBIDDEN, JSON, "{}");
        }
        if !matches!(*request.method(), Method::GET | Method::HEAD) {
            let mut answer = text(StatusCode::METHOD_NOT_ALLOWED, JSON, "{}");
            answer.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
            return answer;
        }
        match (request.uri().path(), &self.stage) {
            ("/metrics", _) => match self.metrics.to_openmetrics() {
                Ok(page) => text(StatusCode::OK, OPENMETRICS, page),
                Err(_) => text(StatusCode::INTERNAL_SERVER_ERROR, JSON, "{}"),
            },
            ("/health", _) => {
                let (good, health) = self.metrics.health(Clock.now().moment);
                let status = if good { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
                text(status, JSON, health.to_string())
            }
            ("/", Some(_)) => document(),
            ("/events", Some(stage)) => events(request, stage, watch),
            _ => text(StatusCode::NOT_FOUND, JSON, "{}"),
        }
    }

    /// Whoever sits at this computer, and whom the rules name. Metrics and health were open to everybody before there
    /// was a page, and stay so where nobody is named.
    fn may_read(&self, peer: IpAddr, path: &str) -> bool {
        let Monitoring { hosts, .. } = &self.monitoring;
        let for_monitors = matches!(path, "/metrics" | "/health");
        peer.to_canonical().is_loopback()
            || hosts.iter().any(|host| host.contains(peer))
            || (hosts.is_empty() && for_monitors)
    }
}

fn document() -> Response<Sent> {
    let mut answer = text(StatusCode::OK, HTML, DOCUMENT.html.clone());
    answer.headers_mut().insert(CONTENT_SECURITY_POLICY, DOCUMENT.policy.clone());
    answer
}

fn events<B>(request: &Request<B>, stage: &Stage, watch: &Watch) -> Response<Sent> {
    // A stranger's page cannot read this, and is not to take a place from somebody who can.
    let site = request.headers().get(FETCH_SITE).map(HeaderValue::as_bytes);
    if !matches!(site, None | Some(b"same-origin" | b"none")) {
        return text(StatusCode::FORBIDDEN, JSON, "{}");
    }
    if request.method() == Method::HEAD {
        return text(StatusCode::OK, EVENTS, "");
    }
    match stage.admit(watch.cut.clone()) {
        Ok(frames) => {
            watch.watches.store(true, Ordering::Relaxed);
            let mut answer = Response::new(Sent::Frames(frames));
            answer.headers_mut().insert(CONTENT_TYPE, EVENTS);
            answer
        }
        Err(full) => text(StatusCode::OK, EVENTS, full),
    }
}

/// A browser on this computer can be led here under the name of a stranger's page (DNS rebinding); it then says so
/// itself.
fn is_asked_by_its_name<B>(request: &Request<B>, names: &[String]) -> bool {
    let host = request.headers().get(HOST).and_then(|host| host.to_str().ok());
    let authority = host.and_then(|host| host.parse::<hyper::http::uri::Authority>().ok());
    authority.is_some_and(|authority| {
        let name = authority.host().trim_start_matches('[').trim_end_matches(']').trim_end_matches('.');
        name.parse::<IpAddr>().is_ok()
            || name.eq_ignore_ascii_case("localhost")
            || names.iter().any(|known| known.eq_ignore_ascii_case(name))
    })
}

fn text(status: StatusCode, kind: HeaderValue, text: impl Into<Bytes>) -> Response<Sent> {
    let text: Bytes = text.into();
    let mut answer = Response::new(Sent::Text((!text.is_empty()).then_some(text)));
    *answer.status_mut() = status;
    answer.headers_mut().insert(CONTENT_TYPE, kind);
    answer
}
