"""Numbers arrive on a page as they left, to their step; what is no number arrives as none."""

from __future__ import annotations

import json

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.report.figures.columns import Column, column, packed
from emulator.report.figures.drawing import axis, curve, plane
from emulator.report.page import page_html
from tests.support.html_page import Page
from tests.support.recorded import carried

ANY = st.floats(allow_nan=True, allow_infinity=True, width=64) | st.floats(-1e3, 1e3)


def arrived(*columns: Column) -> list[np.ndarray]:
    """What a page of them carries, unpacked by the tests' own reader."""
    curves = [curve(f"c{i}", c, c, "#000000", dash="solid") for i, c in enumerate(columns)]
    page = page_html(
        "circuit_import.html",
        "t",
        {"plan": plane(axis(), axis(), curves)},
        source="",
        heads=[],
        rows=[],
        remarks=[],
    )
    return [c["y"] for c in carried(Page(page))["figures"]["plan"]["curves"]]


@settings(max_examples=60)
@given(values=st.lists(ANY, max_size=60))
def test_every_number_arrives_to_half_a_step_or_as_none(values: list[float]) -> None:
    given = column(np.array(values))
    (there,) = arrived(given)
    known = np.isfinite(there)
    np.testing.assert_array_equal(there[known], given.carried[known])
    for value, found in zip(values, there, strict=True):
        if np.isfinite(found):
            assert abs(found - value) <= 0.5 * given.step * (1 + 1e-9) + 1e-12 * abs(value)
        elif np.isfinite(value):
            assert abs(value) / given.step > 1e12  # so far off the rest that it is no number of theirs


def test_steps_are_decimal_and_fine() -> None:
    rng = np.random.default_rng(3)
    for scale in (1e-9, 0.003, 1.0, 777.0, 4e6):
        values = scale * rng.normal(size=2000)
        step = column(values).step
        assert np.ptp(values) / 12_500 * 0.999 <= step <= np.ptp(values) / 5000 * 1.001
        assert f"{step:e}"[0] in "125"
        assert set(f"{step:e}".partition("e")[0][1:]) <= set(".0")
    noise = column(np.array([0.0, 6.879e-18, 1.0]))
    assert noise.carried.tolist() == [0.0, 0.0, 1.0]  # not "6.879e-18"


def test_a_lap_at_100_hz_of_one_signal_takes_about_a_byte_a_number() -> None:
    at = np.arange(12_000) * 0.01
    swinging = (
        30 * np.sin(at / 3)
        + 0.4 * np.sin(2 * np.pi * 9 * at)
        + np.random.default_rng(1).normal(size=12_000) * 0.02
    )
    told, text = packed({"y": Column(swinging, 0.01)})
    assert json.loads(json.dumps(told)) == {"y": {"column": 0}, "columns": [[12_000, 0.01]]}
    assert len(text) < 1.5 * 12_000
