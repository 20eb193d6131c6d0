//! `run`: puts the parts together, starts them in order and stops them in order.

use std::{net::SocketAddr, path::Path, sync::Arc, time::Duration};

use anyhow::Context as _;
use tokio::{
    net::TcpListener,
    runtime::{Builder, Runtime},
    signal::unix::{SignalKind, signal},
    sync::{Semaphore, watch},
    task::JoinHandle,
    time::timeout,
};
use tracing::{info, warn};

use super::{Failure, Outcome, access, configuration, lock, log_to_stderr, told};
use crate::{
    clock::Clock,
    config::Config,
    engine::{Engine, Opening, Status, account::Accounts},
    inbox::{self, Board, Inbox},
    intake::{file_tail::FileTail, http, serial::Serial},
    notify::{channel::Post, courier::Courier, heartbeat, words::Manner},
    store::{Store, access::passphrase_is_set},
    web::{self, Site, access::Access, serve::serve, tls::Certificate},
};

/// How long stopping may take at each step before it goes on without.
const PATIENCE: Duration = Duration::from_secs(5);

/// `overwinter run`.
pub fn run(path: &Path) -> Outcome {
    log_to_stderr("info");
    let config = configuration(path)?;
    for warning in &config.warnings {
        warn!("{}: {warning}", path.display());
    }
    let _lock = lock(&config.database)?;
    runtime()?.block_on(async {
        let clock = Clock::machine();
        let running = Running::start(&config, clock.clone(), None).await?;
        let base = running.access.names.base(None, running.access.served);
        tell!("Watching. Open {base}/");
        if running.store.passphrase().await?.is_none() {
            access::offer(&base, &running.access.offer_code(clock.now())?);
        }
        let done = tokio::select! {
            done = asked_to_stop() => done,
            // Pages alone would look like a recorder that works.
            () = running.gone() => Err(anyhow::anyhow!("the recorder has stopped by itself").into()),
        };
        running.finish().await;
        done
    })
}

/// A small runtime: two threads serve a store with hundreds of sensors.
pub fn runtime() -> Result<Runtime, Failure> {
    Ok(Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?)
}

/// Waits for an interrupt or a request to end.
pub async fn asked_to_stop() -> Outcome {
    let mut end = signal(SignalKind::terminate())?;
    tokio::select! {
        done = tokio::signal::ctrl_c() => done?,
        _ = end.recv() => {}
    }
    Ok(())
}

/// A daemon at work.
pub struct Running {
    /// Where the pages are served.
    pub address: SocketAddr,
    /// The store, for looking.
    pub store: Store,
    /// Who may open the pages.
    pub access: Arc<Access>,
    /// What is known now.
    pub status: watch::Receiver<Arc<Status>>,
    /// Where the writer is asked to do something.
    pub inbox: Inbox,
    sources: Vec<JoinHandle<()>>,
    stop_sources: watch::Sender<bool>,
    couriers: Vec<JoinHandle<()>>,
    stop_couriers: watch::Sender<bool>,
    engine: JoinHandle<Engine>,
    stop_engine: watch::Sender<bool>,
    web: JoinHandle<()>,
    stop_web: watch::Sender<bool>,
}

impl Running {
    /// Starts everything; returns once the pages are served.
    pub async fn start(
        config: &Config,
        clock: Clock,
        notice: Option<String>,
    ) -> Result<Self, Failure> {
        let listener = TcpListener::bind(config.listen).await.map_err(|e| {
            Failure::input(
                format!("cannot listen on {}: {e}", config.listen),
                "is it running already? otherwise give another port with `listen`",
            )
        })?;
        let address = listener.local_addr()?;
        let set = passphrase_is_set(&config.database)
            .await
            .with_context(|| format!("cannot open `{}`", config.database.display()))?;
        if !set && !address.ip().is_loopback() {
            return Err(access::refuse_open(address));
        }
        let certificate = certificate(config, &clock)?;
        let mut engine = Engine::open(
            &config.database,
            config.watch.clone(),
            clock.clone(),
            Opening::Daemon,
        )
        .await
        .with_context(|| format!("cannot open `{}`", config.database.display()))?;
        if !config.telling.contacts.is_empty() {
            engine
                .tell_by(told::teller(config))
                .await
                .context("cannot look through what was told")?;
        }
        let store = engine.store().clone();
        let status = engine.status();
        let (inbox, envelopes) = inbox::channel();
        let board = Board::default();
        let access = Arc::new(Access::new(access::names(config), access::served(address)));
        let site = Site {
            name: config.site.clone(),
            manner: Manner {
                zone: config.zone,
                unit: config.unit,
            },
            notice,
            clock: clock.clone(),
            status: status.clone(),
            store: store.clone(),
            inbox: inbox.clone(),
            board: board.clone(),
            access: access.clone(),
            told: Arc::new(told::page(config)),
            accounts: Accounts::default(),
            looking: Arc::new(Semaphore::new(1)),
        };
        let (stop_engine, engine_stops) = watch::channel(false);
        let engine = tokio::spawn(engine.run(envelopes, engine_stops));

        let app = web::router(site.clone()).merge(http::router(
            inbox.clone(),
            board.clone(),
            config.gateways.clone(),
            clock.clone(),
        ));
        let app = web::guarded(app, site);
        let (stop_web, web_stops) = watch::channel(false);
        let web = tokio::spawn(serve(listener, app, certificate, web_stops));

        let (stop_sources, _) = watch::channel(false);
        let sources = sources(config, &inbox, &board, &clock, &store, &stop_sources).await?;
        let (stop_couriers, _) = watch::channel(false);
        let couriers = couriers(config, &inbox, &clock, &store, &status, &stop_couriers);
        info!(%address, sensors = config.watch.sensors.len(), "the recorder runs");
        Ok(Self {
            address,
            store,
            access,
            status,
            inbox,
            sources,
            stop_sources,
            couriers,
            stop_couriers,
            engine,
            stop_engine,
            web,
            stop_web,
        })
    }

    /// Waits until the writer has ended without being asked to.
    pub async fn gone(&self) {
        let mut status = self.status.clone();
        while status.changed().await.is_ok() {}
    }

    /// Stops sources, then the writer, then the pages; what was accepted is on disk.
    pub async fn finish(self) {
        self.stop_sources.send_replace(true);
        self.stop_couriers.send_replace(true);
        for source in self.sources {
            let _ = timeout(PATIENCE, source).await;
        }
        // A message that is on its way and not noted in time is sent again at the next start.
        let couriers = async {
            for courier in self.couriers {
                let _ = courier.await;
            }
        };
        let _ = timeout(PATIENCE, couriers).await;
        self.stop_engine.send_replace(true);
        let engine = timeout(PATIENCE, self.engine).await;
        self.stop_web.send_replace(true);
        let _ = timeout(PATIENCE, self.web).await;
        if let Ok(Ok(engine)) = engine {
            engine.close().await;
        }
    }
}

fn couriers(
    config: &Config,
    inbox: &Inbox,
    clock: &Clock,
    store: &Store,
    status: &watch::Receiver<Arc<Status>>,
    stop: &watch::Sender<bool>,
) -> Vec<JoinHandle<()>> {
    let post = Arc::new(Post::new());
    let mut tasks = Vec::new();
    for channel in &config.channels {
        let courier = Courier::new(
            channel.clone(),
            config.site.clone(),
            store.clone(),
            inbox.clone(),
            clock.clone(),
            post.clone(),
        );
        tasks.push(tokio::spawn(courier.run(stop.subscribe())));
    }
    if let Some(settings) = &config.heartbeat {
        let (status, clock) = (status.clone(), clock.clone());
        let well = move || {
            let status = status.borrow();
            status.store_fault.is_none() && !status.is_old(clock.now(), clock.speed())
        };
        let beat = heartbeat::run(settings.clone(), well, stop.subscribe());
        tasks.push(tokio::spawn(beat));
    }
    tasks
}

async fn sources(
    config: &Config,
    inbox: &Inbox,
    board: &Board,
    clock: &Clock,
    store: &Store,
    stop: &watch::Sender<bool>,
) -> Result<Vec<JoinHandle<()>>, Failure> {
    let mut tasks = Vec::new();
    for file in &config.files {
        let position = store.position(&file.source).await?;
        let tail = FileTail::new(
            file.clone(),
            inbox.clone(),
            board.clone(),
            position.as_deref(),
        );
        tasks.push(tokio::spawn(tail.run(stop.subscribe())));
    }
    for port in &config.serials {
        let serial = Serial::new(port.clone(), inbox.clone(), board.clone(), clock.clone());
        tasks.push(tokio::spawn(serial.run(stop.subscribe())));
    }
    Ok(tasks)
}

fn certificate(config: &Config, clock: &Clock) -> Result<Option<Certificate>, Failure> {
    let Some(files) = config.reach.tls.clone() else {
        return Ok(None);
    };
    let pair = Certificate::new(files).map_err(|e| {
        Failure::input(
            e.to_string(),
            "look at `tls_certificate` and `tls_key` in the configuration, and whether this user may read them",
        )
    })?;
    if pair.ends.is_some_and(|end| end < clock.now()) {
        warn!("the certificate has ended; browsers refuse it");
    }
    Ok(Some(pair))
}
