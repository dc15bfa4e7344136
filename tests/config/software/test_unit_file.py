"""What a co-simulation unit says of itself, read without unpacking it; files that are none."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from emulator.config.software.unit_file import NoUnit, Variable, read_unit, this_system
from tests.support.plausible_mistakes.units import DESCRIPTION


def packed(path: Path, description: str | None = DESCRIPTION, system: str = "") -> str:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        if description is not None:
            archive.writestr("modelDescription.xml", description)
        archive.writestr(f"binaries/{system or this_system()}/rider.so", "x")
    return str(path)


def test_its_variables_are_read_with_type_and_causality(tmp_path: Path) -> None:
    unit = read_unit(packed(tmp_path / "rider.fmu"))
    assert unit.variables["gyro_x"] == Variable("Float64", "input")
    assert unit.of("output") == ["torque"]
    assert unit.of("parameter", "independent") == ["time", "gain"]


@pytest.mark.parametrize(
    ("description", "system", "words"),
    [
        (None, "", "no modelDescription.xml"),
        (DESCRIPTION.replace('"3.0"', '"2.0"'), "", "FMI 3, got one of FMI 2.0"),
        (DESCRIPTION.replace("<CoSimulation", "<ModelExchange"), "", "co-simulation"),
        (DESCRIPTION[:200], "", "expected XML"),
        ("<!DOCTYPE a [<!ENTITY b 'c'>]>" + DESCRIPTION.partition("\n")[2], "", "document type"),
        ("<a>" * 40 + "</a>" * 40, "", "nested deeper"),
        (DESCRIPTION, "riscv-plan9", "got riscv-plan9"),
        (DESCRIPTION + " " * (9 << 20), "", "at most 8 MiB"),
    ],
)
def test_what_is_none_is_said(tmp_path: Path, description: str | None, system: str, words: str) -> None:
    with pytest.raises(NoUnit, match=words):
        read_unit(packed(tmp_path / "rider.fmu", description, system))


def test_a_file_that_is_no_archive(tmp_path: Path) -> None:
    path = tmp_path / "rider.fmu"
    path.write_bytes(b"PK\x03\x04 and nothing more")
    with pytest.raises(NoUnit, match="no archive"):
        read_unit(str(path))
    with pytest.raises(NoUnit, match="no such file"):
        read_unit(str(tmp_path / "none.fmu"))
