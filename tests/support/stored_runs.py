"""Run folders that an earlier version wrote, kept in ``tests/reference/runs_2026-11-26.tar.xz``.

Both were ridden by the reference robot at commit a346e3e, seed 4: ``virtual`` on the stepped clock, ``bench``
in real time on the virtual bus of two shared cores. Their files are in them: a second in the support and one
free, a lost wheel speed, a mark, a mark that the operator asked for on the bench, and keys by the names they
had then (``asked``, ``place_error``, ``told``; ``bench.fault_active``).
"""

from __future__ import annotations

import tarfile
from pathlib import Path

ARCHIVE = Path(__file__).parents[1] / "reference" / "runs_2026-11-26.tar.xz"
RUNS = ("virtual", "bench")


def unpack_runs(folder: Path) -> Path:
    """Puts both into a folder; returns it."""
    with tarfile.open(ARCHIVE) as archive:
        for member in archive:
            if member.isfile():
                path = folder / member.name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(archive.extractfile(member).read())  # type: ignore[union-attr]
    return folder
