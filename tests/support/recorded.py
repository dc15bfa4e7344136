"""Numbers of a figure, whatever form they travel in."""

from __future__ import annotations

import base64
import json
import zlib
from typing import Any

import numpy as np

from emulator.report.figures.columns import Column
from tests.support.html_page import Page


def numbers(item: Any) -> np.ndarray:
    """Of a curve's x or y, as they arrive on a page."""
    if isinstance(item, Column):
        return item.carried
    return np.asarray([np.nan if v is None else v for v in item], float)


def carried(page: Page) -> dict[str, Any]:
    """All a page carries for its figures, unpacked as ``assets/figures.js`` does it, but slowly."""
    told, text = [script.strip() for script in page.scripts if script.strip()][:2]
    item = json.loads(told)
    raw = zlib.decompress(base64.b64decode(text)) if item["columns"] else b""
    columns, at = [], 0
    for count, step in item.pop("columns"):
        steps, total = [], 0
        for _ in range(count):
            code = shift = 0
            while True:
                byte, at = raw[at], at + 1
                code |= (byte & 127) << shift
                shift += 7
                if byte < 128:
                    break
            if code:
                folded = code - 1
                total += -((folded + 1) // 2) if folded % 2 else folded // 2
            steps.append(total if code else np.nan)
        by = round(1 / step) if step < 1 else 0
        columns.append(np.array(steps) / by if by else np.array(steps, float) * step)
    assert at == len(raw)

    def filled(part: Any) -> Any:
        if isinstance(part, list):
            return [filled(p) for p in part]
        if isinstance(part, dict):
            return columns[part["column"]] if "column" in part else {k: filled(v) for k, v in part.items()}
        return part

    return filled(item)
