"""What is told of keys that an effect takes, needs, or bounds, worked out from its declaration alone."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from emulator.events.declaration import Effect, EventKind, Key, Takes, Wrong, effect_key

EFFECTS = (
    Effect("plain", "nothing more"),
    Effect("sized", "so much", needs={"size": "a size"}, least={"size": 2}, most={"size": 5}),
    Effect("timed", "so long", needs={"size": "a size", "time_s": "a time"}, takes=("colour",)),
    *(Effect(name, "as well", takes=("colour",)) for name in ("a", "b", "c")),
)
KIND = EventKind(
    "made_up",
    "For the test.",
    (
        effect_key(EFFECTS, "which"),
        Key("size", Takes.NUMBER, "how much"),
        Key("time_s", Takes.NUMBER, "how long"),
        Key("colour", Takes.TEXT, "how it looks"),
        Key("share", Takes.NUMBER, "every effect's"),
    ),
    lambda _row, _event, _rig: None,
    EFFECTS,
    rules=lambda event, given: iter([Wrong("its own rule", "share")] if "share" in given else []),
)


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({"effect": "plain"}, []),
        ({"effect": "plain", "share": 1.0}, [("share", "its own rule")]),
        (
            {"effect": "plain", "size": 1.0},
            [("size", "effect plain takes no size, sized and timed do; remove it")],
        ),
        (
            {"effect": "plain", "time_s": 1.0},
            [("time_s", "effect plain takes no time_s, timed does; remove it")],
        ),
        ({"effect": "plain", "colour": "red"}, [("colour", "effect plain takes no colour; remove it")]),
        ({"effect": "sized"}, [("absent", "'size': effect sized needs a size")]),
        ({"effect": "sized", "size": 2.0}, []),
        ({"effect": "sized", "size": 1.5}, [("size", "expected at least 2, got 1.5")]),
        ({"effect": "sized", "size": 5.0}, []),
        ({"effect": "sized", "size": 5.5}, [("size", "expected at most 5, got 5.5")]),
        (
            {"effect": "timed", "colour": "red"},
            [
                ("absent", "'size': effect timed needs a size"),
                ("absent", "'time_s': effect timed needs a time"),
            ],
        ),
        ({"effect": "a", "colour": "red"}, []),
    ],
)
def test_what_is_told(keys: dict[str, object], told: list[tuple[str, str]]) -> None:
    event = SimpleNamespace(**{key.name: keys.get(key.name) for key in KIND.keys})
    assert [("absent" if w.absent else w.key, w.text) for w in KIND.broken_rules(event, set(keys))] == told
