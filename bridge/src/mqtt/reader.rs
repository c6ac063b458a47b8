//! The reader of the events, who may be behind.

use tokio::sync::mpsc;

use super::LinkEvent;
use super::bounds::READER_WITHIN;

/// Nobody reads the events any more.
pub(super) struct ReaderGone;

/// The way to the reader of the events.
pub(super) struct Reader {
    events: mpsc::Sender<LinkEvent>,
    /// Messages lost since the last [`LinkEvent::Overrun`].
    lost: u64,
}

impl Reader {
    pub(super) fn new(events: mpsc::Sender<LinkEvent>) -> Self {
        Self { events, lost: 0 }
    }

    /// Tells what must not be lost. Waits for the reader.
    pub(super) async fn tell(&self, event: LinkEvent) -> Result<(), ReaderGone> {
        self.events.send(event).await.map_err(|_| ReaderGone)
    }

    /// Tells of a message. Waits a moment for a reader that is behind, and no more until it has caught up.
    pub(super) async fn offer(&mut self, event: LinkEvent) {
        let taken = if self.lost == 0 {
            self.events.send_timeout(event, READER_WITHIN).await.is_ok()
        } else {
            self.tell_loss() && self.events.try_send(event).is_ok()
        };
        if !taken {
            self.lost = self.lost.saturating_add(1);
        }
    }

    fn tell_loss(&mut self) -> bool {
        let told = self.events.try_send(LinkEvent::Overrun { messages: self.lost }).is_ok();
        if told {
            self.lost = 0;
        }
        told
    }
}
