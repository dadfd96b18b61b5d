//! Connections: each has so much time for its headers, its bodies and its silence, and so many
//! streams, and none can keep another from being served.

use std::collections::{BTreeMap, HashMap};
use std::convert::Infallible;
use std::future::Future;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::{Pin, pin};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::ConnectInfo;
use http::Request;
use http_body::{Body as HttpBody, Frame, SizeHint};
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioExecutor, TokioIo, TokioTimer};
use hyper_util::server::conn::auto::Builder;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, Sleep};
use tower::ServiceExt as _;

/// How connections are treated.
#[derive(Debug, Clone)]
pub struct Manners {
    /// Connections at once; from one address, half as many.
    pub connections_n: usize,
    /// Time for the headers of a request, and of silence before the first and between two.
    pub headers: Duration,
    /// Longest time without a request on a connection that has had one (HTTP/2).
    pub idle: Duration,
    /// Longest time from a request's headers to its reply; above what any operation may take.
    pub reply: Duration,
    /// Time to take a reply, and for each mebibyte of it once more.
    pub take: Duration,
    /// Longest time for which the other side takes in nothing of what is sent.
    pub stall: Duration,
    /// How often the other side of an HTTP/2 connection is asked whether it is there.
    pub ping: Duration,
    /// Time for open requests when the process is to end.
    pub grace: Duration,
}

impl Default for Manners {
    fn default() -> Self {
        let s = Duration::from_secs;
        Self {
            connections_n: 2_000,
            headers: s(30),
            idle: s(120),
            reply: s(630),
            take: s(60),
            stall: s(30),
            ping: s(30),
            grace: s(10),
        }
    }
}

/// Requests under way on a connection at once (HTTP/2).
const STREAMS: u32 = 128;
/// Largest headers of a request.
const HEADER_BYTES: u32 = 32 * 1024;
/// Body bytes of one request, and of one connection, that may come before they are read (HTTP/2).
const STREAM_WINDOW_BYTES: u32 = 256 * 1024;
const CONNECTION_WINDOW_BYTES: u32 = 1024 * 1024;
/// Requests that were taken back and are still to be cleared away (HTTP/2).
const RESETS: usize = 32;

/// Serves until `stop` resolves, then lets open requests end within the time of grace.
pub async fn serve(
    listener: TcpListener,
    router: Router,
    manners: Manners,
    stop: impl Future<Output = ()>,
) {
    let door = Arc::new(Semaphore::new(manners.connections_n));
    let callers = Callers::new(manners.connections_n.div_ceil(2));
    let (stopping, stopped) = watch::channel(false);
    let mut connections = JoinSet::new();
    let mut stop = pin!(stop);
    loop {
        let accepted = tokio::select! {
            () = &mut stop => break,
            accepted = accept(&listener, &door) => accepted,
            Some(_) = connections.join_next() => continue,
        };
        let Some((stream, address, place)) = accepted else {
            continue;
        };
        let Some(own_place) = callers.enter(address.ip()) else {
            continue;
        };
        let (router, manners, stopped) = (router.clone(), manners.clone(), stopped.clone());
        connections.spawn(async move {
            let _places = (place, own_place);
            attend(stream, address, router, &manners, stopped).await;
        });
    }
    drop(listener);
    let _ = stopping.send(true);
    let all_end = async { while connections.join_next().await.is_some() {} };
    // Whatever is open after that is dropped, and its requests with it.
    let _ = tokio::time::timeout(manners.grace, all_end).await;
}

async fn accept(
    listener: &TcpListener,
    door: &Arc<Semaphore>,
) -> Option<(TcpStream, SocketAddr, OwnedSemaphorePermit)> {
    let place = door.clone().acquire_owned().await.ok()?;
    match listener.accept().await {
        Ok((stream, address)) => {
            let _ = stream.set_nodelay(true);
            Some((stream, address, place))
        }
        Err(error) => {
            // The other side gave up, or there are no file descriptors left: then others must end
            // first.
            if !matches!(
                error.kind(),
                io::ErrorKind::ConnectionRefused
                    | io::ErrorKind::ConnectionAborted
                    | io::ErrorKind::ConnectionReset
            ) {
                tracing::warn!(%error, "a connection could not be accepted");
                tokio::time::sleep(Duration::from_millis(200)).await;
            }
            None
        }
    }
}

/// How many connections each address has.
#[derive(Clone)]
struct Callers {
    most_n: usize,
    open_n: Arc<Mutex<HashMap<IpAddr, usize>>>,
}

struct OwnPlace {
    callers: Callers,
    address: IpAddr,
}

impl Callers {
    fn new(most_n: usize) -> Self {
        Self {
            most_n,
            open_n: Arc::default(),
        }
    }

    fn open_n(&self) -> MutexGuard<'_, HashMap<IpAddr, usize>> {
        self.open_n.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn enter(&self, address: IpAddr) -> Option<OwnPlace> {
        let mut open_n = self.open_n();
        let n = open_n.entry(address).or_default();
        if *n >= self.most_n {
            return None;
        }
        *n += 1;
        Some(OwnPlace {
            callers: self.clone(),
            address,
        })
    }
}

impl Drop for OwnPlace {
    fn drop(&mut self) {
        let mut open_n = self.callers.open_n();
        if let Some(n) = open_n.get_mut(&self.address) {
            *n -= 1;
            if *n == 0 {
                open_n.remove(&self.address);
            }
        }
    }
}

fn builder(manners: &Manners) -> Builder<TokioExecutor> {
    let mut builder = Builder::new(TokioExecutor::new());
    builder
        .http1()
        .timer(TokioTimer::new())
        .header_read_timeout(manners.headers)
        .max_headers(100)
        .max_buf_size(64 * 1024);
    builder
        .http2()
        .timer(TokioTimer::new())
        .keep_alive_interval(manners.ping)
        .keep_alive_timeout(manners.ping)
        .max_concurrent_streams(STREAMS)
        .max_header_list_size(HEADER_BYTES)
        .initial_stream_window_size(STREAM_WINDOW_BYTES)
        .initial_connection_window_size(CONNECTION_WINDOW_BYTES)
        .max_pending_accept_reset_streams(RESETS)
        .max_local_error_reset_streams(RESETS);
    builder
}

/// Serves one connection for as long as it keeps to its times.
async fn attend(
    stream: TcpStream,
    address: SocketAddr,
    router: Router,
    manners: &Manners,
    mut stopped: watch::Receiver<bool>,
) {
    let life = Arc::new(Life::new(manners));
    let of_requests = life.clone();
    let service = service_fn(move |request: Request<Incoming>| {
        let (router, open) = (router.clone(), of_requests.begin());
        async move {
            let mut request = request.map(Body::new);
            request.extensions_mut().insert(ConnectInfo(address));
            let response = router.oneshot(request).await?;
            open.answered(response.body().size_hint().exact());
            Ok::<_, Infallible>(response.map(|body| Taken { body, _open: open }))
        }
    });
    let io = TokioIo::new(Stalling::new(stream, manners.stall));
    let builder = builder(manners);
    let mut connection = pin!(builder.serve_connection(io, service));
    let mut ending = false;
    loop {
        // A reply shortens what is left, so that it is looked at now and then.
        let rest = life.rest().min(manners.take).min(manners.idle);
        tokio::select! {
            // A fault of a connection is the other side's.
            _ = connection.as_mut() => return,
            _ = stopped.wait_for(|asked| *asked), if !ending => {
                ending = true;
                connection.as_mut().graceful_shutdown();
            }
            () = tokio::time::sleep(rest) => {
                if life.rest().is_zero() {
                    return;
                }
            }
        }
    }
}

/// What is under way on a connection, and until when that may be.
struct Life {
    manners: Manners,
    state: Mutex<State>,
}

struct State {
    next: u64,
    /// By request: until when it must have come further.
    open: BTreeMap<u64, Instant>,
    /// Until when there must be a request.
    silent_until: Instant,
}

impl Life {
    fn new(manners: &Manners) -> Self {
        Self {
            manners: manners.clone(),
            state: Mutex::new(State {
                next: 0,
                open: BTreeMap::new(),
                silent_until: Instant::now() + manners.headers,
            }),
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How long the connection may go on as it is.
    fn rest(&self) -> Duration {
        let state = self.state();
        let until = state.open.values().min().copied();
        until
            .unwrap_or(state.silent_until)
            .saturating_duration_since(Instant::now())
    }

    fn begin(self: &Arc<Self>) -> Open {
        let mut state = self.state();
        let id = state.next;
        state.next += 1;
        state.open.insert(id, Instant::now() + self.manners.reply);
        drop(state);
        Open {
            id,
            life: self.clone(),
        }
    }
}

/// A request under way, until its reply has been taken.
struct Open {
    id: u64,
    life: Arc<Life>,
}

impl Open {
    /// The reply is there, of so many bytes where that is known, and has to be taken.
    fn answered(&self, bytes: Option<u64>) {
        let take = self.life.manners.take;
        let until = match bytes {
            Some(bytes) => {
                let mib = u32::try_from(bytes / (1024 * 1024)).unwrap_or(u32::MAX);
                Instant::now() + take * mib.saturating_add(1).min(10_000)
            }
            None => Instant::now() + self.life.manners.reply,
        };
        self.life.state().open.insert(self.id, until);
    }
}

impl Drop for Open {
    fn drop(&mut self) {
        let mut state = self.life.state();
        state.open.remove(&self.id);
        state.silent_until = Instant::now() + self.life.manners.idle;
    }
}

/// A reply's body, with its request.
struct Taken {
    body: Body,
    _open: Open,
}

impl HttpBody for Taken {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        Pin::new(&mut self.body).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

/// A connection that breaks when the other side takes nothing in for too long.
struct Stalling<S> {
    stream: S,
    stall: Duration,
    since: Option<Pin<Box<Sleep>>>,
    lingers: Option<Pin<Box<Sleep>>>,
    unread_bytes: usize,
}

/// How long, and over how many bytes, whoever goes on talking after our last word is let talk into the
/// void: a connection closed on unread bytes is reset, and the last word may be lost with it.
const LINGER: Duration = Duration::from_secs(1);
const LINGER_BYTES: usize = 1024 * 1024;

impl<S> Stalling<S> {
    fn new(stream: S, stall: Duration) -> Self {
        Self {
            stream,
            stall,
            since: None,
            lingers: None,
            unread_bytes: 0,
        }
    }

    fn watch<T>(
        &mut self,
        context: &mut Context<'_>,
        written: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.since = None;
            return written;
        }
        let stall = self.stall;
        let since = self
            .since
            .get_or_insert_with(|| Box::pin(tokio::time::sleep(stall)));
        ready!(since.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Stalling<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncWrite for Stalling<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.watch(context, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(context, bytes);
        self.watch(context, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.stream).poll_flush(context);
        self.watch(context, flushed)
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let this = self.get_mut();
        ready!(Pin::new(&mut this.stream).poll_shutdown(context))?;
        let lingers = this
            .lingers
            .get_or_insert_with(|| Box::pin(tokio::time::sleep(LINGER)));
        if lingers.as_mut().poll(context).is_ready() {
            return Poll::Ready(Ok(()));
        }
        let mut part = [0; 4096];
        loop {
            let mut buffer = ReadBuf::new(&mut part);
            match ready!(Pin::new(&mut this.stream).poll_read(context, &mut buffer)) {
                Ok(()) if !buffer.filled().is_empty() => {}
                _ => return Poll::Ready(Ok(())),
            }
            this.unread_bytes += buffer.filled().len();
            if this.unread_bytes > LINGER_BYTES {
                return Poll::Ready(Ok(()));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use axum::routing::{get, post};
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    use tokio::sync::oneshot;

    use super::*;

    const MS: Duration = Duration::from_millis(1);

    /// A server whose times are short, and what ends it.
    async fn served(manners: Manners) -> (SocketAddr, oneshot::Sender<()>) {
        let router = Router::new()
            .route("/", get(async || "here"))
            .route("/long", get(async || vec![b'x'; 64 * 1024 * 1024]))
            .route("/never", get(std::future::pending::<&'static str>))
            .route("/body", post(async |body: Bytes| body.len().to_string()));
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let (stop, stopped) = oneshot::channel::<()>();
        tokio::spawn(serve(listener, router, manners, async move {
            let _ = stopped.await;
        }));
        (address, stop)
    }

    fn short() -> Manners {
        Manners {
            connections_n: 64,
            headers: 150 * MS,
            idle: 150 * MS,
            reply: 300 * MS,
            take: 150 * MS,
            stall: 150 * MS,
            ping: 10_000 * MS,
            grace: 150 * MS,
        }
    }

    /// Waits until the server has closed the connection; gives what it had said.
    async fn closed(mut stream: TcpStream) -> String {
        let mut said = Vec::new();
        // A connection that is reset has ended too.
        let _ = stream.read_to_end(&mut said).await;
        String::from_utf8_lossy(&said).into_owned()
    }

    async fn answers(address: SocketAddr) {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream
            .write_all(b"GET / HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n")
            .await
            .unwrap();
        assert!(closed(stream).await.ends_with("here"));
    }

    #[tokio::test]
    async fn connections_that_dawdle_are_closed() {
        let (address, _stop) = served(short()).await;
        let preface = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\0\0\0\x04\0\0\0\0\0";
        for begun in [
            &b""[..],
            b"GET / HT",
            b"GET / HTTP/1.1\r\nhost: x\r\nx-slow: ",
            b"GET / HTTP/1.1\r\nhost: x\r\n\r\n",
            b"GET /never HTTP/1.1\r\nhost: x\r\n\r\n",
            b"POST /body HTTP/1.1\r\nhost: x\r\ncontent-length: 100\r\n\r\nhalf",
            b"PRI * HTTP",
            preface,
        ] {
            let mut stream = TcpStream::connect(address).await.unwrap();
            stream.write_all(begun).await.unwrap();
            closed(stream).await;
        }
        answers(address).await;
    }

    #[tokio::test]
    async fn headers_that_drip_are_not_waited_for() {
        let (address, _stop) = served(short()).await;
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(b"GET / HTTP/1.1\r\n").await.unwrap();
        let mut refused = false;
        for _ in 0..10_000 {
            tokio::time::sleep(10 * MS).await;
            if stream.write_all(b"a: b\r\n").await.is_err() {
                refused = true;
                break;
            }
        }
        assert!(refused, "the connection was kept for as long as it dripped");
    }

    #[tokio::test]
    async fn whoever_does_not_take_the_reply_is_left() {
        let (address, _stop) = served(short()).await;
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream
            .write_all(b"GET /long HTTP/1.1\r\nhost: x\r\n\r\n")
            .await
            .unwrap();
        tokio::time::sleep(600 * MS).await;
        let said = closed(stream).await;
        assert!(said.len() < 64 * 1024 * 1024, "all was kept for it");
    }

    #[tokio::test]
    async fn the_last_word_is_heard_by_whoever_goes_on_talking() {
        let (address, _stop) = served(short()).await;
        let stream = TcpStream::connect(address).await.unwrap();
        let (mut reading, mut writing) = stream.into_split();
        writing
            .write_all(b"POST / HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-length: 500000\r\n\r\n")
            .await
            .unwrap();
        let _ = writing.write_all(&[b'x'; 500_000]).await;
        let mut said = String::new();
        reading.read_to_string(&mut said).await.unwrap();
        assert!(said.starts_with("HTTP/1.1 405 "), "{said}");
    }

    #[tokio::test]
    async fn one_address_does_not_take_every_place() {
        let (address, _stop) = served(Manners {
            connections_n: 4,
            headers: Duration::from_secs(60),
            ..short()
        })
        .await;
        let mut kept = Vec::new();
        for _ in 0..2 {
            kept.push(TcpStream::connect(address).await.unwrap());
        }
        let third = TcpStream::connect(address).await.unwrap();
        assert_eq!(closed(third).await, "");
        kept.pop();
        // Its place is free when the server has seen it go.
        loop {
            let mut stream = TcpStream::connect(address).await.unwrap();
            let asked = b"GET / HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n";
            if stream.write_all(asked).await.is_ok() && closed(stream).await.ends_with("here") {
                break;
            }
        }
    }

    #[tokio::test]
    async fn a_server_that_is_to_end_does_not_wait_for_ever() {
        let (address, stop) = served(Manners {
            reply: Duration::from_secs(600),
            ..short()
        })
        .await;
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream
            .write_all(b"GET /never HTTP/1.1\r\nhost: x\r\n\r\n")
            .await
            .unwrap();
        tokio::time::sleep(20 * MS).await;
        stop.send(()).unwrap();
        assert_eq!(closed(stream).await, "");
        assert!(TcpStream::connect(address).await.is_err());
    }
}
