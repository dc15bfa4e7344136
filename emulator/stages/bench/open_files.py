"""Room for what a bench run opens: sockets of every client, pipes of its processes, shared memory, files."""

from __future__ import annotations

import resource

from emulator.core.errors import StartFailed

NEEDED = 64
"""Open files a run can't do without; measured: it starts with 40."""
WANTED = 1024
"""With which the virtual bus takes all the clients it may have."""


def allow_open_files() -> None:
    """Raise this process's limit of open files (``ulimit -n``) as far as needed and allowed.

    Raises StartFailed where that is too little: libraries then break in words that nobody understands.
    """
    now, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    if now == resource.RLIM_INFINITY or now >= WANTED:
        return
    allowed = WANTED if most == resource.RLIM_INFINITY else min(WANTED, most)
    if allowed > now:
        resource.setrlimit(resource.RLIMIT_NOFILE, (allowed, most))
    if allowed < NEEDED:
        raise StartFailed(
            f"this process may have {allowed} files open, a bench run needs {NEEDED}",
            advice=f"raise the limit: ulimit -n {WANTED} (hard limit: ulimit -Hn)",
        )
