"""A condition of a scenario file means a formula of temporal logic."""

import json

import pytest

from emulator.criteria.condition import Condition
from emulator.criteria.temporal import Always, Compare, Either, Eventually, Every, Not, Until

LEAN = {"signal": "truth.roll_rad", "at_most": 0.8, "size": True}
FAST = {"signal": "truth.speed_m_s", "at_least": 10.0}
lean, fast = Compare("truth.roll_rad", "at_most", 0.8, True), Compare("truth.speed_m_s", "at_least", 10.0)


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        (LEAN, lean),
        (FAST, fast),
        ({"all_of": [LEAN, FAST]}, Every((lean, fast))),
        ({"any_of": [LEAN, FAST]}, Either((lean, fast))),
        ({"none_of": [LEAN, FAST]}, Not(Either((lean, fast)))),
        ({"when": LEAN, "then": FAST}, Either((Not(lean), fast))),
        ({"always": LEAN}, Always(lean)),
        ({"always": LEAN, "from_s": 1.0, "to_s": 2.0}, Always(lean, 1.0, 2.0)),
        ({"eventually": {"always": LEAN, "to_s": 3.0}}, Eventually(Always(lean, 0.0, 3.0))),
        ({"hold": LEAN, "until": FAST, "to_s": 5.0}, Until(lean, fast, 0.0, 5.0)),
    ],
)
def test_what_is_said_is_what_is_meant(said, meant):
    assert Condition.model_validate_json(json.dumps(said)).formula() == meant
