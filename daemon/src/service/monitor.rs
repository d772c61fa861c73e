//! The page for monitors, over HTTP: `/metrics` as OpenMetrics and `/health` as JSON. Read only, and off unless the rules ask
//! for it. It has no part in guarding: if it fails, the guard goes on.

use std::convert::Infallible;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use http_body_util::Full;
use hyper::header::{ALLOW, CONTENT_TYPE, HeaderValue};
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::task::JoinHandle;
use tokio::time::timeout;

use super::metrics::Metrics;
use crate::time::Clock;

/// A monitor needs one connection; more than these wait.
const CONNECTIONS_MAX: usize = 8;
/// Whoever is slower is cut off.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);
const HEADER_WITHIN: Duration = Duration::from_secs(5);
/// OpenMetrics 1.0, section "Content type" (from memory).
const OPENMETRICS: HeaderValue =
    HeaderValue::from_static("application/openmetrics-text; version=1.0.0; charset=utf-8");
const JSON: HeaderValue = HeaderValue::from_static("application/json");

/// Listens where the rules say, as long as they say so.
#[derive(Debug)]
pub(super) struct Monitor {
    metrics: Arc<Metrics>,
    listening: Option<(SocketAddr, JoinHandle<()>)>,
}

impl Monitor {
    pub(super) fn new(metrics: Arc<Metrics>) -> Monitor {
        Monitor { metrics, listening: None }
    }

    /// At the start, and when the rules have changed.
    pub(super) fn follow(&mut self, wanted: Option<SocketAddr>) {
        if self.listening.as_ref().map(|(address, _)| *address) == wanted {
            return;
        }
        if let Some((_, task)) = self.listening.take() {
            task.abort();
        }
        if let Some(address) = wanted {
            let task = tokio::spawn(listen(address, self.metrics.clone()));
            self.listening = Some((address, task));
        }
    }
}

impl Drop for Monitor {
    fn drop(&mut self) {
        self.follow(None);
    }
}

async fn listen(address: SocketAddr, metrics: Arc<Metrics>) {
    let listener = match TcpListener::bind(address).await {
        Ok(listener) => listener,
        Err(error) => {
            tracing::error!(%address, %error, "the page for monitors cannot be served; the guard carries on without it");
            return;
        }
    };
    tracing::info!(%address, "page for monitors");
    let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    loop {
        let Ok(permit) = room.clone().acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let metrics = metrics.clone();
                tokio::spawn(async move {
                    serve(stream, metrics).await;
                    drop(permit);
                });
            }
            // Out of file handles, most likely: they come back.
            Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
        }
    }
}

async fn serve(stream: TcpStream, metrics: Arc<Metrics>) {
    let answer = service_fn(move |request| {
        let answer = answer(&request, &metrics);
        async move { Ok::<_, Infallible>(answer) }
    });
    let connection = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_WITHIN)
        .keep_alive(false)
        .serve_connection(TokioIo::new(stream), answer);
    if let Ok(Err(error)) = timeout(ANSWER_WITHIN, connection).await {
        tracing::debug!(%error, "a monitor's connection ended");
    }
}

fn answer<B>(request: &Request<B>, metrics: &Metrics) -> Response<Full<Bytes>> {
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        let mut answer = page(StatusCode::METHOD_NOT_ALLOWED, JSON, "{}".to_owned());
        answer.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
        return answer;
    }
    match request.uri().path() {
        "/metrics" => match metrics.to_openmetrics() {
            Ok(text) => page(StatusCode::OK, OPENMETRICS, text),
            Err(_) => page(StatusCode::INTERNAL_SERVER_ERROR, JSON, "{}".to_owned()),
        },
        "/health" => {
            let (good, health) = metrics.health(Clock.now().moment);
            let status = if good { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
            page(status, JSON, health.to_string())
        }
        _ => page(StatusCode::NOT_FOUND, JSON, "{}".to_owned()),
    }
}

fn page(status: StatusCode, kind: HeaderValue, text: String) -> Response<Full<Bytes>> {
    let mut page = Response::new(Full::new(Bytes::from(text)));
    *page.status_mut() = status;
    page.headers_mut().insert(CONTENT_TYPE, kind);
    page
}
