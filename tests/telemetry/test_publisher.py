"""Telemetry with a real mosquitto: password, TLS, last will, a broker that is away, and commands."""

import asyncio
import json
import math
import ssl
import time
from contextlib import asynccontextmanager, suppress
from dataclasses import asdict

import aiomqtt
import numpy as np
import pytest
from jsonschema import Draft202012Validator

from emulator.config.rig.shown.telemetry import read_secrets
from emulator.core.signals import INDEX, SIGNALS
from emulator.core.trip_reasons import TripReason
from emulator.criteria.base import CriterionResult
from emulator.record.writer import jsonable
from emulator.shared_memory.status import Command, LoopEvent, Status
from emulator.telemetry import publisher
from emulator.telemetry.commands import signed
from emulator.telemetry.messages import TOPICS, schema_text
from emulator.telemetry.publisher import Telemetry, tell_campaign, tell_verdict
from emulator.verdict.judge import Verdict
from tests.support.mosquitto_broker import KEY, PASSWORD, USER

SECONDS = 20.0
TOPIC = "bench/1/command"


VALIDATOR = Draft202012Validator(json.loads(schema_text()))
"""Whatever a test hears is held against the schema that listeners are given."""


def _no_json(word):
    raise AssertionError(f"{word} is no JSON")


class Listener:
    """What a client of the broker hears, by topic."""

    def __init__(self, client):
        self.client, self.heard = client, []
        self.task = asyncio.create_task(self._listen())

    async def _listen(self):
        async for message in self.client.messages:
            # commands may be anything, and an empty message takes a retained one away
            if message.payload and not message.topic.matches(TOPIC):
                item = json.loads(message.payload, parse_constant=_no_json)
                VALIDATOR.validate({str(message.topic).removeprefix("bench/1/"): item})
                self.heard.append((str(message.topic), item, message.retain))

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


@pytest.fixture
def often(monkeypatch):
    """Timing and challenge come five times a second: who waits for the next one waits no second."""
    monkeypatch.setattr(publisher, "_TIMING_S", 0.2)
    monkeypatch.setattr(publisher, "_CHALLENGE_S", 0.2)


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
            client.timeout = 0.1  # nor does it wait for who does not hear it
            await listener.until(lambda: listener.of("present") == [1, 0])
            with suppress(aiomqtt.MqttError, OSError, ValueError):
                await client.__aexit__(None, None, None)

    asyncio.run(main())


def test_a_broker_that_goes_and_comes_is_told_once_each(mosquitto, shared, monkeypatch):
    monkeypatch.setattr(publisher, "_LONGEST_PAUSE_S", 0.1)

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
            await asyncio.sleep(0.9)  # more than one attempt
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
def test_who_is_not_let_in_is_told_and_the_run_goes_on(mosquitto, shared, changes, says, monkeypatch):
    if "ca_file" in changes:  # the broker waits for a word that never comes
        monkeypatch.setattr(publisher, "_ANSWER_S", 0.3)

    async def main():
        async with telling(mosquitto, shared, **changes) as task:
            limit = time.monotonic() + SECONDS
            while not shared.said:
                assert time.monotonic() < limit
                await asyncio.sleep(0.02)
            assert not task.done()

    asyncio.run(main())
    assert says in shared.said[0]


def asked(listener, command, identifier, key=KEY):
    """A message as somebody makes it who has the key and reads the newest challenge."""
    challenge = listener.of("challenge")[-1]
    return signed(key.encode(), TOPIC, challenge["nonce"], challenge["time_s"], command, identifier)


def test_commands_are_taken_and_answered(mosquitto, shared, often):
    async def main():
        async with listening(mosquitto) as listener, telling(mosquitto, shared):
            await listener.until(lambda: listener.of("challenge"))
            forged = asked(listener, "trip", "x", "another key, as long as ours")
            for n, payload in enumerate((forged, asked(listener, "stop", "1")), start=1):
                await listener.client.publish(TOPIC, payload, qos=1)
                await listener.until(lambda n=n: len(listener.of("answer")) == n)
            assert [a["taken"] for a in listener.of("answer")] == [False, True]
            assert shared.snapshot.pop_command()[0] == Command.STOP
            assert shared.snapshot.pop_command() is None
            await listener.client.publish(TOPIC, asked(listener, "trip", "2"), qos=1)
            await listener.until(lambda: len(listener.of("answer")) == 3)
            assert tuple(shared.snapshot.pop_command()) == (Command.TRIP, TripReason.OPERATOR)
            first = listener.of("challenge")[0]
            await listener.until(lambda: listener.of("challenge")[-1]["time_s"] > first["time_s"])
            assert listener.of("challenge")[-1]["nonce"] == first["nonce"]

    asyncio.run(main())
    assert any("stop asked for over MQTT (1)" in line for line in shared.said)


def test_the_next_run_does_not_take_it_again(mosquitto, shared, monkeypatch):
    """Nor does the same run when the host's clock has gone back."""

    async def main():
        async with listening(mosquitto) as listener:
            async with telling(mosquitto, shared):
                await listener.until(lambda: listener.of("challenge"))
                payload = asked(listener, "stop", "1")
                await listener.client.publish(TOPIC, payload, qos=1)
                await listener.until(lambda: len(listener.of("answer")) == 1)
                monkeypatch.setattr(time, "time", lambda: 0.0)
                await listener.client.publish(TOPIC, payload, qos=1)
                await listener.until(lambda: len(listener.of("answer")) == 2)
            async with telling(mosquitto, shared):
                await listener.until(lambda: len({c["nonce"] for c in listener.of("challenge")}) == 2)
                await listener.client.publish(TOPIC, payload, qos=1)
                await listener.until(lambda: len(listener.of("answer")) == 3)
            return listener.of("answer")

    answers = asyncio.run(main())
    assert [a["taken"] for a in answers] == [True, False, False]
    assert [a["why"] for a in answers[1:]] == [
        "this id was taken already",
        "the nonce is not that of this run's challenge",
    ]


def test_nobody_finds_a_challenge_after_the_run(mosquitto, shared):
    async def main():
        async with listening(mosquitto) as listener, telling(mosquitto, shared):
            await listener.until(lambda: listener.of("challenge"))
        async with listening(mosquitto) as late:
            await late.until(lambda: late.of("present"))
            await asyncio.sleep(0.2)
            assert late.of("challenge") == []

    asyncio.run(main())


class Keeping:
    """A client whose calls are done in the very moment of a cancellation and keep it to themselves.

    So does ``asyncio.wait_for`` of Python 3.11, by which the library waits for the broker.
    """

    def __init__(self, call):
        self.messages, self.kept = self, []
        self._call = call

    async def __aenter__(self):
        return self

    async def __aexit__(self, *_error):
        pass

    def __aiter__(self):
        return self

    async def __anext__(self):
        await asyncio.sleep(3600.0)

    async def _done(self, call):
        with suppress(asyncio.CancelledError):
            await asyncio.sleep(3600.0 if call == self._call and not self.kept else 0.0)
            return
        self.kept.append(call)

    async def publish(self, topic, *_content, **_how):
        await self._done(topic)

    async def subscribe(self, topic, **_how):
        await self._done(topic)


@pytest.mark.parametrize("call", ["challenge", "timing", "present", "command"])
def test_a_cancellation_that_the_library_keeps_ends_it_all_the_same(
    mosquitto_home, shared, monkeypatch, call
):
    client = Keeping(f"bench/1/{call}")
    broker = mosquitto_home.broker()
    monkeypatch.setattr(type(broker), "client", lambda *_, **__: client)

    async def main():
        task = asyncio.create_task(Telemetry(broker, "run-7", shared.said.append).beside(shared.snapshot))
        await asyncio.sleep(0.05)
        task.cancel()
        ended, _ = await asyncio.wait([task], timeout=2.0)
        again = [t for t in asyncio.all_tasks() if t is not asyncio.current_task()]
        for other in again:
            other.cancel()
        assert ended
        assert task.cancelled()

    asyncio.run(main())
    assert client.kept == [f"bench/1/{call}"]


def test_a_command_left_lying_is_not_taken(mosquitto, shared, often):
    async def main():
        async with listening(mosquitto) as listener:
            async with telling(mosquitto, shared):
                await listener.until(lambda: listener.of("challenge"))
                nonce = listener.of("challenge")[-1]["nonce"]
                # it is right in every other way; only that it comes as one that was left there
                telemetry = Telemetry(mosquitto.broker(), "run-7", shared.said.append)
            telemetry._gate.nonce = nonce
            payload = signed(KEY.encode(), TOPIC, nonce, telemetry._time_s(), "stop", "old")
            await listener.client.publish(TOPIC, payload, qos=1, retain=True)
            task = asyncio.create_task(telemetry.beside(shared.snapshot))
            before = len(listener.of("timing"))
            await listener.until(lambda: len(listener.of("timing")) >= before + 2)
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
            await listener.client.publish(TOPIC, b"", qos=1, retain=True)
            assert listener.of("answer") == []
        assert shared.snapshot.pop_command() is None

    asyncio.run(main())


def test_without_leave_none_is_taken(mosquitto, shared, often):
    async def main():
        async with (
            listening(mosquitto) as listener,
            telling(mosquitto, shared, commands=False, command_key_file=None),
        ):
            await listener.until(lambda: listener.of("timing"))
            await listener.client.publish(TOPIC, signed(KEY.encode(), TOPIC, "", 0.0, "stop", "1"), qos=1)
            await listener.until(lambda: len(listener.of("timing")) >= 2)
            assert listener.of("answer") == listener.of("challenge") == []
        assert shared.snapshot.pop_command() is None

    asyncio.run(main())


def test_a_flood_of_nonsense_changes_nothing_and_costs_a_line_a_second(mosquitto, shared, capfd):
    rng, messages = np.random.default_rng(3), 5000

    async def main():
        began = time.monotonic()
        async with listening(mosquitto) as listener, telling(mosquitto, shared) as task:
            await listener.until(lambda: listener.of("timing"))
            for _ in range(messages):
                await listener.client.publish(TOPIC, rng.bytes(int(rng.integers(0, 300))))
            counted = f"{messages} in all)"  # taken from the queue or thrown away before it
            await listener.until(lambda: shared.said and shared.said[-1].endswith(counted))
            before = len(listener.of("timing"))
            await listener.until(lambda: len(listener.of("timing")) > before)
            assert not task.done()
            answers = listener.of("answer")
        return time.monotonic() - began, answers

    took_s, answers = asyncio.run(main())
    assert shared.snapshot.pop_command() is None
    assert 1 <= len(shared.said) <= took_s + 1.0
    assert len(answers) <= len(shared.said)
    told = capfd.readouterr()
    assert told.out + told.err == ""
    assert shared.said[-1].endswith(f"{messages} in all)")


def criterion_result(margin):
    return CriterionResult("lean", "lean", True, margin, "rad", 1.0, 20.0, "lean at most 3.0°")


def test_the_verdict_is_left_at_the_broker(mosquitto, shared):
    # what could not be worked out is no number there, and JSON has none for it
    verdict = asdict(Verdict("pass", ["all criteria met"], [criterion_result(margin=math.nan)]))
    tell_verdict(mosquitto.broker(), "run-7", verdict, shared.said.append)

    async def main():
        async with listening(mosquitto) as listener:
            await listener.until(lambda: listener.of("verdict"))
            topic, told, retained = listener.heard[-1]
            assert (topic, retained) == ("bench/1/verdict", True)
            assert told == {"run": "run-7", **jsonable(verdict)}
            assert told["criteria"][0]["margin"] is None

    asyncio.run(main())
    assert shared.said == []
    mosquitto.end()
    tell_verdict(mosquitto.broker(), "run-7", verdict, shared.said.append)
    assert "could not be left" in shared.said[0]


def test_what_a_campaign_came_to_is_left_at_the_broker(mosquitto, shared):
    result = TOPICS["campaign"].example
    tell_campaign(mosquitto.broker(), result, shared.said.append)

    async def main():
        async with listening(mosquitto) as listener:
            await listener.until(lambda: listener.of("campaign"))
            assert listener.heard[-1] == ("bench/1/campaign", result, True)

    asyncio.run(main())
    assert shared.said == []
    mosquitto.end()
    tell_campaign(mosquitto.broker(), result, shared.said.append)
    assert "the campaign could not be left" in shared.said[0]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("password_file", None, "no such file"),
        ("ca_file", "no certificate", "expected the PEM file"),
        ("command_key_file", "short", "at least 16 bytes, got 5"),
    ],
)
def test_a_file_that_does_not_serve_is_told(mosquitto_home, name, content, says):
    file = mosquitto_home.folder / "spoilt"
    file.unlink(missing_ok=True)
    if content is not None:
        file.write_text(content)
    settings = mosquitto_home.settings(**{name: "spoilt"})
    _, ((key, text),) = read_secrets(settings, lambda name: str(mosquitto_home.folder / name))
    assert key == name
    assert says in text


def test_a_key_ends_before_its_line_feed(mosquitto_home):
    assert mosquitto_home.broker().secrets.key == KEY.encode()
    assert mosquitto_home.broker(commands=False, command_key_file=None).secrets.key is None
