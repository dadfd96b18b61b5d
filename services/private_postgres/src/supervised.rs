use std::fmt;
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::{Duration, Instant};

use crate::private_postgres::PrivatePostgres;
use crate::{StartError, StopError};

/// How often a supervised server is looked after.
const POLL: Duration = Duration::from_millis(100);
/// The wait before the second attempt to start a server again; each wait is twice the one before.
const FIRST_WAIT: Duration = Duration::from_millis(500);
/// The longest wait between two attempts.
const LONGEST_WAIT: Duration = Duration::from_secs(15);
/// A server that lived for as long is started again at once.
const SETTLED: Duration = Duration::from_secs(60);
/// How long stopping waits for a start that is under way.
const START_PATIENCE: Duration = Duration::from_secs(20);

/// What happens to a supervised server.
#[derive(Debug)]
pub enum Happening {
    /// It ended without being asked to.
    Ended {
        /// How, and what its log says last.
        why: String,
    },
    /// It could not be started again; that is tried again.
    NotStarted {
        /// Why.
        error: StartError,
        /// After so long.
        next_in: Duration,
    },
    /// It was started again and answers, on the port that it had.
    Back,
}

/// A private server that is started again whenever it ends, for as long as that takes. Dropping it
/// stops the server.
pub struct Supervised {
    stop: mpsc::Sender<()>,
    stopped: mpsc::Receiver<PrivatePostgres>,
}

impl PrivatePostgres {
    /// Has the server started again whenever it ends; `tell` hears what happens to it. It keeps its
    /// port and its password, so who connects to it need not know.
    ///
    /// # Errors
    /// When the system refuses a thread.
    pub fn supervise(
        self,
        tell: impl FnMut(Happening) + Send + 'static,
    ) -> std::io::Result<Supervised> {
        let (stop, asked) = mpsc::channel();
        let (give_back, stopped) = mpsc::channel();
        thread::Builder::new()
            .name("postgres-supervisor".to_owned())
            .spawn(move || {
                // Whoever waited for it may have given up; then the server stops as it is dropped.
                let _ = give_back.send(look_after(self, &asked, tell));
            })?;
        Ok(Supervised { stop, stopped })
    }
}

impl Supervised {
    /// Stops the server, as [`PrivatePostgres::stop`]. A start that is under way and goes on for long
    /// is left to the end of this process, which ends the server too.
    ///
    /// # Errors
    /// See [`StopError`].
    pub fn stop(self) -> Result<(), StopError> {
        let _ = self.stop.send(());
        match self.stopped.recv_timeout(START_PATIENCE) {
            Ok(server) => server.stop(),
            Err(_) => {
                tracing::warn!("PostgreSQL is still starting; it ends with this process");
                Ok(())
            }
        }
    }
}

impl fmt::Debug for Supervised {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.debug_struct("Supervised").finish_non_exhaustive()
    }
}

/// Looks after the server until asked to stop; gives it back, running or not.
fn look_after(
    mut server: PrivatePostgres,
    asked: &mpsc::Receiver<()>,
    mut tell: impl FnMut(Happening),
) -> PrivatePostgres {
    let stops_within = |time| asked.recv_timeout(time) != Err(RecvTimeoutError::Timeout);
    let mut wait = FIRST_WAIT;
    let mut started = Instant::now();
    while !stops_within(POLL) {
        let Some(why) = server.ended() else { continue };
        tell(Happening::Ended { why });
        if started.elapsed() >= SETTLED {
            wait = FIRST_WAIT;
        } else if stops_within(wait) {
            break;
        } else {
            wait = (2 * wait).min(LONGEST_WAIT);
        }
        while let Err(error) = server.restart() {
            tell(Happening::NotStarted {
                error,
                next_in: wait,
            });
            if stops_within(wait) {
                return server;
            }
            wait = (2 * wait).min(LONGEST_WAIT);
        }
        started = Instant::now();
        tell(Happening::Back);
    }
    server
}
