"""In which order cases are ridden, so that a night cut short still answers what matters most."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa

from emulator.campaign.plan.case import Case
from emulator.campaign.riding.row import case_columns
from emulator.campaign.store.schema import CASE_SCHEMA, COUNTING
from emulator.config.campaign.schema import FailedLast


def in_turn(cases: Sequence[Case], last: pa.Table | None, first: Sequence[FailedLast]) -> list[Case]:
    """Cases in the order they are ridden; each part of it in the plan's order.

    last   results of another night (``store.reading.read_results``), paired by case; None: there is none
    first  which cases go before the others, in this order: those that failed last time (they came out other
           than expected, did not count or could not be ridden), those never ridden
    """
    if last is None:
        return list(cases)
    columns = (last[name].to_pylist() for name in ("case_id", "result", "as_expected"))
    fine = {
        id_: as_expected or (as_expected is None and result in COUNTING)
        for id_, result, as_expected in zip(*columns, strict=True)
    }

    def rank(case: Case) -> int:
        is_so: dict[FailedLast, bool] = {
            "failed_last_time": case.id in fine and not fine[case.id],
            "never_ridden": case.id not in fine,
        }
        return next((place for place, one in enumerate(first) if is_so[one]), len(first))

    return sorted(cases, key=rank)  # stable: in the plan's order where the rank is the same


def table_of_cases(cases: Sequence[Case], turns: Sequence[Case], plan: Path) -> pa.Table:
    """All cases in the plan's order, each with its turn, as ``cases.parquet`` has them."""
    turn = {case.number: n for n, case in enumerate(turns)}
    rows = [{**case_columns(case, plan), "turn": turn[case.number]} for case in cases]
    return pa.Table.from_pylist(rows, schema=CASE_SCHEMA)
