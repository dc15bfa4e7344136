"""JSON Schema (draft 2020-12) of the nine kinds of file, for editors that complete and check YAML by it.

Made from the models, so it can't say anything else than they do, and tells what each key is in their words
(emulator.config.key_texts). What it can't say (how values go together, stations within a line) only `emulator
check` knows. Two things of ours are put in:

- in a scenario a reference to a parameter may stand wherever a number may
- a file with ``based_on`` is a part: no key has to be there, null takes one away, and lists whose items go by
  name may hold ``{name: ..., remove: true}``
"""

from __future__ import annotations

import copy
import json
from typing import Any, Literal, TypeAlias, get_args

from emulator.config.based_on import KEY, NAMED_LISTS
from emulator.config.campaign.acknowledged import Acknowledged
from emulator.config.campaign.schema import Plan
from emulator.config.key_texts import LEFT_OUT
from emulator.config.rig.file import Rig
from emulator.config.scenario.circuit import Circuit
from emulator.config.scenario.parameters import REFERENCE, SECTION
from emulator.config.scenario.schema import Scenario
from emulator.config.track.calibration_file import CalibrationFile
from emulator.config.track.map_file import TrackMap
from emulator.config.validation import Closed
from emulator.config.vehicle.data_sheet import DataSheet
from emulator.config.vehicle.file import vehicle_model

Kind: TypeAlias = Literal[
    "scenario",
    "rig",
    "vehicle",
    "circuit",
    "data_sheet",
    "campaign",
    "acknowledged",
    "track_map",
    "calibration",
]
KINDS: tuple[Kind, ...] = get_args(Kind)

Schema: TypeAlias = dict[str, Any]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_WHOLE, _PART = "whole file", "part of a file"
_REFERENCE: Schema = {
    "type": "object",
    "description": "the value of a parameter of this scenario",
    "properties": {REFERENCE: {"type": "string", "description": "The name of the parameter."}},
    "required": [REFERENCE],
    "additionalProperties": False,
}
_REMOVAL: Schema = {
    "type": "object",
    "description": "takes the base's item of this name (or kind) away",
    "properties": {
        "name": {"type": "string", "description": "The name of the base's item."},
        "kind": {"type": "string", "description": "The kind of the base's item, if it has no name."},
        "remove": {"const": True, "description": "Takes the item away."},
    },
    "required": ["remove"],
    "additionalProperties": False,
}


def whole_schema(kind: Kind) -> tuple[Schema, dict[str, Schema]]:
    """The schema of a whole file as its model says, and those of the models it refers to by name."""
    models_of: dict[str, type[Closed]] = {
        "scenario": Scenario,
        "rig": Rig,
        "circuit": Circuit,
        "data_sheet": DataSheet,
        "campaign": Plan,
        "acknowledged": Acknowledged,
        "track_map": TrackMap,
        "calibration": CalibrationFile,
    }
    model = models_of[kind] if kind in models_of else vehicle_model()
    whole: Schema = model.model_json_schema(mode="validation")
    models: dict[str, Schema] = whole.pop("$defs", {})
    return whole, models


def schema_of(kind: Kind) -> Schema:
    """The schema of a kind of file as plain values."""
    whole, models = whole_schema(kind)
    if kind == "scenario":
        parameters = whole["properties"].pop(SECTION)
        whole = _with_references(whole)
        whole["properties"][SECTION] = parameters
        models = {name: one if name == "Parameter" else _with_references(one) for name, one in models.items()}
        models[REFERENCE] = _REFERENCE
    parts = {name: _part(one, (), models) for name, one in models.items() if "properties" in one}
    part = _part(whole, (), models)
    part["properties"] = {
        KEY: {"type": "string", "description": "The file that this one goes over, path from this file."},
        **part["properties"],
    }
    part["required"] = [KEY]
    return {
        "$schema": _DIALECT,
        "title": f"{kind} file",
        "if": {"type": "object", "required": [KEY]},
        "then": {"$ref": f"#/$defs/{_name(_PART)}"},
        "else": {"$ref": f"#/$defs/{_name(_WHOLE)}"},
        "$defs": {
            _name(_WHOLE): whole,
            _name(_PART): part,
            **models,
            **{_part_name(name): one for name, one in parts.items()},
        },
    }


def schema_text(kind: Kind) -> str:
    """The schema as it is shipped."""
    return json.dumps(schema_of(kind), indent=1, ensure_ascii=False) + "\n"


def _name(text: str) -> str:
    return text.replace(" ", "_")


def _part_name(model: str) -> str:
    return f"{model}_in_part"


def _with_references(node: Any) -> Any:
    """The schema with a reference allowed beside every number."""
    if isinstance(node, list):
        return [_with_references(item) for item in node]
    if not isinstance(node, dict):
        return node
    if node.get("type") in ("number", "integer"):
        kept = {key: node[key] for key in ("title", "description", "default") if key in node}
        number = {key: value for key, value in node.items() if key not in kept}
        return {**kept, "anyOf": [number, {"$ref": f"#/$defs/{REFERENCE}"}]}
    return {key: _with_references(value) for key, value in node.items()}


def _part(node: Schema, loc: tuple[str, ...], models: dict[str, Schema]) -> Schema:
    """A mapping's schema as what may go over a base: nothing required, null everywhere, models as parts.

    Lists stay as they are, since they take the place of the base's; but of those whose items go by name.
    """
    part = {key: copy.deepcopy(value) for key, value in node.items() if key != "required"}
    for key, value in part.get("properties", {}).items():
        if key == "kind":
            continue
        changed = _referring(value, models)
        if _named(node, loc, key):
            changed = {**changed, "items": {"anyOf": [changed["items"], _REMOVAL]}}
            changed.pop("minItems", None)
        words = changed.pop("description", "").replace(LEFT_OUT, "Left out in its bases, too:")
        part["properties"][key] = {"description": words, "anyOf": [changed, {"type": "null"}]}
    return part


def _named(node: Schema, loc: tuple[str, ...], key: str) -> bool:
    """Whether a key of a mapping is a list whose items go by name."""
    at_top = "circuit" in node.get("properties", {})
    inside = {"Surface": "surface"}.get(str(node.get("title")), "")
    path = (*loc, key) if at_top else (inside, key)
    return path in NAMED_LISTS


def _referring(node: Any, models: dict[str, Schema]) -> Any:
    """The schema of a value, where models are meant as parts; what stands in lists is meant whole."""
    if not isinstance(node, dict):
        return node
    changed = dict(node)
    ref = str(node.get("$ref", "")).removeprefix("#/$defs/")
    if ref and "properties" in models.get(ref, {}) and ref != REFERENCE:
        changed["$ref"] = f"#/$defs/{_part_name(ref)}"
    for key in ("anyOf", "oneOf"):
        if key in node:
            changed[key] = [_referring(member, models) for member in node[key]]
    if isinstance(node.get("additionalProperties"), dict):
        changed["additionalProperties"] = _referring(node["additionalProperties"], models)
    # a part need not name its kind, so it may be one of several
    if "oneOf" in changed:
        changed["anyOf"] = changed.pop("oneOf")
        changed.pop("discriminator", None)
    return changed
