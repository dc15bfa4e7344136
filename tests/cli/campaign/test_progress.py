"""The one line of a campaign's progress: what it says, and that it fits 80 columns."""

import io

from rich.console import Console

from emulator.campaign.riding.conduct import Progress
from emulator.campaign.store.counts import Counts
from emulator.cli.campaign.progress import ProgressLine, duration, progress_line


def test_it_says_done_surprises_what_does_not_count_rate_and_time_left():
    progress = Progress(1000, 100, Counts(280, 15, 4, 1), lost=2, elapsed_s=100.0)
    assert progress_line(progress) == (
        "300 of 1,000 · 15 surprises · 4 invalid · 1 not ridden · 2 workers lost · 2/s · 6 min left"
    )
    assert progress_line(Progress(12, 0, Counts())) == "0 of 12"
    assert progress_line(Progress(12, 0, Counts(5, 1), elapsed_s=3.0)) == (
        "6 of 12 · 1 surprise · 2/s · 3 s left"
    )


def test_the_longest_there_can_be_is_folded_and_not_cut():
    progress = Progress(1_000_000, 0, Counts(400_000, 99_999, 99_999, 99_999), 9_999, 3600.0)
    out = io.StringIO()
    console = Console(file=out, width=80, force_terminal=True, color_system=None)
    with ProgressLine(console) as line:
        line.show(progress)
    for word in progress_line(progress).split():
        assert word in out.getvalue()
    assert "…" not in out.getvalue()


def test_in_a_pipe_a_line_comes_now_and_then():
    out = io.StringIO()
    with ProgressLine(Console(file=out, width=110)) as line:
        for elapsed_s in (1.0, 29.0, 31.0, 45.0, 62.0):
            line.show(Progress(100, 0, Counts(10), elapsed_s=elapsed_s))
    assert len(out.getvalue().splitlines()) == 2


def test_times_to_wait_are_told_as_people_tell_them():
    assert [duration(s) for s in (0.4, 89.0, 90.0, 3600.0, 7200.0, 12_345.0)] == [
        "0 s",
        "89 s",
        "2 min",
        "60 min",
        "2 h 00 min",
        "3 h 26 min",
    ]
