"""A run over MQTT: state and verdict retained, signals thinned out, events, timing, and commands if allowed.

Topics and messages are those of ``messages``. ``answer`` goes to each signed command, to others at most once
a second. It lives in the supervisor and reads shared memory: neither a slow broker nor one that is away
touches the loop. It comes back by itself; what happened meanwhile is not told later, the record has it.
"""

from __future__ import annotations

import asyncio
import logging
import math
import secrets
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any

import aiomqtt
import uvloop

from emulator.assembly.bench import EVENT_KINDS
from emulator.config.rig.shown.telemetry import MqttTelemetry, Secrets
from emulator.core.signals import INDEX, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.plant.states import STATE_NAMES
from emulator.record.process import LOOP_EVENT_KINDS
from emulator.record.writer import jsonable
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import Command, Status
from emulator.telemetry.commands import Gate
from emulator.telemetry.counted_lines import CountedLines
from emulator.telemetry.messages import (
    TOPICS,
    Answered,
    CampaignTold,
    Challenge,
    Event,
    Message,
    Percentiles,
    Signals,
    State,
    Timing,
    VerdictTold,
)

_ANSWER_S = 3.0  # that a broker may take
_LONGEST_PAUSE_S = 5.0  # between two attempts to reach it
_POLL_S = 0.1
_TIMING_S = _CHALLENGE_S = 1.0
_BAND = 50  # messages that may wait for a slow broker; more are dropped
_FROM_AFAR = 1.0
_ARGUMENTS = {Command.TRIP: float(TripReason.OPERATOR), Command.HOLD: _FROM_AFAR, Command.GO: _FROM_AFAR}
_KINDS: dict[int, str] = EVENT_KINDS | {int(code): kind for code, kind in LOOP_EVENT_KINDS.items()}


@dataclass(frozen=True)
class Broker:
    """Where the broker is and how to sign in."""

    settings: MqttTelemetry
    secrets: Secrets

    def client(self, *, will: bool, logger: logging.Logger | None = None) -> aiomqtt.Client:
        """A client that is not connected yet; what its library has to say goes to ``logger``."""
        s = self.settings
        return aiomqtt.Client(
            s.host,
            s.port,
            username=s.username,
            password=self.secrets.password,
            tls_context=self.secrets.tls,
            timeout=_ANSWER_S,
            keepalive=10,
            logger=logger,
            will=aiomqtt.Will(f"{s.topic}/present", "0", qos=1, retain=True) if will else None,
            max_queued_outgoing_messages=_BAND,
            max_queued_incoming_messages=_BAND,
        )


class _Told(logging.Handler):
    """What the MQTT library warns of, as lines for the screen; its errors come as exceptions, too."""

    def __init__(self, lines: CountedLines) -> None:
        super().__init__()
        self._lines = lines

    def emit(self, record: logging.LogRecord) -> None:
        """One more."""
        if record.levelno == logging.WARNING:
            self._lines.add(f"telemetry: {record.getMessage()}", time.monotonic())


class Telemetry:
    """Tells one run; ``beside`` is what the supervisor runs next to it.

    run     name of the run folder; say takes sentences for the screen
    events  number by name of the scenario's events that wait to be asked for
    """

    def __init__(
        self,
        broker: Broker,
        run: str,
        say: Callable[[str], None],
        events: Mapping[str, int] | None = None,
    ) -> None:
        self._broker, self._run, self._say = broker, run, say
        self._topic = broker.settings.topic
        self._began_s = time.monotonic()
        self._strangers = CountedLines(say)
        self._logger = logging.Logger("mqtt", logging.WARNING)
        self._logger.addHandler(_Told(self._strangers))
        self._gate = (
            None
            if broker.secrets.key is None
            else Gate(
                broker.secrets.key,
                f"{self._topic}/command",
                secrets.token_hex(16),
                broker.settings.go,
                dict(events or {}) if broker.settings.events else {},
            )
        )
        self._away = False

    async def beside(self, snapshot: Snapshot) -> None:
        """Publish until cancelled; never raises for what a broker does."""
        pause = 0.5
        while True:
            before = _times_cancelled()  # a group of Python 3.11 that broke off leaves one behind
            try:
                async with self._connected(before) as client:
                    pause = 0.5
                    await self._tell(client, snapshot)
            except* (aiomqtt.MqttError, OSError, ValueError) as errors:
                if not self._away:
                    self._away = True
                    why = _first(errors)
                    self._say(f"telemetry: the broker is away ({why}); the run goes on, it is tried again")
            await asyncio.sleep(pause)
            pause = min(2.0 * pause, _LONGEST_PAUSE_S)

    @asynccontextmanager
    async def _connected(self, cancelled_before: int) -> AsyncIterator[aiomqtt.Client]:
        async with self._broker.client(will=True, logger=self._logger) as client:
            if self._away:
                self._away = False
                self._say("telemetry: the broker is back")
            await client.publish(f"{self._topic}/present", "1", qos=1, retain=True)
            try:
                if self._gate is not None:
                    await client.subscribe(f"{self._topic}/command", qos=1)
                _end_if_cancelled(cancelled_before)
                yield client
            finally:
                # Told even when cancelled: the last will only speaks for those who are lost.
                with suppress(aiomqtt.MqttError, TimeoutError):
                    await asyncio.shield(asyncio.wait_for(self._leave(client), _ANSWER_S))

    async def _leave(self, client: aiomqtt.Client) -> None:
        if self._gate is not None:
            await client.publish(f"{self._topic}/challenge", b"", qos=1, retain=True)
        await client.publish(f"{self._topic}/present", "0", qos=1, retain=True)

    async def _tell(self, client: aiomqtt.Client, snapshot: Snapshot) -> None:
        tasks = [
            self._signals(client, snapshot),
            self._state(client, snapshot),
            self._timing(client, snapshot),
        ]
        if self._gate is not None:
            tasks += [self._commands(client, self._gate, snapshot), self._challenge(client, self._gate)]
        async with asyncio.TaskGroup() as group:
            for task in tasks:
                group.create_task(task)

    async def _publish(self, client: aiomqtt.Client, name: str, message: Message) -> None:
        topic = TOPICS[name]
        await client.publish(f"{self._topic}/{name}", message.payload(), qos=topic.qos, retain=topic.retained)
        _end_if_cancelled()

    async def _signals(self, client: aiomqtt.Client, snapshot: Snapshot) -> None:
        wanted = [(name, INDEX[name]) for name in self._broker.settings.signals]
        period = 1.0 / self._broker.settings.rate_hz
        due, told = time.monotonic(), UNARMED_TICK
        while True:
            latest = snapshot.latest()
            if latest is not None and latest[0] != told and latest[0] > UNARMED_TICK // 2:
                told, row = latest
                values = {name: _finite(float(row[i])) for name, i in wanted}
                item = Signals.model_validate({"time_s": told * 1e-3, **values})
                await self._publish(client, "signals", item)
            due = max(due + period, time.monotonic())
            await asyncio.sleep(due - time.monotonic())

    async def _state(self, client: aiomqtt.Client, snapshot: Snapshot) -> None:
        events = snapshot.event_reader(from_now=True)
        told: tuple[int, int] | None = None
        while True:
            latest = snapshot.latest()
            reason = 0 if latest is None else int(_finite(float(latest[1][INDEX["bench.trip_reason"]])) or 0)
            now = int(snapshot.status[Status.BENCH_STATE]), reason
            if now != told:
                told = now
                tick = int(snapshot.status[Status.TICK])
                item = {
                    "state": STATE_NAMES[now[0]],
                    "trip_reason": TripReason(reason).text,
                    "time_s": tick * 1e-3 if tick > UNARMED_TICK // 2 else None,
                    "run": self._run,
                }
                await self._publish(client, "state", State.model_validate(item))
            for event in events.read()[0]:
                kind = _KINDS.get(event.code, "event")
                happened = Event(time_s=event.tick * 1e-3, kind=kind, text=event.text)
                await self._publish(client, "events", happened)
            await asyncio.sleep(_POLL_S)

    async def _timing(self, client: aiomqtt.Client, snapshot: Snapshot) -> None:
        s = snapshot.status
        while True:
            item = Timing(
                lateness_us=_percentiles(s, "LATENESS"),
                compute_us=_percentiles(s, "COMPUTE"),
                overruns=int(s[Status.OVERRUNS]),
                missed_ticks=int(s[Status.MISSED_TICKS]),
                frames_sent=int(s[Status.FRAMES_SENT]),
                frames_received=int(s[Status.FRAMES_RECEIVED]),
                send_lost=int(s[Status.SEND_LOST]),
                bus_errors=int(s[Status.BUS_ERRORS]),
            )
            await self._publish(client, "timing", item)
            self._strangers.flush(time.monotonic())
            await asyncio.sleep(_TIMING_S)

    async def _challenge(self, client: aiomqtt.Client, gate: Gate) -> None:
        while True:
            item = Challenge(nonce=gate.nonce, time_s=round(self._time_s(), 3))
            await self._publish(client, "challenge", item)
            await asyncio.sleep(_CHALLENGE_S)

    def _time_s(self) -> float:
        """Seconds of the run, by a clock that nobody sets."""
        return time.monotonic() - self._began_s

    async def _commands(self, client: aiomqtt.Client, gate: Gate, snapshot: Snapshot) -> None:
        async for message in client.messages:
            if message.retain:
                continue  # a command left lying at the broker is nobody's wish now
            payload = message.payload if isinstance(message.payload, bytes) else b""
            answer = gate.evaluate(payload, self._time_s())
            if answer.command is not None:
                self._say(
                    f"telemetry: {answer.command.name.lower()} asked for over MQTT ({answer.identifier})"
                )
                snapshot.post(answer.command, _ARGUMENTS.get(answer.command, answer.argument))
            elif not answer.signed:
                line = f"telemetry: a message on {self._topic}/command is not taken: {answer.why}"
                if not self._strangers.add(line, time.monotonic()):
                    continue
            item = Answered(id=answer.identifier, taken=answer.command is not None, why=answer.why)
            await self._publish(client, "answer", item)


def _times_cancelled() -> int:
    """How many times this task was cancelled."""
    task = asyncio.current_task()
    return 0 if task is None else task.cancelling()


def _end_if_cancelled(before: int = 0) -> None:
    """Raise CancelledError if this task was cancelled since and a call of the library's kept it to itself.

    ``asyncio.wait_for`` of Python 3.11 does if what it waits for is done in that very moment: the task would
    go on for ever.
    """
    if _times_cancelled() > before:
        raise asyncio.CancelledError


def _first(errors: BaseExceptionGroup[BaseException]) -> BaseException:
    """The first error of a group that is no group itself."""
    inner = errors.exceptions[0]
    return _first(inner) if isinstance(inner, BaseExceptionGroup) else inner


def _percentiles(status: memoryview, what: str) -> Percentiles:
    """Of a duration whose percentiles [ns] stand in the status block."""
    p50, p99, p999, greatest = (
        int(status[Status[f"{what}_{rank}_NS"]]) * 1e-3 for rank in ("P50", "P99", "P999", "MAX")
    )
    return Percentiles(p50=p50, p99=p99, p999=p999, max=greatest)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def tell_verdict(broker: Broker, run: str, verdict: dict[str, Any], say: Callable[[str], None]) -> None:
    """Leave the verdict (as in verdict.json) at the broker, retained; says so if it can't be done."""
    _leave_at(broker, "verdict", VerdictTold.model_validate(jsonable({"run": run, **verdict})), say)


def tell_campaign(broker: Broker, result: dict[str, Any], say: Callable[[str], None]) -> None:
    """Leave what a campaign came to at the broker, retained; says so if it can't be done."""
    _leave_at(broker, "campaign", CampaignTold.model_validate(jsonable(result)), say)


def _leave_at(broker: Broker, name: str, message: Message, say: Callable[[str], None]) -> None:
    async def leave() -> None:
        topic = TOPICS[name]
        async with broker.client(will=False) as client:
            await client.publish(
                f"{broker.settings.topic}/{name}", message.payload(), qos=topic.qos, retain=topic.retained
            )

    try:
        uvloop.run(asyncio.wait_for(leave(), 2.0 * _ANSWER_S))
    except (aiomqtt.MqttError, OSError, TimeoutError) as error:
        say(f"telemetry: the {name} could not be left at the broker ({error})")
