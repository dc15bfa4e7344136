"""Sentences are for people: no decision of the package is taken from the words of a text."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import emulator

PACKAGE = Path(emulator.__file__).parent

TEXTS = {
    *("text", "texts", "words", "sentence", "said", "told", "reason", "reasons", "message"),
    *("context", "problem", "problems", "advice", "meaning", "expected"),
}
"""What a text for people is called here, as a name or as an attribute."""
LOOKS = {"startswith", "endswith", "find", "rfind", "index", "count", "search", "match", "fullmatch"}
"""Methods that look for one text in another."""

EXCEPTIONS = {
    "config/key_texts.py": "words that tell a default themselves are not told it twice",
    "config/plain_yaml.py": "what is looked at is the file itself",
    "config/rig/shown/telemetry.py": "characters that a topic may not have",
    "config/validation.py": "a misspelt key and the missing one it means are told once",
    "config/yaml_values.py": "the YAML parser tells a syntax error by nothing but its text",
    "inspection/replay/comparison.py": "a line of the event log is compared with that of the replay",
    "links/bus_participant.py": "the bus's text protocol",
    "links/serial_line.py": "the serial library tells a port in use by nothing but its text",
    "loop/machine.py": "what the kernel writes about the processor",
    "report/sections.py": "a line of the event log that begins with its event's name doesn't say it twice",
    "verdict/expectation.py": "words to look for that the user wrote into the scenario",
    "wire/nmea_reading.py": "the receiver's text protocol",
}
"""Files that may, and why."""


def _name(node: ast.AST) -> str:
    """The last part of what an expression is called; of a conversion what it makes."""
    if isinstance(node, ast.Name):
        return node.id.removeprefix("_")
    if isinstance(node, ast.Attribute):
        return node.attr
    if isinstance(node, ast.Call):
        function = _name(node.func)
        if function == "str":
            return "text"  # of an exception, mostly
        if function in ("lower", "upper", "strip", "casefold") and isinstance(node.func, ast.Attribute):
            return _name(node.func.value)
    return ""


def _is_words(node: ast.AST) -> bool:
    """A literal of several words."""
    return isinstance(node, ast.Constant) and isinstance(node.value, str) and len(node.value.split()) > 1


def _is_mark(node: ast.AST) -> bool:
    """A literal without a letter: punctuation, not a word."""
    if not isinstance(node, ast.Constant) or not isinstance(node.value, str | bytes):
        return False
    text = node.value if isinstance(node.value, str) else node.value.decode("latin-1")
    return not any(c.isalpha() for c in text)


def decisions(source: str) -> Iterator[tuple[int, str]]:
    """(line, expression) of each comparison with words, and of each look into a text."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            searched = [
                side
                for operator, side in zip(node.ops, node.comparators, strict=True)
                if isinstance(operator, ast.In | ast.NotIn)
            ]
            literal = any(_is_words(part) for side in sides for part in ast.walk(side))
            if literal or (not _is_mark(node.left) and any(_name(side) in TEXTS for side in searched)):
                yield node.lineno, ast.unparse(node)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr not in LOOKS:
                continue
            words = any(_is_words(part) for arg in node.args for part in ast.walk(arg))
            marks = bool(node.args) and _is_mark(node.args[0])
            into = [node.func.value, *node.args[:1]]  # of a pattern the text is what it is given
            if words or (not marks and any(_name(text) in TEXTS for text in into)):
                yield node.lineno, ast.unparse(node)


@pytest.mark.parametrize(
    "code",
    [
        "any(w in words for w in ROBOT)",
        "if 'heartbeat' in reason.lower(): pass",
        "if what.endswith('from the robot'): pass",
        "fall = e.text.startswith(tyre)",
        "x = 1 if result == 'not met' else 2",
        "taken = 'locked' in str(error)",
        "absent = KEY.match(problem.expected)",
        "name not in ('plant', 'virtual stage')",
    ],
)
def test_a_decision_by_words_is_found(code: str) -> None:
    assert len(list(decisions(code))) == 1


@pytest.mark.parametrize(
    "code",
    [
        "if kind == 'fall': pass",
        "if kind.endswith('_off'): pass",
        "if 'key' in mapping: pass",
        "if trip.whose == 'robot': pass",
        "print('the rig tripped on the robot')",
        "if '\\n' in text: pass",
    ],
)
def test_kinds_and_keys_are_no_words(code: str) -> None:
    assert list(decisions(code)) == []


def test_nothing_is_decided_by_the_words_of_a_text() -> None:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        name = str(path.relative_to(PACKAGE))
        if name not in EXCEPTIONS:
            found += [f"{name}:{line}: {text}" for line, text in decisions(path.read_text())]
    assert found == []


def test_every_exception_is_still_one() -> None:
    assert [name for name in EXCEPTIONS if not list(decisions((PACKAGE / name).read_text()))] == []
