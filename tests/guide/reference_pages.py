"""The guide's reference, made from where everything is declared: ``python -m tests.guide.reference_pages``.

A page each for commands, topics, trips, and what `emulator list` knows. `make reference` writes them anew; a
test holds them against what is made now.
"""

from __future__ import annotations

import inspect
import re
import sys
from collections.abc import Iterator, Sequence
from typing import Any

from typer.main import get_command

from emulator.cli.app import command_line
from emulator.core.trip_reasons import TripReason
from emulator.inspection.known_names import TABLES
from emulator.telemetry.messages import TOPICS
from tests.guide.markdown import GUIDE

FOLDER = GUIDE / "reference"
_SHOWN_BY = "made from the program; on the screen: `emulator list {}`"


def pages() -> dict[str, str]:
    """Every page by its file's name."""
    made = {"commands": _commands(), "topics": _topics(), "trips": _trips()}
    made |= {what: _listed(what) for what in TABLES}
    titles = {name: text.partition("\n")[0].removeprefix("# ") for name, text in made.items()}
    index = _page("Reference", "every name that there is, made from the program", [
        _table(("page",), [(f"[{titles[name]}]({name}.md)",) for name in made])
    ])  # fmt: skip
    return {f"{name}.md": text for name, text in {"index": index, **made}.items()}


def _page(title: str, about: str, parts: Sequence[str]) -> str:
    up = "[Guide](../index.md)" + ("" if title == "Reference" else " · [Reference](index.md)")
    return "\n\n".join([f"# {title}", f"{up} · {about}", *parts]) + "\n"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(map(_cell, line))} |".replace("|  |", "| |") for line in lines)


def _cell(text: str) -> str:
    plain = " ".join(text.split()).replace("|", "\\|")
    return plain if "`" in plain else re.sub(r"<", "&lt;", plain)


def _code(text: str) -> str:
    return f"`{text}`" if text else ""


def _listed(what: str) -> str:
    names = TABLES[what]()
    rows = [(_code(row[0]), *row[1:]) for row in names.rows]
    return _page(names.title.replace("_", " "), _SHOWN_BY.format(what), [_table(names.heads, rows)])


def _trips() -> str:
    rows = [(str(int(r)), r.text, r.whose, r.what_to_do) for r in TripReason if r is not TripReason.NONE]
    return _page(
        "Trips",
        "why the bench trips, by the number that frame `emulator_state` carries",
        [_table(("number", "text", "whose", "what to do"), rows)],
    )


def _topics() -> str:
    parts = []
    for name, topic in TOPICS.items():
        kept = "retained" if topic.retained else "not retained"
        about = f"## `{name}`\n\n{kept}, quality of service {topic.qos}. "
        if topic.model is None:
            parts.append(
                about + "`1` while a run is on, else `0`; also when the machine is lost (last will)."
            )
            continue
        schema = topic.model.model_json_schema(mode="serialization")
        rows = [
            (_code(key), _type_of(value), value["description"]) for key, value in schema["properties"].items()
        ]
        doc = (inspect.getdoc(topic.model) or "").replace("``", "`")
        parts.append(about + doc + "\n\n" + _table(("key", "type", "is"), rows))
    about = (
        "messages of a run over MQTT, below the topic that the rig names; schema: `emulator schema telemetry`"
    )
    return _page("Topics", about, parts)


def _type_of(value: dict[str, Any]) -> str:
    if "anyOf" in value:
        return " or ".join(_type_of(one) for one in value["anyOf"])
    if "enum" in value:
        return ", ".join(str(one) for one in value["enum"])
    if value.get("type") == "array":
        return f"list of {_type_of(value['items'])}"
    return str(value["type"]) if "type" in value else str(value["$ref"]).rpartition("/")[2]


def _commands() -> str:
    parts = [_command(name, command) for name, command in sorted(_all_commands())]
    return _page("Commands and options", "what `--help` says, in one place", parts)


def _all_commands() -> Iterator[tuple[str, Any]]:
    for name, command in get_command(command_line()).commands.items():  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        yield from [(name, command)] if inner is None else [(f"{name} {n}", c) for n, c in inner.items()]


def _command(name: str, command: Any) -> str:
    arguments = [p for p in command.params if p.param_type_name == "argument"]
    options = [p for p in command.params if p.param_type_name == "option" and "--help" not in p.opts]
    called = " ".join(["emulator", name, *map(_called, arguments)])
    said = inspect.cleandoc(command.help or "").partition("\n\n")[0]
    rows = [(_code(_called(p)), p.help or "", "") for p in arguments]
    rows += [(_code(", ".join(p.opts)), p.help or "", _default(p)) for p in options]
    table = "\n\n" + _table(("given", "is", "left out"), rows) if rows else ""
    return f"## `{called}`\n\n{' '.join(said.split())}{table}"


def _called(argument: Any) -> str:
    name = argument.metavar or argument.name.upper()
    return f"{name}..." if argument.nargs == -1 else str(name)


def _default(option: Any) -> str:
    if option.required:
        return "has to be given"
    value = option.default
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else ""


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    made = pages()
    for old in FOLDER.glob("*.md"):
        if old.name not in made:
            old.unlink()
    for name, text in made.items():
        (FOLDER / name).write_text(text)
    sys.stdout.write(f"{len(made)} pages in {FOLDER}\n")


if __name__ == "__main__":
    main()
