//! Many clients asking the same over and over.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use http::{Request, header};
use http_body_util::{BodyExt as _, Empty};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper_util::rt::TokioIo;
use tokio::net::TcpStream;

use super::Outcome;

/// What many clients were answered.
pub(super) struct Load {
    /// Calls a second, of all clients.
    pub(super) rate: f64,
    /// Time within which 99 of 100 calls were answered.
    pub(super) p99: Duration,
}

/// Has as many clients as asked read a path over HTTP/1.1, each on one connection and as soon as
/// it was answered, for some time.
pub(super) async fn read(
    address: SocketAddr,
    path: &str,
    token: &str,
    clients_n: u32,
    time: Duration,
) -> Outcome<Load> {
    let started = Instant::now();
    let end = started + time;
    let mut running = tokio::task::JoinSet::new();
    for _ in 0..clients_n {
        let request = Request::get(path)
            .header(header::HOST, address.to_string())
            .header(header::AUTHORIZATION, format!("Bearer {token}"))
            .body(Empty::<Bytes>::new())?;
        running.spawn(async move {
            let stream = TcpStream::connect(address).await?;
            stream.set_nodelay(true)?;
            let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await?;
            tokio::spawn(connection);
            let mut took = Vec::new();
            let mut asked = Instant::now();
            while asked < end {
                let reply = sender.send_request(request.clone()).await?;
                if !reply.status().is_success() {
                    return Err(format!("{} was answered", reply.status()).into());
                }
                reply.into_body().collect().await?;
                let answered = Instant::now();
                took.push(answered - asked);
                asked = answered;
            }
            Outcome::Ok(took)
        });
    }
    let mut took = Vec::new();
    while let Some(ended) = running.join_next().await {
        took.extend(ended??);
    }
    let rate = took.len() as f64 / started.elapsed().as_secs_f64();
    took.sort_unstable();
    let p99 = took.get(took.len() * 99 / 100).copied();
    Ok(Load {
        rate,
        p99: p99.ok_or("nothing was answered")?,
    })
}
