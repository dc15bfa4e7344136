"""The register of findings in a folder: entries added, and held against what is there."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from emulator.config.scenario.schema import load_scenario
from emulator.config.track.findings_file import Entry, Findings, load_findings
from emulator.config.yaml_source import beside
from emulator.core.errors import ConfigError, Problem
from emulator.record.writer import write_together

REGISTER_FILE = "findings.yaml"
_HEAD = "kind: findings\nfindings:\n"


def names_in(register: Path) -> list[str]:
    """Names of its findings, none where there is no register. Raises ConfigError."""
    return [entry.name for entry in load_findings(register)[0].findings] if register.exists() else []


def add_entry(register: Path, entry: Entry, files: Mapping[Path, str]) -> None:
    """Put an entry behind the others and write its files, all of it or nothing. Raises RunFailed.

    What people wrote in the register stays to the letter.
    """
    before = register.read_text(encoding="utf-8") if register.exists() else _HEAD
    if not before.endswith("\n"):
        before += "\n"
    # the first one takes its place last: no entry names a file that is not there
    write_together({register: before + _entry_text(entry), **files})


def checked_register(register: Path) -> Findings:
    """A register whose scenarios are there and can be ridden. Raises ConfigError with all that are not."""
    found, source = load_findings(register)
    problems: list[Problem] = []
    for k, entry in enumerate(found.findings):
        path = beside(source.file_of(("findings", k, "scenario")), entry.scenario)
        if not Path(path).is_file():
            text = f"no such file: {path} (paths are relative to this file)"
            problems.append(source.problem(("findings", k, "scenario"), text))
            continue
        try:
            load_scenario(path)
        except ConfigError as error:
            problems += error.problems
    if problems:
        raise ConfigError(problems)
    return found


def checked_registers(given: Iterable[Path]) -> list[tuple[Path, Findings]]:
    """Registers, or those in folders, each as ``checked_register`` has it.

    Raises ConfigError with the problems of all.
    """
    registers = [path / REGISTER_FILE if path.is_dir() else path for path in given]
    found: list[tuple[Path, Findings]] = []
    problems: list[Problem] = []
    for register in dict.fromkeys(registers):
        try:
            found.append((register, checked_register(register)))
        except ConfigError as error:
            problems += error.problems
    if problems:
        raise ConfigError(problems)
    return found


def _entry_text(entry: Entry) -> str:
    return "\n".join(_lines(entry)) + "\n"


def _lines(entry: Entry) -> Iterator[str]:
    yield f"  - name: {json.dumps(entry.name)}"
    yield f"    what: {entry.what}"
    yield f"    seen: {json.dumps(entry.seen, ensure_ascii=False)}"
    yield f"    scenario: {json.dumps(entry.scenario)}"
    yield "    cut_from:"
    yield f"      record: {json.dumps(entry.cut_from.record, ensure_ascii=False)}"
    yield f"      at_s: {entry.cut_from.at_s:g}"
    yield "      logs:"
    for name, digest in entry.cut_from.logs.items():
        yield f"        {json.dumps(name, ensure_ascii=False)}: {json.dumps(digest)}"
    yield f"    cut: {json.dumps(entry.cut)}"
    yield f"    state: {entry.state}"
