//! The server: where it listens, its certificate, its time limits, its end.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener, UdpSocket};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use axum_server::Handle;
use axum_server::tls_rustls::{RustlsAcceptor, RustlsConfig};
use tokio::sync::watch;

use super::assets::Authority;
use super::books::Books;
use super::cert::Certificate;
use super::entries::Entries;
use super::error::PageError;
use super::events::Phones;
use super::guard::Gate;
use super::limits::Limits;
use super::note::Rig;
use super::notice::{Codes, Notice, Notices};
use super::pair::{Door, Pairing};
use super::routes::router;
use super::session::Sessions;
use super::state::Server;
use super::uploads::Receiving;
use super::verdict::Judging;
use crate::book::{Book, Stamp};

/// How long requests that are under way may go on when the server ends.
const GRACE: Duration = Duration::from_secs(5);
/// How often old pairing codes are looked at, and how often old uploads.
const CODES_EVERY: Duration = Duration::from_secs(5);
const UPLOADS_EVERY: Duration = Duration::from_secs(3600);
/// Bytes of a request's head.
const HEAD_BYTES: usize = 32 << 10;
/// Threads that pass requests on; the work itself is done on others.
const THREADS: usize = 2;

/// Where and how to serve.
#[derive(Debug, Clone)]
pub struct PageSettings {
    /// The book.
    pub book: PathBuf,
    /// Name of the rig.
    pub rig: String,
    /// Port; 0: a free one.
    pub port: u16,
    /// On the network, encrypted and with pairing, instead of on this computer alone.
    pub lan: bool,
    /// Addresses of this computer on the network; empty: found.
    pub addresses: Vec<IpAddr>,
    /// Make a new certificate.
    pub new_certificate: bool,
    /// Limits.
    pub limits: Limits,
}

/// A server that runs.
#[derive(Debug)]
pub struct Running {
    /// Addresses at which the page is, the likeliest first, such as `http://127.0.0.1:8717/`.
    pub urls: Vec<String>,
    /// Fingerprint of the certificate, on the network.
    pub fingerprint: Option<String>,
    /// Whether the certificate is for another address than the first one.
    pub elsewhere: bool,
    /// The first pairing codes, on the network.
    pub codes: Option<Codes>,
    /// What happens.
    pub notices: Receiver<Notice>,
    end: watch::Sender<bool>,
    runtime: Option<tokio::runtime::Runtime>,
    served: Option<tokio::task::JoinHandle<()>>,
}

impl Running {
    /// Ends it when the system asks this program to end: Ctrl-C, a closed terminal, a shutdown.
    ///
    /// # Errors
    /// [`PageError::Serve`] if the system does not tell.
    pub fn end_on_signal(&self) -> Result<(), PageError> {
        let Some(runtime) = &self.runtime else { return Ok(()) };
        let _within = runtime.enter();
        let end = self.end.clone();
        #[cfg(unix)]
        {
            use tokio::signal::unix::{SignalKind, signal};
            let kinds = [SignalKind::interrupt(), SignalKind::terminate(), SignalKind::hangup()];
            for kind in kinds {
                let mut asked = signal(kind).map_err(PageError::Serve)?;
                let end = end.clone();
                runtime.spawn(async move {
                    asked.recv().await;
                    end.send_replace(true);
                });
            }
        }
        #[cfg(not(unix))]
        runtime.spawn(async move {
            if tokio::signal::ctrl_c().await.is_ok() {
                end.send_replace(true);
            }
        });
        Ok(())
    }

    /// Ends it; requests under way are finished first.
    pub fn stop(mut self) {
        self.end.send_replace(true);
        if let (Some(runtime), Some(served)) = (self.runtime.take(), self.served.take()) {
            // A server that does not end by itself is ended below.
            let _ = runtime.block_on(async { tokio::time::timeout(GRACE * 2, served).await });
            runtime.shutdown_timeout(GRACE);
        }
    }
}

/// This computer's addresses on its networks. Nothing is sent: the system is only asked which address it would use.
fn own_addresses() -> Vec<IpAddr> {
    // Addresses of documentation and the private networks: one for each way out.
    let ways = [[192, 0, 2, 1], [192, 168, 255, 254], [10, 255, 255, 254], [172, 31, 255, 254]];
    let mut out: Vec<IpAddr> = Vec::new();
    for way in ways {
        let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0));
        let own = socket.and_then(|s| s.connect((Ipv4Addr::from(way), 9)).and_then(|()| s.local_addr()));
        if let Ok(own) = own
            && !own.ip().is_unspecified()
            && !own.ip().is_loopback()
            && !out.contains(&own.ip())
        {
            out.push(own.ip());
        }
    }
    out
}

/// Starts serving; returns when the page can be reached.
///
/// # Errors
/// No book, a port that is taken, a folder that can't be written.
pub fn start(settings: &PageSettings) -> Result<Running, PageError> {
    let limits = settings.limits;
    let mut book = Book::open(&settings.book)?;
    book.discard_old_uploads(&Stamp::now())?;
    let place = book.dir().to_path_buf();
    drop(book);

    let here = if settings.lan { Ipv4Addr::UNSPECIFIED } else { Ipv4Addr::LOCALHOST };
    let taken = |source| PageError::Port { port: settings.port, source };
    let listener = TcpListener::bind((here, settings.port)).map_err(taken)?;
    let port = listener.local_addr().map_err(taken)?.port();

    let mut addresses = if settings.addresses.is_empty() { own_addresses() } else { settings.addresses.clone() };
    addresses.push(IpAddr::V4(Ipv4Addr::LOCALHOST));
    let folder = place.join("page");
    std::fs::create_dir_all(&folder).map_err(|source| PageError::File { path: folder.clone(), source })?;
    let (certificate, sessions, pairing) = if settings.lan {
        let certificate = Certificate::kept_in(&folder, &addresses, settings.new_certificate)?;
        (Some(certificate), Sessions::kept_in(folder.join("sessions.json"))?, Some(Pairing::new(limits)?))
    } else {
        (None, Sessions::local(&folder.join("local.key"))?, None)
    };
    let codes = pairing.as_ref().map(|p| p.codes(Instant::now()));
    let urls = match &certificate {
        Some(_) => addresses.iter().map(|a| format!("https://{}/", SocketAddr::new(*a, port))).collect(),
        None => vec![format!("http://{}/", SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), port))],
    };
    let fingerprint = certificate.as_ref().map(Certificate::fingerprint).transpose()?;
    let elsewhere = certificate.as_ref().zip(addresses.first()).is_some_and(|(c, a)| !c.is_for(*a));
    let authority = certificate.as_ref().map(Certificate::authority).transpose()?;
    let tls = certificate.as_ref().map(Certificate::server).transpose()?;

    let (notices, heard) = channel();
    let (end, ended) = watch::channel(false);
    let handle = Handle::new();
    let sessions = Arc::new(sessions);
    let pairing = pairing.map(Arc::new);
    let notices = Notices(notices);
    let books = Books::new(place);
    let phones = Phones::new(limits.listeners, ended.clone());
    let server = Server {
        limits,
        gate: Gate {
            secure: settings.lan,
            port,
            limits,
            sessions: Arc::clone(&sessions),
            handle: handle.clone(),
            notices: notices.clone(),
        },
        door: Door { pairing, sessions, limits, notices },
        rig: Rig(settings.rig.as_str().into()),
        authority: Authority(authority.map(Into::into)),
        entries: Entries { books: books.clone(), phones: phones.clone() },
        receiving: Arc::new(Receiving::new(limits.pieces_at_once)),
        judging: Arc::new(Judging::new(books.clone(), phones.clone(), limits.verdict_wait)),
        listening: Arc::default(),
        books,
        phones,
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(THREADS)
        .enable_all()
        .build()
        .map_err(PageError::Serve)?;
    let socket = {
        let _within = runtime.enter();
        axum_server::from_tcp(listener).map_err(PageError::Serve)?.handle(handle.clone())
    };
    runtime.spawn(keep_house(server.door.clone(), server.books.clone(), ended.clone()));
    runtime.spawn(until_ended(ended, handle));
    let served = runtime.spawn(serve(socket, tls.map(RustlsConfig::from_config), server));
    Ok(Running {
        urls,
        fingerprint,
        elsewhere,
        codes,
        notices: heard,
        end,
        runtime: Some(runtime),
        served: Some(served),
    })
}

async fn serve(mut socket: axum_server::Server<SocketAddr>, tls: Option<RustlsConfig>, server: Server) {
    let app = router(&server).into_make_service_with_connect_info::<SocketAddr>();
    let head_time = server.limits.head_time;
    socket.http_builder().http1().header_read_timeout(head_time).max_buf_size(HEAD_BYTES);
    let socket = socket.http1_only().first_request_timeout(head_time);
    let served = match tls {
        Some(config) => {
            let acceptor = RustlsAcceptor::new(config).handshake_timeout(head_time);
            socket.acceptor(acceptor).serve(app).await
        }
        None => socket.serve(app).await,
    };
    if let Err(err) = served {
        server.door.notices.tell(Notice::Trouble(format!("the server ended: {err}")));
    }
    server.door.notices.tell(Notice::Ended);
}

/// Ends the server on a signal or when it is told to.
async fn until_ended(mut ended: watch::Receiver<bool>, handle: Handle<SocketAddr>) {
    let _ = ended.wait_for(|e| *e).await;
    handle.graceful_shutdown(Some(GRACE));
}

/// New codes for old ones; uploads that nobody goes on with.
async fn keep_house(door: Door, books: Books, mut ended: watch::Receiver<bool>) {
    let mut last = Instant::now();
    loop {
        tokio::select! {
            () = tokio::time::sleep(CODES_EVERY) => {}
            _ = ended.wait_for(|e| *e) => return,
        }
        let now = Instant::now();
        if let Some(pairing) = &door.pairing {
            match pairing.renew_old(now) {
                Ok(true) => door.notices.tell(Notice::Codes(pairing.codes(now))),
                Ok(false) => {}
                Err(err) => door.notices.tell(Notice::Trouble(err.to_string())),
            }
        }
        if now.duration_since(last) >= UPLOADS_EVERY {
            last = now;
            if books.work(|book| Ok(book.discard_old_uploads(&Stamp::now())?)).await.is_err() {
                door.notices.tell(Notice::Trouble("old uploads could not be discarded".to_owned()));
            }
        }
    }
}
