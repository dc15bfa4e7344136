"""Reads a campaign's folder: what was to be ridden, what came of it. Also while it is being ridden."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from emulator.campaign.store.folder import (
    CAMPAIGN_FILE,
    CASES_FILE,
    KEPT_FOLDER,
    SEARCHED_FOLDER,
    result_files,
)
from emulator.campaign.store.schema import CASE_SCHEMA, COUNTING, SCHEMA
from emulator.core.errors import RecordError
from emulator.record.documents import read_json_object
from emulator.record.writer import MANIFEST_FILE, VERDICT_FILE

STOPPED_AFTER = "stopped_after_turn"
"""Key of ``campaign.json``: the turn after which a stop rule ended it; rows of later turns do not count."""


def read_campaign(folder: Path) -> dict[str, Any]:
    """``campaign.json``. Raises RecordError for a folder that holds no campaign."""
    if not (folder / CAMPAIGN_FILE).is_file():
        raise RecordError(
            f"{folder} holds no campaign: there is no {CAMPAIGN_FILE}",
            advice="name the folder that emulator campaign run wrote",
        )
    return read_json_object(folder / CAMPAIGN_FILE)


def read_cases(folder: Path) -> pa.Table:
    """Every case, in the plan's order, with the columns of ``schema.CASE_SCHEMA``. Raises RecordError."""
    return read_table(folder / CASES_FILE, CASE_SCHEMA)


def read_results(folder: Path) -> pa.Table:
    """One row a case that was ridden, in the plan's order, with the columns of ``schema.SCHEMA``.

    Of a case that was ridden again it is the last attempt that counts, or the last one if none does. Rows
    that a stop rule came before are left out. ``kept`` is where a record lies now. Raises RecordError.
    """
    about = read_campaign(folder)
    parts = [read_table(path, SCHEMA) for path in result_files(folder)]
    table = pa.concat_tables(parts) if parts else SCHEMA.empty_table()
    if about.get(STOPPED_AFTER) is not None and table.num_rows:
        cases = read_cases(folder)
        in_time = cases.filter(pc.less_equal(cases["turn"], int(about[STOPPED_AFTER])))["number"]
        table = table.filter(pc.is_in(table["number"], in_time.combine_chunks()))
    return _with_kept(_last_of_each(table), folder)


def read_searched(folder: Path) -> pa.Table:
    """Rows of what searches rode, in the order asked for, with the columns of ``schema.SCHEMA``.

    Each case is ridden once, whichever questions it serves; its ``factors`` name the first that asked.
    """
    parts = [read_table(path, SCHEMA) for path in result_files(folder, SEARCHED_FOLDER)]
    table = pa.concat_tables(parts) if parts else SCHEMA.empty_table()
    return table.sort_by("number")


def _last_of_each(table: pa.Table) -> pa.Table:
    """A row a case, in the plan's order: among its attempts, one that counts before one that does not."""
    number = table["number"].to_numpy()
    counts = np.isin(np.asarray(table["result"].to_pylist(), object), COUNTING)
    # sorted by number, then whether it counts, then attempt, then the order written: the last one is it
    order = np.lexsort((np.arange(len(number)), table["attempt"].to_numpy(), counts, number))
    last = np.append(np.diff(number[order]) != 0, True) if len(order) else np.zeros(0, bool)
    return table.take(pa.array(order[last])).combine_chunks()


def _with_kept(table: pa.Table, folder: Path) -> pa.Table:
    there = {path.name for path in (folder / KEPT_FOLDER).glob("*")}
    kept = [
        f"{KEPT_FOLDER}/{case}" if case in there and is_kept(folder, case) else None
        for case in table["case_id"].to_pylist()
    ]
    place = SCHEMA.get_field_index("kept")
    return table.set_column(place, SCHEMA.field(place), pa.array(kept, pa.string()))


def is_kept(folder: Path, case_id: str) -> bool:
    """Whether the whole record of a case lies in the campaign's folder."""
    run = folder / KEPT_FOLDER / case_id
    return (run / MANIFEST_FILE).exists() and (run / VERDICT_FILE).exists()


def read_table(path: Path, schema: pa.Schema) -> pa.Table:
    """A Parquet file of the store, as its schema has it now. Raises RecordError.

    By itself: a dataset of one file takes several times as long to look at as to read.
    """
    try:
        with pq.ParquetFile(path) as file:
            return _of_today(file.read(use_threads=False), schema)
    except (OSError, ValueError, pa.ArrowException) as error:
        raise RecordError(f"{path} can't be read: {error}", advice="restore it from a copy") from error


def _of_today(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """With the columns of today: of one that came later an older version has told nothing."""
    columns = [
        table[field.name].cast(field.type)
        if field.name in table.column_names
        else pa.nulls(table.num_rows, field.type)
        for field in schema
    ]
    return pa.Table.from_arrays(columns, schema=schema)
