use std::io;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command};
use std::sync::mpsc;
use std::thread;

use rustix::process::{Pid, Signal};

/// A thread that lives until this is dropped.
#[derive(Debug)]
pub(crate) struct Keeper {
    _release: mpsc::Sender<()>,
}

/// Spawns a child that is interrupted (for a server, a fast shutdown) when this process ends, by whatever end.
///
/// The kernel binds that signal to the thread that spawned the child, not to the process; so the
/// child is spawned by a thread of its own, kept until the child is gone.
pub(crate) fn spawn_kept(mut command: Command) -> io::Result<(Child, Keeper)> {
    stop_with_parent(&mut command);
    let (release, released) = mpsc::channel();
    let (spawned, outcome) = mpsc::channel();
    thread::Builder::new()
        .name("postgres-keeper".to_owned())
        .spawn(move || {
            if spawned.send(command.spawn()).is_ok() {
                // Ends with an error as soon as the keeper is dropped.
                let _ = released.recv();
            }
        })?;
    let child = outcome.recv().map_err(io::Error::other)??;
    Ok((child, Keeper { _release: release }))
}

#[expect(
    unsafe_code,
    reason = "only code run between fork and exec can ask for the signal"
)]
fn stop_with_parent(command: &mut Command) {
    let parent = Pid::from_raw(std::process::id().cast_signed());
    let ask = move || {
        rustix::process::set_parent_process_death_signal(Some(Signal::INT))?;
        // The parent may have ended before the signal was asked for.
        if rustix::process::getppid() == parent {
            Ok(())
        } else {
            Err(io::Error::from_raw_os_error(
                rustix::io::Errno::SRCH.raw_os_error(),
            ))
        }
    };
    // SAFETY: the closure makes two system calls and neither allocates nor takes a lock, so it is
    // safe to run in the forked child of a process with several threads. It runs after the child
    // has changed its user, which would otherwise clear the signal.
    unsafe {
        command.pre_exec(ask);
    }
}
