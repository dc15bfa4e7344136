"""The rig's GNSS port and pulse per second."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from emulator.config.field_types import Name, Port
from emulator.config.validation import Closed

Baud: TypeAlias = Literal[4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600]


class PtyPort(Closed):
    """GNSS sentences on a pseudo terminal that the program creates; ``path`` is a link to it.

    ``baud``, if given, is the line it stands for: the sentences must fit it. They are not slowed down: all
    are there when the last byte would be.
    """

    kind: Literal["pty"]
    path: Name | None = None
    baud: Baud | None = None


class SerialPort(Closed):
    """GNSS sentences on a serial line."""

    kind: Literal["serial"]
    device: Name
    baud: Baud


class UdpPort(Closed):
    """GNSS sentences as UDP datagrams to a receiver."""

    kind: Literal["udp"]
    host: Name
    port: Port


class TcpPort(Closed):
    """GNSS sentences to every reader that connects here."""

    kind: Literal["tcp"]
    host: Name
    port: Annotated[int, Field(ge=0, le=65535)]


class PulsePerSecond(Closed):
    """A control line of a serial port, raised at each whole second of UTC, at the loop's next tick (1 ms)."""

    device: Name
    line: Literal["rts", "dtr"]
    width_ms: int = Field(default=100, ge=1, le=900)


GnssPort: TypeAlias = Annotated[PtyPort | SerialPort | UdpPort | TcpPort, Field(discriminator="kind")]
