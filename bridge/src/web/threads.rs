//! Threads of the page's own, which give way to control: however many look, and whatever they ask, a reading that came
//! and a command that is due go first.

use std::future::Future;

use tokio::runtime::{Builder, Handle, Runtime};
use tokio::task::JoinHandle;

/// How far the page's threads stand back, in the system's own measure: 0 is everybody, 19 the last.
#[cfg(target_os = "linux")]
const STANDS_BACK: i32 = 10;

/// The page's threads; they end with this.
pub(super) struct Threads {
    handle: Handle,
    runtime: Option<Runtime>,
}

impl Threads {
    /// One thread for everything short, and as many as are asked for beside it where something takes its time. One is
    /// enough for a household, and leaves the other cores of the smallest computer alone.
    ///
    /// # Errors
    /// Why the system gives no threads, in words.
    pub(super) fn start() -> Result<Threads, String> {
        let runtime = Builder::new_multi_thread()
            .worker_threads(1)
            .thread_name("page")
            .on_thread_start(stand_back)
            .enable_all()
            .build();
        let runtime = runtime.map_err(|why| format!("no threads to run on: {why}"))?;
        Ok(Threads { handle: runtime.handle().clone(), runtime: Some(runtime) })
    }

    /// Runs it on them.
    pub(super) fn spawn<T: Send + 'static>(
        &self,
        work: impl Future<Output = T> + Send + 'static,
    ) -> JoinHandle<T> {
        self.handle.spawn(work)
    }
}

impl Drop for Threads {
    fn drop(&mut self) {
        // A thread of control must not wait for what a viewer began.
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

/// Without it, the page works as well and control a little worse; so nobody needs to hear that it failed.
fn stand_back() {
    #[cfg(target_os = "linux")]
    let _ = rustix::process::setpriority_process(None, STANDS_BACK);
}
