"""How long processes of a host wait for a core, by what the kernel tells."""

import pytest

from emulator.stages.bench.waiting import Waiting

MS = 1_000_000


def pressure(root, total_us):
    (root / "proc/pressure").mkdir(parents=True, exist_ok=True)
    (root / "proc/pressure/cpu").write_text(
        f"some avg10=1.00 avg60=2.00 avg300=3.00 total={total_us}\nfull avg10=0.00 avg60=0.00 total=7\n"
    )


def schedule(root, *waited_ns):
    (root / "proc").mkdir(exist_ok=True)
    cores = [f"cpu{k} 0 0 0 0 0 0 111 {ns} 9" for k, ns in enumerate(waited_ns)]
    (root / "proc/schedstat").write_text("version 15\ntimestamp 4\n" + "\n".join(cores) + "\ndomain0 3 0\n")


def test_the_share_of_a_time_in_which_something_waited(tmp_path):
    waiting = Waiting(tmp_path)
    for now, total_us in ((0, 500), (50, 10_500), (100, 10_500), (150, 60_500)):
        pressure(tmp_path, total_us)
        waiting.look(now * MS + 1)
    assert [(b // MS, e // MS, share) for b, e, share in waiting.samples] == [
        (0, 50, pytest.approx(0.2)),
        (50, 100, 0.0),
        (100, 150, 1.0),
    ]


def test_a_kernel_without_pressure_tells_by_its_schedule(tmp_path):
    waiting = Waiting(tmp_path)
    for now, waited in ((0, (0, 0)), (50, (5 * MS, 10 * MS)), (100, (200 * MS, 10 * MS))):
        schedule(tmp_path, *waited)
        waiting.look(now * MS + 1)
    assert [share for _, _, share in waiting.samples] == [pytest.approx(0.3), 1.0]


def test_a_kernel_that_tells_nothing_is_not_a_quiet_host(tmp_path):
    waiting = Waiting(tmp_path)
    waiting.look(1)
    waiting.look(2)
    assert waiting.samples is None


def test_on_this_host_something_is_told():
    waiting = Waiting()
    waiting.look(1)
    waiting.look(50 * MS)
    if waiting.samples is not None:
        ((_, _, share),) = waiting.samples
        assert 0.0 <= share <= 1.0


def test_what_is_long_ago_is_kept_in_stretches_with_the_same_total(tmp_path):
    waiting = Waiting(tmp_path)
    total_us = 0
    for k in range(2000):  # a hundred seconds
        total_us += 50_000 if k % 4 == 0 else 0
        pressure(tmp_path, total_us)
        waiting.look(k * 50 * MS + 1)
    samples = waiting.samples
    assert 400 < len(samples) < 400 + 100
    assert [e for _, e, _ in samples[:-1]] == [b for b, _, _ in samples[1:]]
    assert sum((e - b) * share for b, e, share in samples) == pytest.approx(499 * 50 * MS)
