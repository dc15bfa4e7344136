"""What families declare hangs together, and the table holds every column once."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from emulator.events import table
from emulator.events.declaration import EventKind, Key, Lasts, Takes
from emulator.events.table import EVENT_DTYPE, KINDS, event_table

COMMON = {"name", "at", "kind", "duration_s", "probability", "seed", "repeat"}


def test_every_number_of_a_kind_is_its_place() -> None:
    names = (
        *("FAULT", "FRAME", "ACTUATOR", "BUS", "RESTART", "GRIP", "GUST", "GEARBOX", "GNSS", "MARK"),
        "ELECTRONICS",
    )
    assert [KINDS[getattr(table, name)].name for name in names] == [name.lower() for name in names]
    assert len(KINDS) == len(names)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_a_kind_declares_each_key_once_and_names_none_it_has_not(kind: EventKind) -> None:
    keys = Counter(key.name for key in kind.keys)
    assert set(keys.values()) == {1}
    assert not set(keys) & COMMON
    for effect in kind.effects:
        for part in (effect.needs, effect.takes, effect.least, effect.most):
            assert set(part) <= set(keys), effect.name
        assert not set(effect.needs) & set(effect.takes), effect.name
    named = {name for effect in kind.effects for name in (*effect.needs, *effect.takes)}
    assert not {key.name for key in kind.keys if key.required} & named, (
        "a key is every event's or some effect's"
    )


@pytest.mark.parametrize("key", [key for kind in KINDS for key in kind.keys], ids=lambda key: key.name)
def test_a_key_has_a_sentence_and_a_range_that_holds_its_default(key: Key) -> None:
    assert key.text
    bounds = (key.least, key.above, key.most)
    if key.takes not in (Takes.NUMBER, Takes.WHOLE):
        assert bounds == (None, None, None)
        assert key.default is None
    elif key.default is not None:
        assert key.least is None or key.default >= key.least
        assert key.most is None or key.default <= key.most
    assert key.least is None or key.above is None


def test_the_effect_s_number_is_its_place_among_the_choices() -> None:
    for kind in KINDS:
        choices = [key.takes for key in kind.keys if key.name == "effect"]
        assert choices == ([tuple(e.name for e in kind.effects)] if kind.effects else [])


def test_columns_are_told_once_and_a_new_row_waits_without_an_effect() -> None:
    columns = Counter(EVENT_DTYPE.names)
    assert set(columns.values()) == {1}
    for kind in KINDS:
        assert {column.name for column in kind.columns} <= set(columns)
    row = event_table(2)[1]
    assert KINDS[row["kind"]].lasts is Lasts.INSTANT
    assert (row["state"], row["live"], row["signal"], row["share"]) == (0, 0, -1, 1.0)
    assert [
        name for name in ("value", "low", "high", "heading", "held", "from_m") if not np.isnan(row[name])
    ] == []
