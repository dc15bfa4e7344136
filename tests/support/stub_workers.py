"""Worker processes that ride nothing and end in every way a process can.

What one does stands in the case's label: ``pass``; ``die`` by a signal, ``die once`` only while the file it
names is not there; ``leave`` with an exit status; ``hang``; ``memory``.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from multiprocessing.connection import Connection
from pathlib import Path

from emulator.campaign.riding.one_case import Ridden
from emulator.campaign.riding.worker import Job, OutOfMemory
from emulator.loop.host import die_with_parent
from tests.support.made_up_rows import made_up_row


def serve(connection: Connection, job: Job, number: int, parent: int) -> None:
    """In the place of ``emulator.campaign.riding.worker.serve``."""
    os.setsid()
    die_with_parent(parent, signal.SIGKILL)
    with contextlib.suppress(EOFError):
        connection.send(None)
        while (task := connection.recv()) is not None:
            what, _, file = task.case.label.partition(": ")
            if what == "die" or (what == "die once" and not Path(file).exists()):
                if file:
                    Path(file).touch()
                os.kill(os.getpid(), signal.SIGKILL)
            if what == "leave":
                os._exit(3)
            if what == "hang":
                time.sleep(1000.0)
            if what == "memory":
                connection.send(OutOfMemory())
                return
            connection.send(Ridden(made_up_row(task.case, worker=number)))


def never_ready(connection: Connection, job: Job, number: int, parent: int) -> None:
    """Ends before it is ready."""
    os._exit(7)
