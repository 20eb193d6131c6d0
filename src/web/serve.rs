//! Connections in: taken, bounded in number and time, with or without TLS, and let go at the end.

use std::{net::SocketAddr, sync::Arc, time::Duration};

use axum::{Router, http::Request};
use hyper::{
    body::Incoming,
    server::conn::http1,
    service::{Service as _, service_fn},
};
use hyper_util::{
    rt::{TokioIo, TokioTimer},
    service::TowerToHyperService,
};
use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::{TcpListener, TcpStream},
    sync::{Semaphore, watch},
    task::JoinSet,
    time::{interval, sleep, timeout},
};
use tokio_rustls::TlsAcceptor;
use tracing::{info, warn};

use super::tls::{Certificate, Files};
use crate::inbox::stopping;

/// Connections at a time; one more waits until another is closed.
const CONNECTIONS: usize = 100;
/// How long a handshake, or the head of a request, may take to arrive; also how long a connection
/// may stay open between two requests.
const HEAD_TIME: Duration = Duration::from_secs(10);
/// A changed certificate is noticed after this at the latest.
const LOOK_EVERY: Duration = Duration::from_secs(60);
/// At the end, how long answers under way may take; an open event stream never ends by itself.
const LET_GO: Duration = Duration::from_secs(1);

/// How the pages are reached.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Settings {
    /// Further names they answer to.
    pub names: Vec<String>,
    /// Certificate and key; without them what is sent is not encrypted.
    pub tls: Option<Files>,
    /// The grower said that plain HTTP beyond this computer is meant.
    pub plain_http: bool,
}

/// Whoever is at the other end of the connection; goes with every request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer(pub SocketAddr);

/// Serves until it is asked to stop.
pub async fn serve(
    listener: TcpListener,
    app: Router,
    mut certificate: Option<Certificate>,
    mut stop: watch::Receiver<bool>,
) {
    let room = Arc::new(Semaphore::new(CONNECTIONS));
    let mut look = interval(LOOK_EVERY);
    let mut open = JoinSet::new();
    loop {
        while open.try_join_next().is_some() {}
        let accepted = tokio::select! {
            () = stopping(&mut stop) => break,
            _ = look.tick() => {
                look_at(&mut certificate);
                continue;
            }
            accepted = accept(&listener, &room) => accepted,
        };
        let (stream, peer, place) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                // Too many open files, for one: it passes, and until then nothing is gained by haste.
                warn!(%error, "a connection could not be taken");
                sleep(LET_GO).await;
                continue;
            }
        };
        let app = app.clone();
        let tls = certificate.as_ref().map(Certificate::acceptor);
        let stop = stop.clone();
        open.spawn(async move {
            connection(stream, peer, tls, app, stop).await;
            drop(place);
        });
    }
    let all = async { while open.join_next().await.is_some() {} };
    let _ = timeout(LET_GO, all).await;
}

async fn accept(
    listener: &TcpListener,
    room: &Arc<Semaphore>,
) -> std::io::Result<(TcpStream, SocketAddr, tokio::sync::OwnedSemaphorePermit)> {
    let place = room
        .clone()
        .acquire_owned()
        .await
        .map_err(std::io::Error::other)?;
    let (stream, peer) = listener.accept().await?;
    Ok((stream, peer, place))
}

fn look_at(certificate: &mut Option<Certificate>) {
    match certificate.as_mut().map(Certificate::look) {
        Some(Ok(true)) => info!("a changed certificate is in use"),
        Some(Err(error)) => warn!("{error}; the one before stays in use"),
        Some(Ok(false)) | None => {}
    }
}

async fn connection(
    stream: TcpStream,
    peer: SocketAddr,
    tls: Option<TlsAcceptor>,
    app: Router,
    stop: watch::Receiver<bool>,
) {
    // Small answers are not to wait for each other.
    let _ = stream.set_nodelay(true);
    match tls {
        None => speak(stream, peer, app, stop).await,
        Some(tls) => {
            // Whoever speaks no TLS, or does not trust the certificate, goes without an answer.
            if let Ok(Ok(stream)) = timeout(HEAD_TIME, tls.accept(stream)).await {
                speak(stream, peer, app, stop).await;
            }
        }
    }
}

async fn speak<S: AsyncRead + AsyncWrite + Unpin>(
    stream: S,
    peer: SocketAddr,
    app: Router,
    mut stop: watch::Receiver<bool>,
) {
    let service = service_fn(move |mut request: Request<Incoming>| {
        request.extensions_mut().insert(Peer(peer));
        TowerToHyperService::new(app.clone()).call(request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIME)
        .serve_connection(TokioIo::new(stream), service);
    tokio::pin!(connection);
    tokio::select! {
        // A browser that goes away in the middle is nothing to tell.
        _ = connection.as_mut() => return,
        () = stopping(&mut stop) => {}
    }
    connection.as_mut().graceful_shutdown();
    let _ = connection.await;
}
