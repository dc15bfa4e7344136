"""The page, its Markdown and its JSON: complete, the same, in one piece, and safe with any name."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import pytest

from emulator.core.errors import RunFailed
from emulator.inspection.interface import folder as folder_module
from emulator.inspection.interface.derive import Described
from emulator.inspection.interface.description import Interface, content_hash, json_text, schema_text
from emulator.inspection.interface.folder import write_interface
from emulator.inspection.interface.page.content import facts, sections
from emulator.inspection.interface.page.document import Code, Items, Sentences, Table, number
from emulator.inspection.interface.page.html import interface_html, view_svg
from emulator.inspection.interface.page.markdown import markdown, plain
from emulator.inspection.interface.page.views import Ring, arc, views
from tests.support.html_page import Page

BAD = "</script><script>alert(1)</script><img src=x onerror=alert(2)>|*a*_b_`c`[d](e)\x1b[2J"


def everything(interface: Interface) -> list[str]:
    """Every text of the page."""
    texts = [*interface.cautions, *(word for pair in facts(interface) for word in pair)]
    for section in sections(interface):
        texts.append(section.title)
        for block in section.blocks:
            if isinstance(block, Sentences):
                texts.append(block.text)
            elif isinstance(block, Items):
                texts += block.items
            elif isinstance(block, Table):
                texts += [*block.heads, *(cell for row in block.rows for cell in row)]
            elif isinstance(block, Code):
                texts += [block.words, *block.text.splitlines()]
    return [" ".join(text.split()) for text in texts if text]


def test_one_file_that_needs_no_other(ridden: Described) -> None:
    read = Page(interface_html(ridden.interface))
    parts = [f"part{n}" for n in range(1, len(sections(ridden.interface)) + 1)]
    assert read.addresses == [f"#{part}" for part in parts]
    assert [i for i in read.ids if i.startswith("part")] == parts
    assert "link" not in read.tags
    assert "img" not in read.tags
    assert read.tags.count("svg") == 3
    assert read.tags.count("script") == 1
    assert [text for text in everything(ridden.interface) if text not in read.text] == []


def test_cautions_come_first(demo: Interface) -> None:
    text = Page(interface_html(demo)).text
    parts = ("not a safety function", "Interface for a robot's software", "Join the bus", "Start-up")
    order = [text.index(part) for part in parts]
    assert order == sorted(order)
    said = markdown(demo)
    assert said.index("not a safety function") < said.index("## Join the bus")


def test_markdown_says_the_same(ridden: Described) -> None:
    said = markdown(ridden.interface)
    inside = [line for block in re.findall(r"(?ms)^```$(.*?)^```$", said) for line in block.splitlines()]
    for section in sections(ridden.interface):
        assert f"## {plain(section.title)}\n" in said
        for block in section.blocks:
            if isinstance(block, Code):
                assert set(block.text.splitlines()) <= set(inside)
            elif isinstance(block, Items):
                assert all(plain(item) in said for item in block.items)
            elif isinstance(block, Table):
                for row in block.rows:
                    assert f"| {' | '.join(map(plain, row))} |" in said
    for view in views(ridden.interface):
        assert f"](axes-{view.key}.svg)" in said


def hostile(interface: Interface) -> Interface:
    """With a bad name wherever a file's own words are shown."""
    frame = interface.frames[0]
    signal = frame.signals[0].model_copy(update={"meaning": BAD, "unit": BAD, "codes": {"1": BAD}})
    bus = interface.bus.model_copy(update={"words": BAD, "python_can": BAD, "channel": BAD})
    frames = (frame.model_copy(update={"name": BAD, "meaning": BAD, "signals": (signal,), "samples": ()}),)
    return interface.model_copy(
        update={"rig": BAD, "purpose": BAD, "bus": bus, "frames": frames + interface.frames[1:]}
    )


def test_hostile_names_stay_text(demo: Interface) -> None:
    text = interface_html(hostile(demo))
    read = Page(text)
    assert "img" not in read.tags
    assert read.tags.count("script") == 1
    assert "\x1b" not in text
    assert "alert(1)" in read.text
    said = markdown(hostile(demo))
    assert "\x1b" not in said
    outside = re.sub(r"(?ms)^```$.*?^```$", "", said)
    assert not re.search(r"(?<!\\)<(script|img)", outside)
    assert "](e)" not in outside.replace("\\]", "")
    tables = [lines.splitlines() for lines in re.findall(r"(?m)(?:^\|.*\n)+", outside)]
    assert sum("alert" in row for rows in tables for row in rows) >= 4
    for rows in tables:  # the bad name broke none of them
        assert len({len(re.findall(r"(?<!\\)\|", row)) for row in rows}) == 1


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        ("steering_torque_Nm", "steering_torque_Nm"),
        ("_this_ and *that*", "\\_this\\_ and \\*that\\*"),
        ("1. first", "1\\. first"),
        ("- item\n  more", "\\- item more"),
        ("# head | cell", "\\# head \\| cell"),
        ("< send 080 >", "\\< send 080 \\>"),
    ],
)
def test_text_stays_text_in_markdown(text: str, escaped: str) -> None:
    assert plain(text) == escaped


def test_the_hash_is_of_the_content(ridden: Described) -> None:
    text = json_text(ridden.interface)
    said = json.loads(text)["content_sha256"]
    assert said == hashlib.sha256(text.replace(said, "0" * 64, 1).encode()).hexdigest() == content_hash(text)
    other = json_text(ridden.interface.model_copy(update={"purpose": "another one"}))
    assert content_hash(other) != said
    assert ridden.interface.content_sha256 == said


def test_the_json_is_read_back_and_is_of_its_schema(ridden: Described) -> None:
    text = json_text(ridden.interface)
    assert Interface.model_validate_json(text) == ridden.interface
    schema = json.loads(schema_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(text))
    broken = json.loads(text)
    del broken["frames"][0]["period_ms"]
    assert not jsonschema.Draft202012Validator(schema).is_valid(broken)


def test_same_files_give_the_same_bytes(ridden: Described, tmp_path: Path) -> None:
    for name in "ab":
        write_interface(ridden, tmp_path / name)
    files = {p.name for p in (tmp_path / "a").iterdir()}
    assert files == {
        *("interface.html", "interface.md", "interface.json", "interface.schema.json"),
        *("axes-right.svg", "axes-behind.svg", "axes-above.svg", "line.csv", "line.geojson"),
    }
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_drawings_are_svg_of_their_own_and_inside_their_frame(ridden: Described) -> None:
    for view in views(ridden.interface):
        root = ElementTree.fromstring(view_svg(view))
        assert root.tag.endswith("svg")
        assert root.attrib["aria-label"] == view.words
        for shape in view.shapes:
            points = getattr(shape, "points", None) or [(shape.x, shape.y)]  # type: ignore[union-attr]
            assert all(-1 <= x <= view.width + 1 and -1 <= y <= view.height + 1 for x, y in points), shape


def test_sensors_are_drawn_where_they_are(demo: Interface) -> None:
    right = views(demo)[0]
    rings = [s for s in right.shapes if isinstance(s, Ring)]
    marks, wheels = [s for s in rings if s.filled], [s for s in rings if not s.filled]
    scale = (wheels[1].x - wheels[0].x) / demo.mounting.wheelbase_m
    for mark, place in zip(marks, (demo.mounting.imu_m, demo.gnss.antenna_m), strict=True):
        assert (mark.x - wheels[0].x) / scale == pytest.approx(place[0], abs=1e-6)
        ground = wheels[0].y + demo.wheel_rear.radius_m * scale
        assert (ground - mark.y) / scale == pytest.approx(place[2], abs=1e-6)


def test_an_arc_goes_from_here_to_there() -> None:
    points = arc(10.0, 20.0, 5.0, 90.0, 0.0)
    assert points[0] == pytest.approx((10.0, 15.0))
    assert points[-1] == pytest.approx((15.0, 20.0))


def test_numbers_are_read_without_noise() -> None:
    assert number(0.1 + 0.2) == "0.3"
    assert number(-0.0) == "0"
    assert number(None) == "–"


def test_a_disk_that_refuses_is_told(
    ridden: Described, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path, _text: str) -> None:
        raise RunFailed(f"{path} can't be written: no space")

    monkeypatch.setattr(folder_module, "write_whole", refuse)
    with pytest.raises(RunFailed, match="no space"):
        write_interface(ridden, tmp_path / "x")
