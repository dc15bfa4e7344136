"""The columns of a campaign's results as the rows of the guide's table."""

from __future__ import annotations

import pyarrow as pa

from emulator.campaign.store.answers import ANSWER_COLUMNS
from emulator.campaign.store.schema import COLUMNS, Column


def table_row(column: Column) -> str:
    """``| `name` | type | unit | meaning; null: what that means |``."""
    null = f"; null: {column.missing}" if column.missing else ""
    return f"| `{column.name}` | {_type(column.type)} | {column.unit} | {column.meaning}{null} |"


def table_rows(*, timing: bool) -> list[str]:
    """All rows, of what is compared or of what is not."""
    return [table_row(column) for column in COLUMNS if column.timing is timing]


def answer_rows() -> list[str]:
    """All rows of the table of answers."""
    return [table_row(column) for column in ANSWER_COLUMNS]


def _type(kind: pa.DataType) -> str:
    words = {"string": "text", "double": "number", "bool": "yes or no", "int64": "whole number"}
    if pa.types.is_list(kind):
        return f"list of {_type(kind.value_type)}"
    if pa.types.is_struct(kind):
        return ", ".join(field.name for field in kind)
    if pa.types.is_timestamp(kind):
        return "UTC"
    return words.get(str(kind), "whole number" if pa.types.is_integer(kind) else str(kind))
