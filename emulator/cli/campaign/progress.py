"""How far a campaign is, in one line: on a terminal always the same one, in a pipe a new one now and then."""

from __future__ import annotations

from types import TracebackType
from typing import TYPE_CHECKING

from rich.console import Console
from rich.live import Live
from rich.text import Text

if TYPE_CHECKING:
    from emulator.campaign.riding.conduct import Progress

_EVERY_S = 30.0
"""Between two lines in a pipe."""


def duration(seconds: float) -> str:
    """A time to wait for, as people say it: 45 s, 12 min, 3 h 20 min."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def progress_line(progress: Progress) -> str:
    """Done, surprises, what does not count, rate, time left; at most 79 characters."""
    counts = progress.counts
    parts = [f"{counts.done:,} of {'at most ' if progress.at_most else ''}{progress.total:,}"]
    for n, one, many in (
        (counts.surprises, "surprise", "surprises"),
        (counts.invalid, "invalid", "invalid"),
        (counts.errors, "not ridden", "not ridden"),
        (progress.lost, "worker lost", "workers lost"),
    ):
        if n:
            parts.append(f"{n:,} {one if n == 1 else many}")
    if (left_s := progress.left_s) is not None:
        parts += [f"{progress.rate_hz:.3g}/s", f"{duration(left_s)} left"]
    return " · ".join(parts)


class ProgressLine:
    """Shows it while it is entered."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = Live(console=console, transient=True, refresh_per_second=4, auto_refresh=False)
        self._shown_s = 0.0

    def __enter__(self) -> ProgressLine:
        """Itself."""
        if self._console.is_terminal and not self._console.quiet:
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the line away."""
        self._live.stop()

    def show(self, progress: Progress) -> None:
        """Show how far it is now."""
        if self._live.is_started:
            self._live.update(Text(progress_line(progress), overflow="fold"), refresh=True)
        elif progress.elapsed_s - self._shown_s >= _EVERY_S:
            self._shown_s = progress.elapsed_s
            self._console.print(progress_line(progress), markup=False)
