//! What changes, as it changes (server-sent events, HTML Living Standard section 9.2).

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use askama::Template;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Sse;
use axum::response::sse::{Event, KeepAlive};
use tokio::sync::{OwnedSemaphorePermit, mpsc};
use tokio_stream::Stream;
use tokio_stream::wrappers::ReceiverStream;

use super::serve::Shared;
use super::show;
use crate::web::trouble::Trouble;

/// Values and ages are told this often.
const EVERY: Duration = Duration::from_millis(1000);

/// Something is sent at least this often, so that both ends notice when the other is gone.
const ALIVE_EVERY: Duration = Duration::from_secs(15);

/// The turn as soon as it changes, and what changes by itself each second.
pub(super) async fn stream(
    State(site): State<Shared>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Trouble> {
    let full = "Too many pages are open. Close some.";
    let seat = Arc::clone(&site.seats)
        .try_acquire_owned()
        .map_err(|_| Trouble::with(StatusCode::SERVICE_UNAVAILABLE, full))?;
    let (to, events) = mpsc::channel(1);
    tokio::spawn(follow(site, seat, to));
    Ok(Sse::new(ReceiverStream::new(events)).keep_alive(KeepAlive::new().interval(ALIVE_EVERY)))
}

async fn follow(site: Shared, _seat: OwnedSemaphorePermit, to: mpsc::Sender<Result<Event, Infallible>>) {
    let mut board = site.board.follow();
    let mut turn = 0;
    loop {
        let shown = board.borrow_and_update().clone();
        if shown.turn != turn {
            turn = shown.turn;
            if to.send(Ok(Event::default().event("turn").data(turn.to_string()))).await.is_err() {
                return;
            }
        }
        let live = show::live(&shown, site.clock.wall()).render().unwrap_or_default();
        if to.send(Ok(Event::default().event("live").data(live))).await.is_err() {
            return;
        }
        let next = async {
            // Values may change many times a second; only a turn is told at once.
            while board.changed().await.is_ok() {
                if board.borrow_and_update().turn != turn {
                    return;
                }
            }
            std::future::pending::<()>().await;
        };
        tokio::select! {
            _ = tokio::time::timeout(EVERY, next) => {}
            () = to.closed() => return,
        }
    }
}
