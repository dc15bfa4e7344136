"""Which runs and campaigns rode which version of a vehicle."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow.compute as pc

from emulator.campaign.riding.row import joined_hashes
from emulator.campaign.store.folder import CAMPAIGN_FILE
from emulator.campaign.store.reading import read_results
from emulator.core.errors import RecordError
from emulator.record.documents import read_manifest
from emulator.record.writer import MANIFEST_FILE
from emulator.track.calibration.version import Version

Uses = dict[Path, int]
"""Run folder or campaign folder: runs of it."""


def uses_of(folders: Sequence[Path], versions: Sequence[Version]) -> dict[str, Uses]:
    """By the SHA-256 of each version: what below these folders rode it.

    Of a campaign all rows count, its kept runs not besides. What can't be read is passed over.
    """
    by_key = {}
    for k, version in enumerate(versions):
        # a version is its own file with all those before it, the nearest first
        by_key[joined_hashes([one.sha256 for one in reversed(versions[: k + 1])])] = version.sha256
    found: dict[str, Uses] = {version.sha256: {} for version in versions}
    for folder in folders:
        campaigns = [place.parent for place in sorted(folder.rglob(CAMPAIGN_FILE))]
        for campaign in campaigns:
            for key, count in _counted(campaign):
                if key in by_key:
                    found[by_key[key]][campaign] = count
        for place in sorted(folder.rglob(MANIFEST_FILE)):
            if any(campaign in place.parents for campaign in campaigns):
                continue
            if (key := _of_run(place.parent)) in by_key:
                found[by_key[key]][place.parent] = 1
    return found


def _counted(campaign: Path) -> Iterator[tuple[str, int]]:
    try:
        column = read_results(campaign)["vehicle_sha256"]
    except RecordError:
        return
    for one in pc.value_counts(column.combine_chunks()).to_pylist():
        yield str(one["values"]), int(one["counts"])


def _of_run(folder: Path) -> str:
    try:
        files = read_manifest(folder).get("files")
    except RecordError:
        return ""
    if not isinstance(files, dict) or "vehicle" not in files:
        return ""
    # bases are named "vehicle base 1", the nearest, and so on
    chain = [
        files["vehicle"],
        *filter(None, (files.get(f"vehicle base {k}") for k in range(1, 99))),
    ]
    return joined_hashes([str(one) for one in chain])
