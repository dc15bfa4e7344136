"""Commands from afar: signed messages (emulator.telemetry.signed) and what they may ask for.

``nonce`` and ``time_s`` stand in the run's retained message ``challenge``. With the rig's leave a command may
also be "start NAME" or "end NAME" of an event that waits to be asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from emulator.shared_memory.status import Command
from emulator.stages.bench.operator import event_command
from emulator.telemetry.signed import SignedMessages, sealed

COMMANDS = {"stop": Command.STOP, "trip": Command.TRIP, "hold": Command.HOLD}
"""What may be asked: an orderly stop, a trip, to stay armed. Signals only go to rest or stay there."""
WITH_LEAVE = {"go": Command.GO}
"""What may be asked only with the rig's leave: it lets a ride start that was held from afar, and no other."""


def signed(key: bytes, topic: str, nonce: str, time_s: float, command: str, identifier: str) -> bytes:
    """The message that asks for a command; ``nonce`` and ``time_s`` from the run's challenge."""
    return sealed(
        key, {"topic": topic, "nonce": nonce, "time_s": time_s, "command": command, "id": identifier}
    )


@dataclass(frozen=True)
class Answer:
    """What became of a message: the command to be done, or why there is none.

    signed  with the bench's key: it comes from somebody who may ask
    """

    command: Command | None
    identifier: str
    why: str
    argument: float = 0.0  # of a command that has one
    signed: bool = True


@dataclass
class Gate:
    """Looks at messages of one run.

    go      the rig's leave for WITH_LEAVE
    events  number by name of those the rig gives leave to
    """

    key: bytes
    topic: str
    nonce: str
    go: bool = False
    events: Mapping[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._messages = SignedMessages(self.key, self.topic, self.nonce)

    def evaluate(self, payload: bytes, now_s: float) -> Answer:
        """What a message that arrived now ([s] of the run) asks for. Never raises, whatever it holds."""
        opened = self._messages.open(payload, now_s)
        if opened.item is None:
            return Answer(None, opened.identifier, opened.why, signed=opened.signed)
        answer = self._asked(opened.item.get("command"), opened.identifier)
        if answer.command is not None:
            self._messages.take(opened.identifier)
        return answer

    def _asked(self, command: object, identifier: str) -> Answer:
        known = COMMANDS | WITH_LEAVE if self.go else COMMANDS
        if not isinstance(command, str):
            return Answer(None, identifier, "expected command, a text")
        if command in known:
            return Answer(known[command], identifier, "taken")
        asked = event_command(command, self.events) if self.events else ""
        if isinstance(asked, tuple):
            return Answer(asked[0], identifier, "taken", asked[1])
        also = f"; {asked}" if asked else ""
        return Answer(None, identifier, f"expected one of {', '.join(known)}{also}")
