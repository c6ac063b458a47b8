//! What every page needs to know.

use std::sync::Arc;

use overspill_rules::home::Home;
use overspill_rules::time::WallTime;
use tokio::sync::{Semaphore, watch};

use super::access::Access;
use super::crowd::Crowd;
use super::live::Newest;
use super::serve::{Limits, Parts};
use super::trouble::Trouble;
use crate::config::Config;
use crate::daemon::{Asker, Facts, HomeClock};
use crate::influx::Lag;
use crate::store::{StoreError, StoreHandle, StoreReader};

/// Reads of the journal at one time; others wait for their turn, so that viewers can't take the computer from control.
const READS_AT_ONCE: usize = 2;

/// What every page needs to know; shared by all requests.
pub(crate) struct Site {
    /// The home file as it runs.
    pub(crate) config: Arc<Config>,
    /// The newest state of the home.
    pub(crate) facts: watch::Receiver<Facts>,
    /// The way to ask something of the daemon.
    pub(crate) asker: Asker,
    /// The home's clock.
    pub(crate) clock: HomeClock,
    /// Where everything is kept.
    pub(crate) store: StoreHandle,
    /// How far forwarding to the database has come, where the home has one.
    pub(crate) forwarding: Option<watch::Receiver<Lag>>,
    /// When the page began to be served.
    pub(crate) began: WallTime,
    /// The present, as it is shown.
    pub(super) newest: Newest,
    /// Who may do what.
    pub(crate) access: Access,
    /// How many connections there are.
    pub(crate) crowd: Crowd,
    reads: Arc<Semaphore>,
}

/// As handlers take it.
pub(crate) type Shared = Arc<Site>;

impl Site {
    /// # Errors
    /// When the system gives no random numbers.
    pub(super) fn new(parts: Parts, limits: Limits) -> Result<Shared, String> {
        let Parts { config, facts, asker, clock, store, forwarding } = parts;
        let access = Access::new(&config.web, &config.home.id, limits.body_within)?;
        let newest = Newest::new(Arc::clone(&config), facts.clone());
        Ok(Arc::new(Site {
            config,
            facts,
            asker,
            clock,
            store,
            forwarding,
            began: clock.wall(),
            newest,
            access,
            crowd: Crowd::default(),
            reads: Arc::new(Semaphore::new(READS_AT_ONCE)),
        }))
    }

    /// The home.
    pub(crate) fn home(&self) -> &Home {
        &self.config.home
    }

    /// The home's wall time now.
    pub(crate) fn now(&self) -> WallTime {
        self.clock.wall()
    }

    /// Runs `work` where it may take its time: on a thread of its own, a few at once.
    ///
    /// # Errors
    /// What `work` says, or that it ended by a fault.
    pub(crate) async fn apart<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Config) -> Result<T, Trouble> + Send + 'static,
    ) -> Result<T, Trouble> {
        let turn = Arc::clone(&self.reads).acquire_owned().await;
        let config = Arc::clone(&self.config);
        let done = tokio::task::spawn_blocking(move || {
            let _turn = turn;
            work(&config)
        });
        done.await.unwrap_or_else(|_| Err(Trouble::fault("this page could not be made")))
    }

    /// Reads the journal as it stands now.
    ///
    /// # Errors
    /// When there is no journal yet, or it can't be read.
    pub(crate) async fn read<T: Send + 'static>(
        &self,
        read: impl FnOnce(&StoreReader, &Config) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, Trouble> {
        self.apart(move |config| {
            let reader = StoreReader::open_read_only(&config.store.path)?;
            Ok(read(&reader, config)?)
        })
        .await
    }
}
