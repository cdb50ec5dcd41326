//! Hands out the page by HTTP/1.1, and nothing else: `GET /metrics`, one answer a connection.

use super::page::{CONTENT_TYPE, page};
use super::vitals::Vitals;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};

/// So many are answered at once; more wait.
const AT_ONCE: usize = 8;
/// How long one may take.
const WITHIN: Duration = Duration::from_secs(5);
/// The longest request that is read.
const REQUEST_MAX: usize = 8 * 1024;
/// From one try to listen to the next.
const AGAIN: Duration = Duration::from_secs(10);

/// Hands the page out at this address, for ever. A line does not depend on it: where the address cannot be had, the log says so
/// and it is tried again.
pub async fn serve(at: SocketAddr, lines: Vec<Arc<Vitals>>) {
    let lines: Arc<[Arc<Vitals>]> = lines.into();
    let mut said = false;
    let listener = loop {
        match TcpListener::bind(at).await {
            Ok(listener) => break listener,
            Err(error) if said => tracing::debug!("health.listen {at}: {error}"),
            Err(error) => {
                tracing::error!(
                    "health.listen {at} cannot be listened on, {error}; wanted an address of this machine and a free port: it is tried \
                     again, and the lines work without"
                );
                said = true;
            }
        }
        sleep(AGAIN).await;
    };
    let place = listener.local_addr().unwrap_or(at);
    tracing::info!("metrics at http://{place}/metrics");
    let seats = Arc::new(Semaphore::new(AT_ONCE));
    loop {
        let seat = Arc::clone(&seats).acquire_owned().await;
        match listener.accept().await {
            Ok((stream, _)) => {
                let lines = Arc::clone(&lines);
                tokio::spawn(async move {
                    // Whoever asked may be gone; nobody else cares.
                    let _ = timeout(WITHIN, answer(stream, &lines)).await;
                    drop(seat);
                });
            }
            // Such as no descriptor left: what would be done at once would be done again at once.
            Err(_) => sleep(AGAIN).await,
        }
    }
}

async fn answer(mut stream: TcpStream, lines: &[Arc<Vitals>]) -> std::io::Result<()> {
    let mut request = Vec::new();
    let whole = |request: &[u8]| request.windows(4).any(|end| end == b"\r\n\r\n");
    while !whole(&request) && request.len() < REQUEST_MAX {
        if stream.read_buf(&mut request).await? == 0 {
            return Ok(());
        }
    }
    let first = request.split(|byte| *byte == b'\r').next();
    let first = String::from_utf8_lossy(first.unwrap_or_default()).into_owned();
    let mut words = first.split(' ');
    let (method, target) = (words.next(), words.next().unwrap_or_default());
    let path = target.split('?').next();
    let (status, more, body) = match (method, path) {
        _ if !whole(&request) => ("431 Request Header Fields Too Large", "", String::new()),
        (Some("GET" | "HEAD"), Some("/metrics")) => ("200 OK", "", page(lines)),
        (Some("GET" | "HEAD"), _) => ("404 Not Found", "", "the page is /metrics\n".into()),
        _ => (
            "405 Method Not Allowed",
            "Allow: GET, HEAD\r\n",
            String::new(),
        ),
    };
    let head = format!(
        "HTTP/1.1 {status}\r\nContent-Type: {CONTENT_TYPE}\r\nContent-Length: {}\r\nCache-Control: no-store\r\n{more}Connection: close\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).await?;
    if method != Some("HEAD") {
        stream.write_all(body.as_bytes()).await?;
    }
    stream.shutdown().await
}
