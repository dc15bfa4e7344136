"""The rig's GNSS port and pulse per second."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from emulator.config.field_types import Name, Port
from emulator.config.validation import Closed

Baud: TypeAlias = Literal[4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600]


class PtyPort(Closed):
    """GNSS sentences on a pseudo terminal that the program creates."""

    kind: Literal["pty"]
    path: Name | None = None
    """Where a link to the pseudo terminal is put. Left out: it only has a name of its own, as /dev/pts/3."""
    baud: Baud | None = None
    """[bit/s] Line it stands for: the sentences must fit it, and are all there when the last byte would be.
    Left out: any number of sentences fits."""


class SerialPort(Closed):
    """GNSS sentences on a serial line."""

    kind: Literal["serial"]
    device: Name
    """The serial device, such as /dev/ttyUSB0; nobody else may have it open."""
    baud: Baud
    """[bit/s] Speed of the line; the sentences of an epoch must fit its period."""


class UdpPort(Closed):
    """GNSS sentences as UDP datagrams to a receiver."""

    kind: Literal["udp"]
    host: Name
    """Name or address of the receiver."""
    port: Port
    """UDP port of the receiver."""


class TcpPort(Closed):
    """GNSS sentences to every reader that connects here."""

    kind: Literal["tcp"]
    host: Name
    """Address of this machine to listen on, such as 127.0.0.1."""
    port: Annotated[int, Field(ge=0, le=65535)]
    """TCP port to listen on; 0 for any free one."""


class PulsePerSecond(Closed):
    """A control line of a serial port, raised at each whole second of UTC, at the loop's next tick (1 ms)."""

    device: Name
    """The serial device whose control line it is; not that of the GNSS port or the bus."""
    line: Literal["rts", "dtr"]
    """The control line that is raised."""
    width_ms: int = Field(default=100, ge=1, le=900)
    """How long the line stays raised."""


GnssPort: TypeAlias = Annotated[PtyPort | SerialPort | UdpPort | TcpPort, Field(discriminator="kind")]
