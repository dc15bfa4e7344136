"""Closed pydantic models on a YAML source: every problem at once, in plain words, at its line and column.

Validation is strict in the way JSON is: a number is never made from text, nor a boolean from a number; a
whole number serves where a number is expected and a list serves where a tuple is. Extra keys are refused.
Units come from the key's suffix (``mass_kg``), bounds from the model's fields, so a message states both
bounds whichever was missed.
"""

from __future__ import annotations

import difflib
import json
import re
import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Annotated, Any, ClassVar, Literal, TypeVar, Union, get_args, get_origin

import annotated_types
from pydantic import BaseModel, ConfigDict, Discriminator, GetJsonSchemaHandler, Tag, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, ErrorDetails, PydanticCustomError

from emulator.config.another_way import figure, told_another_way
from emulator.config.yaml_source import Loc, Source, show
from emulator.core.errors import ConfigError, Problem


class Closed(BaseModel):
    """Base of every model of a file: frozen, no unknown keys, no silent conversion, finite numbers.

    What a key is stands below it as its docstring (emulator.config.key_texts).
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        validate_default=False,
        defer_build=True,
    )
    former_keys: ClassVar[Mapping[str, str]] = {}
    """What keys were called in the version before, and what they are called now (emulator.config.renamed)."""
    former_kinds: ClassVar[tuple[str, ...]] = ()
    """What its ``kind`` was called in the version before."""
    elsewhere: ClassVar[Mapping[str, str]] = {}
    """Keys that people look for here, and in words where it is said instead."""

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Its JSON Schema, with what each key is."""
        from emulator.config.key_texts import tell_keys  # reads sources: not worth its time anywhere else

        schema = handler(core_schema)
        tell_keys(cls, handler.resolve_ref_schema(schema))
        return schema


Model = TypeVar("Model", bound=Closed)

UNIONS = (Union, types.UnionType)
"""Origins of a union of types, in either spelling."""

UNIT_OF_SUFFIX = {
    "rad_s_per_m_s2": "rad/s per m/s2",
    "m_s2_per_m_s": "m/s2 per m/s",
    "rad_s2_sqrtHz": "rad/s2/sqrt(Hz)",
    "m_s3_sqrtHz": "m/s3/sqrt(Hz)",
    "rad_s_per_K": "rad/s per K",
    "m_s2_per_K": "m/s2 per K",
    "ppm_per_K": "ppm per K",
    "rad_s_sqrtHz": "rad/s/sqrt(Hz)",
    "m_s2_sqrtHz": "m/s2/sqrt(Hz)",
    "kg_m2": "kg m2",
    "Nm_s": "N m/s",
    "deg_s2": "deg/s2",
    "deg_s": "deg/s",
    "rad_s": "rad/s",
    "m_s3": "m/s3",
    "m_s2": "m/s2",
    "km_h": "km/h",
    "m_s": "m/s",
    "degC": "degC",
    "deg": "deg",
    "rad": "rad",
    "bar": "bar",
    "per_s": "1/s",
    "pct": "%",
    "rpm": "rpm",
    "kW": "kW",
    "m2": "m2",
    "ppm": "ppm",
    "Nm": "N m",
    "kg": "kg",
    "hz": "Hz",
    "ms": "ms",
    "us": "us",
    "ns": "ns",
    "mm": "mm",
    "m": "m",
    "s": "s",
}
"""Unit by the end of a key, longest first."""


def wrong(expected: str, *key: str | int) -> PydanticCustomError:
    """What a model's own validator raises: the message, and the key below the model it is about."""
    return PydanticCustomError("wrong", "{text}", {"text": expected, "key": key, "missing": False})


def missing(what: str, *key: str | int) -> PydanticCustomError:
    """What a model's own validator raises for a key that is not there; told at the key it belongs under."""
    text = f"missing key {what}"
    return PydanticCustomError("wrong", "{text}", {"text": text, "key": key, "missing": True})


_LONGEST_NAME, _MOST_NAMES = 100, 1000


def unit_of(key: str) -> str:
    """The unit that a key's suffix states; empty if it states none."""
    return next((unit for suffix, unit in UNIT_OF_SUFFIX.items() if key.endswith("_" + suffix)), "")


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """``, did you mean 'grip'?`` when a known name is near, otherwise nothing.

    Nor where that would take long: for a name of no usual length, or among more than a thousand.
    """
    if len(name) > _LONGEST_NAME:
        return ""
    near = difflib.get_close_matches(name, islice(known, _MOST_NAMES), n=1, cutoff=0.6)
    return f", did you mean {near[0]!r}?" if near else ""


def validate(model: type[Model], source: Source) -> Model:
    """The file as an instance of ``model``; raises ConfigError holding every problem in it."""
    result = _attempt(model, source)
    if isinstance(result, list):
        raise ConfigError(result)
    return result


def problems_of(model: type[Closed], source: Source) -> list[Problem]:
    """Every problem of the file as ``model``, none if it is one."""
    result = _attempt(model, source)
    return result if isinstance(result, list) else []


def _attempt(model: type[Model], source: Source) -> Model | list[Problem]:
    kind = _expected_kind(model)
    given = source.data.get("kind")
    if kind is not None and isinstance(given, str) and given != kind:
        wrong_kind = source.problem(("kind",), f"expected {kind} (a {kind} file), got {given!r}")
        return [wrong_kind, *source.noted]
    try:
        # Through JSON, because only there does strict mode take lists for tuples.
        valid = model.model_validate_json(json.dumps(source.data))
    except ValidationError as error:
        found = [
            details for details in error.errors(include_url=False) if not _consequence(model, source, details)
        ]
    else:
        return list(source.noted) if source.noted else valid
    unique: dict[tuple[str, int, int, str, str], Problem] = {}
    noted = {_place(problem) for problem in source.noted}
    unknown = {tuple(details["loc"][:-1]) for details in found if details["loc"][-1:] == ("[key]",)}
    for details in found:
        loc = details["loc"]
        if loc[-1:] != ("[key]",) and any(loc[:n] in unknown for n in range(len(loc) + 1)):
            continue  # what stands below an unknown key does not matter
        problem = _explain(model, source, details)
        if _place(problem) in noted:
            continue  # said already, and better
        # Members of a union fail each for itself, missing keys share their parent's place.
        what = problem.expected if details["type"] == "missing" else ""
        unique.setdefault((*_place(problem), what), problem)
    misspelt = {
        (problem.key.rpartition(".")[0], suggested[1])
        for problem in unique.values()
        if (suggested := _SUGGESTED_KEY.search(problem.expected))
    }
    return [
        *source.noted,
        *(
            problem
            for problem in unique.values()
            if not ((absent := _ABSENT_KEY.match(problem.expected)) and (problem.key, absent[1]) in misspelt)
        ),
    ]


_SUGGESTED_KEY = re.compile(r"unknown key.*, did you mean '([^']*)'\?")
_ABSENT_KEY = re.compile(r"missing key '([^']*)'")


def _consequence(model: type[BaseModel], source: Source, details: ErrorDetails) -> bool:
    """Whether an error only follows from another one that is told too."""
    loc = _trace(model, tuple(details["loc"])).loc
    if details["type"] == "too_short":  # pydantic counts the items that are right
        value = _value_at(source.data, loc)
        return isinstance(value, list) and len(value) >= details["ctx"]["min_length"]
    return any(loc[:n] in source.moot for n in range(1, len(loc) + 1))


def _place(problem: Problem) -> tuple[str, int, int, str]:
    return problem.file, problem.line, problem.column, problem.key


def _expected_kind(model: type[BaseModel]) -> str | None:
    field = model.model_fields.get("kind")
    values = get_args(field.annotation) if field is not None else ()
    return values[0] if len(values) == 1 else None


@dataclass(frozen=True)
class _Spot:
    """A place in the model that an error's location leads to."""

    loc: Loc  # the same place in the file: without tags of unions
    annotation: Any  # type expected there
    metadata: tuple[Any, ...]  # bounds and the like
    in_key: bool = False  # the error is about the key itself, not its value


def _explain(model: type[BaseModel], source: Source, error: ErrorDetails) -> Problem:
    kind = error["type"]
    loc: Loc = tuple(error["loc"])
    if kind == "missing":
        if isinstance(loc[-1], int):  # an item of a fixed list
            spot = _trace(model, loc[:-1])
            return source.problem(spot.loc, _mismatch(spot, source))
        spot = _trace(model, loc)
        if spot.loc and spot.loc[-1] == loc[-1]:
            name = str(spot.loc[-1])
            what = describe(spot.annotation, spot.metadata, _unit(spot.loc))
            return source.problem(spot.loc[:-1], f"missing key '{name}': {what}", at_key=True)
        return source.problem(spot.loc, _mismatch(spot, source))
    spot = _trace(model, loc)
    if kind == "extra_forbidden" or (kind == "literal_error" and spot.in_key):
        parent = _trace(model, loc[:-1] if kind == "extra_forbidden" else loc[:-2])
        known = _keys_of(parent.annotation)
        name = str(spot.loc[-1])
        # What to do comes first: the keys may be forty.
        near = did_you_mean(name, known if parent.loc else [*known, "based_on"])
        if name.isdigit():
            near = f"; for a decimal write a point, not a comma{near}"
        if name in (elsewhere := _elsewhere(parent.annotation)):
            near = f"; {elsewhere[name]}{near}"
        text = f"unknown key{near}{'' if near.endswith('?') else ';'} known keys: {', '.join(known)}"
        return source.problem(spot.loc, text, at_key=True)
    if kind == "wrong":
        context = error["ctx"]
        text = context["text"]
        at_key = spot.in_key or context["missing"]
        return source.problem((*spot.loc, *context["key"]), text, at_key=at_key)
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return _tag_problem(spot, source)
    if kind in ("value_error", "assertion_error"):
        return source.problem(spot.loc, error["msg"].partition(", ")[2] or error["msg"])
    return source.problem(spot.loc, _mismatch(spot, source))


def _mismatch(spot: _Spot, source: Source) -> str:
    value = _value_at(source.data, spot.loc)
    expected = describe(spot.annotation, spot.metadata, _unit(spot.loc))
    hint = _hint(unwrapped(spot.annotation)[0], value) or _told_another_way(spot, value)
    return f"expected {expected}, got {show(value)}{hint}"


def _tag_problem(spot: _Spot, source: Source) -> Problem:
    annotation, metadata = unwrapped(spot.annotation, spot.metadata)
    discriminator = discriminator_of(metadata)
    tags = list(members_of(annotation, discriminator))
    value = _value_at(source.data, spot.loc)
    if not isinstance(discriminator, str):  # chosen by which key is there
        return source.problem(
            spot.loc, f"expected {' or '.join(tags)} among the keys, got {_keys_shown(value)}"
        )
    if isinstance(value, dict) and discriminator in value:
        given = value[discriminator]
        near = did_you_mean(given, tags) if isinstance(given, str) else ""
        text = f"expected one of {', '.join(tags)}, got {show(given)}{near}"
        return source.problem((*spot.loc, discriminator), text)
    text = f"missing key '{discriminator}': one of {', '.join(tags)}"
    return source.problem(spot.loc, text, at_key=True)


def _keys_shown(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(str(key) for key in value) or "none"
    return show(value)


def _trace(model: type[BaseModel], loc: Loc) -> _Spot:
    """Follow an error's location through the model; drops the tags that pydantic puts in for unions."""
    annotation: Any = model
    metadata: tuple[Any, ...] = ()
    path: list[str | int] = []
    in_key = False
    for part in loc:
        if part == "[key]":
            in_key = True
            break
        inner, more = unwrapped(annotation, metadata)
        origin = get_origin(inner)
        if origin in UNIONS:
            discriminator = discriminator_of(more)
            member = None if discriminator is None else members_of(inner, discriminator).get(str(part))
            if member is None:
                break  # a union without a tag is one thing to the reader
            annotation, metadata = member, ()
            continue
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            field = inner.model_fields.get(str(part))
            path.append(part)
            if field is None:
                annotation, metadata = None, ()
                break
            annotation, metadata = field.annotation, (field,)
        elif origin is dict:
            path.append(part)
            annotation, metadata = get_args(inner)[1], ()
        elif origin is tuple:
            arguments = get_args(inner)
            if arguments[-1] is not Ellipsis and (not isinstance(part, int) or part >= len(arguments)):
                break
            path.append(part)
            annotation, metadata = arguments[0], ()  # all items of our lists are of one type
        else:
            break
    return _Spot(tuple(path), annotation, metadata, in_key)


def unwrapped(annotation: Any, metadata: tuple[Any, ...] = ()) -> tuple[Any, tuple[Any, ...]]:
    """Strip ``Annotated`` and ``| None``; gather what they carry."""
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *more = get_args(annotation)
            metadata = (*metadata, *more)
            continue
        if get_origin(annotation) in UNIONS:
            members = [member for member in get_args(annotation) if member is not type(None)]
            if len(members) == 1:
                annotation = members[0]
                continue
        return annotation, metadata


def discriminator_of(metadata: tuple[Any, ...]) -> str | Discriminator | None:
    """What tells the members of a union apart: the name of a key, or a function of the value."""
    for item in metadata:
        if isinstance(item, Discriminator):
            return item
        if isinstance(item, FieldInfo) and item.discriminator is not None:
            return item.discriminator
        if isinstance(item, FieldInfo):
            found = discriminator_of(tuple(item.metadata))
            if found is not None:
                return found
    return None


def members_of(union: Any, discriminator: str | Discriminator | None) -> dict[str, Any]:
    """Models of a union by tag."""
    found: dict[str, Any] = {}
    for member in get_args(union):
        inner, metadata = unwrapped(member)
        for item in metadata:
            if isinstance(item, Tag):
                found[item.tag] = inner
        if isinstance(discriminator, str):
            for value in get_args(inner.model_fields[discriminator].annotation):
                found[value] = inner
    return found


def _keys_of(annotation: Any) -> list[str]:
    inner, _ = unwrapped(annotation)
    if isinstance(inner, type) and issubclass(inner, BaseModel):
        return list(inner.model_fields)
    if get_origin(inner) is dict:
        return [str(key) for key in get_args(unwrapped(get_args(inner)[0])[0])]
    return []


def _elsewhere(annotation: Any) -> Mapping[str, str]:
    inner, _ = unwrapped(annotation)
    return inner.elsewhere if isinstance(inner, type) and issubclass(inner, Closed) else {}


def _unit(loc: Loc) -> str:
    """Unit that the nearest key's suffix states."""
    return unit_of(next((part for part in reversed(loc) if isinstance(part, str)), ""))


def _value_at(data: Any, loc: Loc) -> Any:
    for part in loc:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def describe(annotation: Any, metadata: tuple[Any, ...] = (), unit: str = "") -> str:
    """What a place of the model takes, in plain words: ``a number from 0 to 150 kg``."""
    annotation, metadata = unwrapped(annotation, metadata)
    constraints = list(_flat(metadata))
    for item in constraints:
        if isinstance(item, Words):
            return item.text
    origin, arguments = get_origin(annotation), get_args(annotation)
    if annotation is float:
        return "a number" + _bounds(constraints, unit)
    if annotation is int:
        return "a whole number" + _bounds(constraints, unit)
    if annotation is bool:
        return "true or false"
    if annotation is str:
        return "text"
    if annotation is type(None):
        return "no such key here"
    if origin is Literal:
        values = [show(value) if isinstance(value, bool) else str(value) for value in arguments]
        return values[0] if len(values) == 1 else f"one of {', '.join(values)}"
    if origin in UNIONS:
        discriminator = discriminator_of(metadata)
        if discriminator is None:
            return " or ".join(describe(member, (), unit) for member in arguments if member is not type(None))
        tags = ", ".join(members_of(annotation, discriminator))
        return f"a mapping, {discriminator} one of {tags}" if isinstance(discriminator, str) else "a mapping"
    if origin is tuple:
        if arguments[-1] is Ellipsis:
            return "a list" + _length(constraints)
        of = f" ({unit})" if unit else ""
        return f"a list of {len(arguments)} numbers{of}"
    if origin is dict or (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
        keys = _keys_of(annotation)
        return f"a mapping with the keys {', '.join(keys)}" if keys else "a mapping"
    return "something else"


@dataclass(frozen=True)
class Words:
    """Metadata for a field whose type alone does not say what it takes."""

    text: str


def _told_another_way(spot: _Spot, value: object) -> str:
    """What to write for a number that is out of bounds, if it fits them when told in another way."""
    annotation, metadata = unwrapped(spot.annotation, spot.metadata)
    if annotation is not float or not isinstance(value, int | float) or isinstance(value, bool):
        return ""
    return told_another_way(value, list(_flat(metadata)), _unit(spot.loc))


@dataclass(frozen=True, eq=False)  # a type's metadata must have a hash
class FormerValues:
    """Metadata for a field of text: what values were called in the version before, and are called now."""

    now: Mapping[str, str]


def former_values(metadata: Iterable[Any]) -> Mapping[str, str]:
    """The former values that a field's metadata tell of."""
    for item in metadata:
        if isinstance(item, FormerValues):
            return item.now
        if isinstance(item, FieldInfo) and (found := former_values(item.metadata)):
            return found
    return {}


def _flat(metadata: Iterable[Any]) -> Iterable[Any]:
    for item in metadata:
        if isinstance(item, FieldInfo):
            yield from _flat(item.metadata)
        elif isinstance(item, annotated_types.GroupedMetadata):
            yield from item
        else:
            yield item


def _bounds(constraints: list[Any], unit: str) -> str:
    low = next((c for c in constraints if isinstance(c, (annotated_types.Ge, annotated_types.Gt))), None)
    high = next((c for c in constraints if isinstance(c, (annotated_types.Le, annotated_types.Lt))), None)
    open_low = isinstance(low, annotated_types.Gt)
    open_high = isinstance(high, annotated_types.Lt)
    least: Any = low.gt if isinstance(low, annotated_types.Gt) else low.ge if low is not None else None
    most: Any = high.lt if isinstance(high, annotated_types.Lt) else high.le if high is not None else None
    of = f" {unit}" if unit else ""
    if least is None and most is None:
        return f" ({unit})" if unit else ""
    if most is None:
        return f" above {figure(least)}{of}" if open_low else f" of at least {figure(least)}{of}"
    if least is None:
        return f" below {figure(most)}{of}" if open_high else f" of at most {figure(most)}{of}"
    if open_low or open_high:
        upper = "below" if open_high else "up to"
        lower = "above" if open_low else "from"
        return f" {lower} {figure(least)} and {upper} {figure(most)}{of}"
    return f" from {figure(least)} to {figure(most)}{of}"


def _length(constraints: list[Any]) -> str:
    least = next((c.min_length for c in constraints if isinstance(c, annotated_types.MinLen)), 0)
    return f" of at least {least}" if least else ""


_NUMBER_WITH_UNIT = re.compile(r"\s*([-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*[A-Za-z%°/]+.*")


def _hint(annotation: Any, value: object) -> str:
    """What to write instead, where the slip is a common one."""
    if value is None:
        return "; write a value after the colon"
    true_or_false = annotation is bool or (get_origin(annotation) is Literal and True in get_args(annotation))
    if true_or_false and isinstance(value, str):
        word = value.lower()
        if word in ("yes", "on", "y"):
            return "; write true"
        if word in ("no", "off", "n"):
            return "; write false"
        if word in ("true", "false"):
            return "; remove the quotes"
    if annotation is type(None):
        return "; remove it"
    if get_origin(annotation) is Literal and isinstance(value, str):
        return did_you_mean(value, [known for known in get_args(annotation) if isinstance(known, str)])
    if isinstance(annotation, type) and issubclass(annotation, BaseModel) and isinstance(value, str):
        needed = [name for name, field in annotation.model_fields.items() if field.is_required()]
        return f"; write {{{needed[0]}: {value}}}" if len(needed) == 1 else ""
    if get_origin(annotation) is tuple and isinstance(value, str) and len(words := value.split()) > 1:
        return f"; write [{', '.join(words)}]"
    if annotation is str and isinstance(value, (bool, int, float)):
        return "; put text that looks like something else in quotes"
    if annotation not in (int, float):
        return ""
    if isinstance(value, float) and annotation is int and value == int(value):
        return f"; write {int(value)}"
    return _number_hint(value) if isinstance(value, str) else ""


def _number_hint(value: str) -> str:
    if _plain_number(value):
        return "; remove the quotes"
    without = value.replace("_", "").replace(" ", "").replace("'", "")
    if _plain_number(without):
        return f"; write {without}"
    if value.count(",") == 1 and _plain_number(value.replace(",", ".")):
        return f"; write {value.replace(',', '.')}"
    if re.fullmatch(r"[0-9]+(:[0-9]+)+", value):
        return "; write a plain number, a time of day is text in YAML"
    match = _NUMBER_WITH_UNIT.fullmatch(value)
    if match:
        return f"; write {match[1]} alone, without a unit"
    return ""


def _plain_number(text: str) -> bool:
    return re.fullmatch(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?", text) is not None
