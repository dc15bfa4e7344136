"""What passes between a Python class and its driver, with a word to who reads or returns what is none.

Loaded in the robot's own process, too.
"""

from __future__ import annotations

import inspect
import operator
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any, NoReturn

from emulator.core.signals import OUTPUT_VALUES
from emulator.stages.own_robot.protocol import NOTHING, Answer, RobotFailed

_GNSS = ("gnss_x_m", "gnss_y_m", "gnss_z_m", "gnss_speed_m_s", "gnss_course_rad", "gnss_fix")
_VALUES = frozenset((*OUTPUT_VALUES, *_GNSS))
"""Names that a value can arrive under."""
_KEYS = ("values", "frames", "notes")
_NAMES, _FLOATS = frozenset({str}), frozenset({float})
_EXAMPLE = '{"values": {"throttle": 0.1}, "frames": [(0x80, b"...")], "notes": {}}'


class NotArrived(KeyError):
    """A value was asked for that has not come in this period, or never does."""

    def __str__(self) -> str:
        """The sentence, not its repr."""
        return str(self.args[0])


class Arrived(dict[str, float]):
    """Values that arrived in a period, by name."""

    def __missing__(self, name: str) -> NoReturn:
        if name in _VALUES:
            ask = f"ask by moment.values.get({name!r}), and keep the last one"
            raise NotArrived(f"{name!r} has not arrived in this period: {ask}")
        raise NotArrived(_no_value(name))

    def get(self, name: str, default: Any = None) -> Any:
        """As of any dict; but a name that no bench has would never arrive, and never be missed."""
        if name in self:
            return self[name]
        if name not in _VALUES:
            raise NotArrived(_no_value(name))
        return default


def _no_value(name: object) -> str:
    near = get_close_matches(str(name), _VALUES, n=1)
    meant = f", did you mean {near[0]!r}?" if near else ";"
    return f"{name!r:.60} is no value of a bench{meant} emulator list outputs tells their names"


class NotAskedFor:
    """Stands in for what a robot did not want to be told: frames, or values."""

    def __init__(self, what: str, wants: str) -> None:
        self._text = f'{what} are not handed over to this robot: give its class wants = "{wants}" or "both"'

    def _refuse(self, *_: object) -> NoReturn:
        raise TypeError(self._text)

    __iter__ = __len__ = __getitem__ = __contains__ = __bool__ = _refuse

    def __getattr__(self, name: str) -> NoReturn:
        """Nothing of it can be used."""
        raise TypeError(self._text)


FRAMES_NOT_ASKED_FOR: Any = NotAskedFor("frames", "frames")
VALUES_NOT_ASKED_FOR: Any = NotAskedFor("values", "values")


def answer_of(returned: Any) -> Answer:
    """What ``act`` of a Python class returned: nothing, or a dict with frames, values and notes.

    Raises RobotFailed for anything else, with the name it stands under; whether a bench has such values and
    frames is the driver's to say.
    """
    if returned is None:
        return NOTHING
    if not isinstance(returned, dict) or not returned.keys() <= set(_KEYS):
        raise RobotFailed("nonsense", f"act returned {_shown(returned)}{_instead(returned)}")
    frames = returned.get("frames", ())
    return Answer(
        _pairs(frames) if frames else (),
        _numbers("values", returned.get("values", {})),
        _numbers("notes", returned.get("notes", {})),
    )


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


def _instead(returned: object) -> str:
    if inspect.iscoroutine(returned):
        returned.close()
        return "; expected a dict: act is async, make it a plain function"
    if isinstance(returned, dict):
        return f"; expected a dict of {', '.join(map(repr, _KEYS))}, such as {_EXAMPLE}"
    return f"; expected a dict such as {_EXAMPLE}, each of them may be left out, or None"


def _numbers(key: str, given: Any) -> dict[str, float]:
    if type(given) is dict and set(map(type, given)) <= _NAMES and set(map(type, given.values())) <= _FLOATS:
        return given  # as almost all do
    if not isinstance(given, Mapping):
        raise RobotFailed(
            "nonsense", f"act returned {key} {_shown(given)}; expected a dict of numbers by name"
        )
    return {str(name): _number(name, value) for name, value in given.items()}


def _number(name: object, value: Any) -> float:
    """A number of any library that has some, which is no text and no array."""
    try:
        if isinstance(value, str | bytes) or hasattr(value, "__len__"):
            raise TypeError
        return float(value)
    except (TypeError, ValueError, OverflowError):
        raise RobotFailed(
            "nonsense", f"it gave {_shown(value)} for {name!r}; expected a number, or NaN for not available"
        ) from None


def _pairs(frames: Any) -> list[tuple[int, bytes]]:
    if isinstance(frames, Mapping) or not isinstance(frames, Iterable):
        raise RobotFailed(
            "nonsense", f"act returned frames {_shown(frames)}; expected a list of (identifier, bytes)"
        )
    return [_pair(frame) for frame in frames]


def _pair(frame: Any) -> tuple[int, bytes]:
    try:
        can_id, data = frame
    except (TypeError, ValueError):
        raise RobotFailed(
            "nonsense", f"act returned frames with {_shown(frame)}; expected a list of (identifier, bytes)"
        ) from None
    try:
        number = operator.index(can_id)
    except TypeError:
        raise RobotFailed(
            "nonsense",
            f"act returned frames with {can_id!r:.60} for an identifier; expected a number, such as 0x80",
        ) from None
    if isinstance(data, str | int):
        raise RobotFailed(
            "nonsense",
            f"act returned frames with no bytes in {number:#x}; expected bytes, got {_shown(data)}",
        )
    try:
        return number, bytes(data)
    except (TypeError, ValueError) as error:
        raise RobotFailed(
            "nonsense", f"act returned frames with no bytes in {number:#x}; expected bytes, {error}"
        ) from None
