"""On a serial line the last byte of an epoch arrives at its age: on a whole bench."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import kstest

from emulator.assembly.link_specs import output_specs
from emulator.assembly.session import Session
from emulator.config.rig.ports import SerialPort
from emulator.loop.certificate import TimingAccounts
from tests.support.scripted_robot import Ride, fault, variant

MS = 1_000_000


def on_serial(session: Session, baud: int, **keys: object) -> Session:
    port = SerialPort(kind="serial", device="/dev/none", baud=baud)  # type: ignore[arg-type]
    return variant(session, rig={"gnss_port": port}, sensors={"gnss": keys})


@pytest.mark.parametrize(
    ("baud", "latency_ms", "sentences"),
    [
        (115_200, 60.0, ("GGA", "RMC", "VTG", "GSA", "GST", "ZDA")),
        (38_400, 45.0, ("GGA", "RMC")),
        (115_200, 18.0, ("GGA", "RMC", "VTG")),  # the longest burst takes 17.97 ms
    ],
)
def test_the_last_byte_is_as_old_as_promised(
    session: Session, baud: int, latency_ms: float, sentences: tuple[str, ...]
) -> None:
    """From due times and bytes, to 0.1 ms; with a fix, without one (short bursts), and before arming."""
    keys = {"latency_ms": latency_ms, "jitter_ms": 0.0, "sentences": sentences}
    troubled = variant(
        on_serial(session, baud, **keys), scenario={"events": (fault("gnss_x_m", "dropout", 0.5, 0.5),)}
    )
    ride = Ride(troubled).start(1600)
    assert len(ride.bursts) > 18
    lengths = {len(burst) for _, burst, _, _ in ride.bursts}
    assert max(lengths) - min(lengths) > 40  # both kinds
    for tick, burst, due, valid in ride.bursts:
        arrival = due + len(burst) * 10 / baud * 1e9
        assert arrival - valid == pytest.approx(latency_ms * MS, abs=0.1 * MS)
        assert tick == -(-due // MS)  # handed over in the tick it is due


def test_without_a_line_the_burst_is_handed_over_at_its_age(session: Session) -> None:
    ride = Ride(variant(session, sensors={"gnss": {"jitter_ms": 0.0}})).start(500)
    assert {due - valid for _, _, due, valid in ride.bursts} == {60 * MS}


def test_jitter_on_the_line_is_half_normal(session: Session) -> None:
    """Of the arrival of the last byte: |n| times the rig's, never earlier (Kolmogorov-Smirnov at 1 %)."""
    keys = {"rate_hz": 25.0, "latency_ms": 60.0, "jitter_ms": 3.0, "sentences": ("GGA", "RMC", "VTG")}
    ride = Ride(on_serial(session, 115_200, **keys))
    ride.every = 0
    ride.step(20_000)
    late = (
        np.array([due + len(b) * 10 / 115_200 * 1e9 - valid for _, b, due, valid in ride.bursts]) / MS - 60.0
    )
    assert late.size > 490
    assert late.min() > -1e-4
    assert kstest(late / 3.0, "halfnorm").pvalue > 0.01
    assert all(a[3] < b[3] for a, b in itertools.pairwise(ride.bursts))


def test_the_certificate_counts_the_last_byte(session: Session) -> None:
    slow = on_serial(session, 38_400, latency_ms=120.0, jitter_ms=0.0, sentences=("GGA", "RMC"))
    budget, ride = TimingAccounts(output_specs(slow)), Ride(slow)
    bench = ride.bench

    def account(r: Ride) -> None:
        if r.bursts:
            r.bursts.pop()
            line_ns = bench.gnss_line_ns
            sent = bench.tick_number * MS + line_ns
            budget.gnss(bench.gnss_due_ns + line_ns, bench.gnss_valid_ns, sent, taken=True)

    ride.step(2000, account)
    kept = budget.certificate()["outputs"]["gnss"]
    assert kept["sent"] >= 18
    assert 120.0 <= kept["age_ms_max"] < 121.0  # handed over in a tick of 1 ms
