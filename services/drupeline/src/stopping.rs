//! Ends the process in time, whatever is under way.

use std::io;
use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;

/// Longest time from being asked to stop to the process's end: open requests have ten seconds, and
/// the rest is for what closes after them.
pub const GRACE: Duration = Duration::from_secs(25);

/// How long arithmetic that nobody waits for any more may go on while the process ends.
pub const LEFTOVERS: Duration = Duration::from_secs(2);

/// Knows whether the process was asked to stop.
#[derive(Debug, Clone)]
pub struct Stop(watch::Receiver<bool>);

impl Stop {
    /// Listens for Ctrl-C and for a service manager, on a thread of its own that no request can hold
    /// up, and ends the process [`GRACE`] later when it has not ended by itself.
    ///
    /// # Errors
    /// When signals cannot be listened for.
    pub fn listen() -> io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let entered = runtime.enter();
        let mut interrupt = signal(SignalKind::interrupt())?;
        let mut terminate = signal(SignalKind::terminate())?;
        drop(entered);
        let (tell, told) = watch::channel(false);
        std::thread::Builder::new()
            .name("stopping".to_owned())
            .spawn(move || {
                runtime.block_on(async {
                    tokio::select! {
                        _ = interrupt.recv() => {}
                        _ = terminate.recv() => {}
                    }
                    let _ = tell.send(true);
                    tokio::time::sleep(GRACE).await;
                });
                eprintln!("drupeline: stopped, though not everything had ended");
                std::process::exit(1);
            })?;
        Ok(Self(told))
    }

    /// Resolves when the process is asked to stop, or was before.
    pub async fn asked(mut self) {
        let _ = self.0.wait_for(|asked| *asked).await;
    }
}
