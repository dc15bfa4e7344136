"""Why a serial port could not be opened, in words a bench engineer can act on."""

from __future__ import annotations

import errno
import os
from typing import NoReturn

from emulator.core.errors import DeviceAbsent


def raise_serial_absent(where: str, path: str, error: BaseException) -> NoReturn:
    """Turn what pyserial (or python-can around it) raised for a serial port into DeviceAbsent with advice."""
    cause: BaseException | None = error
    number: int | None = None
    while cause is not None and number is None:
        number = cause.errno if isinstance(cause, OSError) else getattr(cause, "error_code", None)
        cause = cause.__cause__
    if number == errno.ENOENT or not os.path.exists(path):
        advice = "no such device: is it plugged in? `ls /dev/serial/by-id` lists what is there"
        text = "no such device"
    elif number in (errno.EACCES, errno.EPERM):
        advice = (
            "as root: usermod -aG dialout NAME, then log in again (in a container: --device and the group)"
        )
        text = "no permission"
    elif number in (errno.EBUSY, errno.EAGAIN) or "exclusively lock" in str(error):
        advice = f"another program has it open; `fuser {path}` names it"
        text = "taken"
    else:
        advice = "is it a serial port? `ls /dev/serial/by-id` lists what is there"
        text = str(error)
    raise DeviceAbsent(f"{where}: {text}", advice=advice) from error
