"""Telemetry with a real mosquitto: password, TLS, last will, a broker that is away, and commands."""

import asyncio
import json
import ssl
import time
from contextlib import asynccontextmanager, suppress

import aiomqtt
import numpy as np
import pytest

from emulator.core.errors import StartFailed
from emulator.core.signals import INDEX, SIGNALS
from emulator.core.trip_reasons import TripReason
from emulator.shared_memory.status import Command, LoopEvent, Status
from emulator.telemetry.commands import signed
from emulator.telemetry.publisher import Telemetry, tell_verdict
from tests.support.mosquitto_broker import KEY, PASSWORD, USER

SECONDS = 20.0


class Listener:
    """What a client of the broker hears, by topic."""

    def __init__(self, client):
        self.client, self.heard = client, []
        self.task = asyncio.create_task(self._listen())

    async def _listen(self):
        async for message in self.client.messages:
            if not message.topic.matches("bench/1/command"):  # those may be anything
                self.heard.append((str(message.topic), json.loads(message.payload), message.retain))

    def of(self, name):
        return [item for topic, item, _ in self.heard if topic == f"bench/1/{name}"]

    async def until(self, condition):
        limit = time.monotonic() + SECONDS
        while not condition():
            assert time.monotonic() < limit, self.heard[-5:]
            await asyncio.sleep(0.02)


@asynccontextmanager
async def listening(mosquitto):
    tls = ssl.create_default_context(cafile=str(mosquitto.folder / "ca.pem"))
    async with aiomqtt.Client(
        "127.0.0.1", mosquitto.port, username=USER, password=PASSWORD, tls_context=tls
    ) as client:
        await client.subscribe("bench/1/#", qos=1)
        listener = Listener(client)
        try:
            yield listener
        finally:
            listener.task.cancel()
            with suppress(asyncio.CancelledError):
                await listener.task


@asynccontextmanager
async def telling(mosquitto, shared, **changes):
    telemetry = Telemetry(mosquitto.broker(**changes), "run-7", shared.said.append)
    task = asyncio.create_task(telemetry.beside(shared.snapshot))
    try:
        yield task
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def row(**values):
    filled = np.full(len(SIGNALS), np.nan)
    for name, value in values.items():
        filled[INDEX[name.replace("__", ".")]] = value
    return filled


def test_a_run_is_told(mosquitto, shared):
    async def main():
        snapshot = shared.snapshot
        snapshot.status[Status.BENCH_STATE] = 2
        snapshot.status[Status.TICK] = 1234
        snapshot.status[Status.LATENESS_P99_NS] = 25_000
        snapshot.write_signals(1234, row(truth__speed_m_s=20.5, bench__trip_reason=0.0))
        async with listening(mosquitto) as listener, telling(mosquitto, shared):
            await listener.until(
                lambda: listener.of("signals") and listener.of("state") and listener.of("timing")
            )
            snapshot.write_event(1300, LoopEvent.STALL, 0, 0.02, "stalled for 20 ms")
            snapshot.write_signals(1300, row(truth__speed_m_s=21.0, bench__trip_reason=1.0))
            snapshot.status[Status.BENCH_STATE] = 4
            await listener.until(lambda: listener.of("events") and len(listener.of("state")) == 2)
            assert listener.of("signals")[0] == {
                "time_s": 1.234,
                "line.station_m": None,
                "truth.speed_m_s": 20.5,
                "truth.roll_rad": None,
                "line.offset_m": None,
            }
            assert listener.of("state")[0] == {
                "state": "running",
                "trip_reason": "none",
                "time_s": 1.234,
                "run": "run-7",
            }
            assert listener.of("state")[1]["state"] == "tripped"
            assert listener.of("state")[1]["trip_reason"] == "robot heartbeat lost"
            assert listener.of("events") == [{"time_s": 1.3, "kind": "stall", "text": "stalled for 20 ms"}]
            assert listener.of("timing")[0]["lateness_us"]["p99"] == 25.0
            assert listener.of("present")[-1] == 1
        async with listening(mosquitto) as late:
            # who comes later finds state and presence, not what is over
            await late.until(lambda: late.of("present") and late.of("state"))
            assert late.of("present") == [0]
            assert late.of("state")[0]["state"] == "tripped"
            assert not late.of("signals")

    asyncio.run(main())


def test_the_last_will_tells_that_we_are_lost(mosquitto, shared):
    async def main():
        async with listening(mosquitto) as listener:
            client = mosquitto.broker().client(will=True)
            await client.__aenter__()
            await client.publish("bench/1/present", "1", qos=1, retain=True)
            await listener.until(lambda: listener.of("present") == [1])
            client._client.socket().close()  # the machine is gone: no goodbye
            await listener.until(lambda: listener.of("present") == [1, 0])
            with suppress(aiomqtt.MqttError, OSError, ValueError):
                await client.__aexit__(None, None, None)

    asyncio.run(main())


def test_a_broker_that_goes_and_comes_is_told_once_each(mosquitto, shared):
    async def main():
        async with telling(mosquitto, shared) as task:
            async with listening(mosquitto) as listener:
                # told once and not retained, so only now that the listener is there
                shared.snapshot.write_signals(5, row(truth__speed_m_s=1.0))
                await listener.until(lambda: listener.of("signals"))
            mosquitto.end()
            limit = time.monotonic() + SECONDS
            while not shared.said:
                assert time.monotonic() < limit
                await asyncio.sleep(0.02)
            await asyncio.sleep(1.2)  # more than one attempt
            assert not task.done()
            mosquitto.begin()
            while len(shared.said) < 2:
                assert time.monotonic() < limit
                await asyncio.sleep(0.02)
            async with listening(mosquitto) as listener:
                await listener.until(lambda: listener.of("timing"))
        assert "the broker is away" in shared.said[0]
        assert shared.said[1:] == ["telemetry: the broker is back"]

    asyncio.run(main())


@pytest.mark.parametrize(
    ("changes", "says"),
    [({"port": 1}, "away"), ({"password_file": "users"}, "away"), ({"ca_file": None}, "away")],
    ids=["nobody there", "wrong password", "no TLS"],
)
def test_who_is_not_let_in_is_told_and_the_run_goes_on(mosquitto, shared, changes, says):
    async def main():
        async with telling(mosquitto, shared, **changes) as task:
            limit = time.monotonic() + SECONDS
            while not shared.said:
                assert time.monotonic() < limit
                await asyncio.sleep(0.02)
            assert not task.done()

    asyncio.run(main())
    assert says in shared.said[0]


def test_commands_are_taken_and_answered(mosquitto, shared):
    async def main():
        async with listening(mosquitto) as listener, telling(mosquitto, shared):
            await listener.until(lambda: listener.of("timing"))
            topic = "bench/1/command"
            forged = signed(b"another key, as long as ours", topic, "trip", "x", time.time())
            for n, payload in enumerate(
                (forged, b"{}", signed(KEY.encode(), topic, "stop", "1", time.time())), start=1
            ):
                await listener.client.publish(topic, payload, qos=1)
                await listener.until(lambda n=n: len(listener.of("answer")) == n)
            assert [a["taken"] for a in listener.of("answer")] == [False, False, True]
            assert shared.snapshot.pop_command()[0] == Command.STOP
            assert shared.snapshot.pop_command() is None
            await listener.client.publish(topic, signed(KEY.encode(), topic, "trip", "2", time.time()), qos=1)
            await listener.until(lambda: len(listener.of("answer")) == 4)
            assert tuple(shared.snapshot.pop_command()) == (Command.TRIP, TripReason.OPERATOR)

    asyncio.run(main())
    assert any("stop asked for over MQTT (1)" in line for line in shared.said)


def test_a_command_left_lying_is_not_taken(mosquitto, shared):
    async def main():
        topic = "bench/1/command"
        async with listening(mosquitto) as listener:
            payload = signed(KEY.encode(), topic, "stop", "old", time.time())
            await listener.client.publish(topic, payload, qos=1, retain=True)
            async with telling(mosquitto, shared):
                await listener.until(lambda: len(listener.of("timing")) >= 2)
            await listener.client.publish(topic, b"", qos=1, retain=True)
        assert shared.snapshot.pop_command() is None

    asyncio.run(main())


def test_without_leave_none_is_taken(mosquitto, shared):
    async def main():
        async with (
            listening(mosquitto) as listener,
            telling(mosquitto, shared, commands=False, command_key_file=None),
        ):
            await listener.until(lambda: listener.of("timing"))
            topic = "bench/1/command"
            await listener.client.publish(topic, signed(KEY.encode(), topic, "stop", "1", time.time()), qos=1)
            await listener.until(lambda: len(listener.of("timing")) >= 2)
            assert listener.of("answer") == []
        assert shared.snapshot.pop_command() is None

    asyncio.run(main())


def test_a_flood_of_nonsense_changes_nothing(mosquitto, shared):
    rng = np.random.default_rng(3)

    async def main():
        async with listening(mosquitto) as listener, telling(mosquitto, shared) as task:
            await listener.until(lambda: listener.of("timing"))
            for _ in range(2000):
                await listener.client.publish("bench/1/command", rng.bytes(int(rng.integers(0, 300))))
            before = len(listener.of("timing"))
            await listener.until(lambda: len(listener.of("timing")) >= before + 2)
            assert not task.done()
        assert shared.snapshot.pop_command() is None

    asyncio.run(main())


def test_the_verdict_is_left_at_the_broker(mosquitto, shared):
    tell_verdict(mosquitto.broker(), "run-7", {"result": "pass", "reasons": []}, shared.said.append)

    async def main():
        async with listening(mosquitto) as listener:
            await listener.until(lambda: listener.of("verdict"))
            assert listener.heard[-1] == (
                "bench/1/verdict",
                {"run": "run-7", "result": "pass", "reasons": []},
                True,
            )

    asyncio.run(main())
    assert shared.said == []
    mosquitto.end()
    tell_verdict(mosquitto.broker(), "run-7", {"result": "pass"}, shared.said.append)
    assert "could not be left" in shared.said[0]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("password_file", None, "can't be read"),
        ("ca_file", "no certificate", "no certificate to trust"),
        ("command_key_file", "short", "at least 16 bytes"),
    ],
)
def test_a_file_that_does_not_serve_is_refused_before_the_ride(mosquitto_home, name, content, says):
    file = mosquitto_home.folder / "spoilt"
    file.unlink(missing_ok=True)
    if content is not None:
        file.write_text(content)
    with pytest.raises(StartFailed, match=says):
        mosquitto_home.broker(**{name: "spoilt"})
