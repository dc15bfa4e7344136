"""Copies of a run's files: they lie to each other as the originals did, and hold no secrets."""

from __future__ import annotations

import random
import shutil
import zipfile
from pathlib import Path

import pytest

from emulator.assembly.provenance import copies, copy_places, manifest_of, session_of_record
from emulator.assembly.session import Session, load_session
from emulator.config.software.unit_file import this_system
from emulator.core.errors import RecordError, StartFailed
from emulator.record.writer import RunWriter
from tests.support.plausible_mistakes.units import DESCRIPTION
from tests.support.plausible_mistakes.units import RIG as UNIT_RIG
from tests.support.scripted_robot import SCENARIOS


@pytest.fixture
def files(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SCENARIOS, tmp_path / "made"))


def loaded(files: Path) -> Session:
    return load_session(files / "rigs" / "loopback.yaml", files / "runs" / "first_lap.yaml", seed=2)


def kept(session: Session, folder: Path) -> Path:
    RunWriter(folder, manifest_of(session, stage="virtual"), copies(session.files, session.paths)).close()
    return folder


def test_places_keep_files_as_they_lie_to_each_other() -> None:
    places = copy_places({"a": "/x/rigs/a.yaml", "b": "/x/rigs/../dbc/b.dbc", "c": "/x/c.yaml"})
    assert places == {"a": "files/rigs/a.yaml", "b": "files/dbc/b.dbc", "c": "files/c.yaml"}
    assert copy_places({"a": "/x/a.yaml"}) == {"a": "files/a.yaml"}


def test_a_session_comes_back_from_the_copies_alone(files: Path, tmp_path: Path) -> None:
    session = loaded(files)
    folder = kept(session, tmp_path / "run")
    shutil.rmtree(files)
    moved = folder.rename(tmp_path / "elsewhere")
    manifest = manifest_of(session, stage="virtual")
    again = session_of_record(moved, manifest)
    assert again.files == session.files
    assert again.rig == session.rig
    assert again.scenario == session.scenario
    assert again.seed == 2
    assert all(str(moved) in path for path in again.paths.values())


def test_files_of_secrets_are_not_copied(files: Path, tmp_path: Path) -> None:
    rig = files / "rigs" / "loopback.yaml"
    for name in ("password.txt", "key.txt"):
        (files / "rigs" / name).write_text("hush")
    telemetry = (
        "telemetry: {kind: mqtt, host: broker.local, topic: a, username: me, password_file: password.txt, "
        "commands: true, command_key_file: key.txt}\n"
    )
    rig.write_text(rig.read_text() + telemetry)
    folder = kept(loaded(files), tmp_path / "run")
    copied = [p for p in (folder / "files").rglob("*") if p.is_file()]
    assert sorted(p.name for p in copied) == [
        "bench.dbc",
        "demo_racer.yaml",
        "first_lap.yaml",
        "loopback.yaml",
        "ostrevel.yaml",
    ]
    assert not any(b"hush" in p.read_bytes() for p in folder.rglob("*") if p.is_file())


def test_a_file_changed_after_it_was_checked_starts_nothing(files: Path, tmp_path: Path) -> None:
    session = loaded(files)
    circuit = files / "circuits" / "ostrevel.yaml"
    circuit.write_text(circuit.read_text() + "\n")
    with pytest.raises(StartFailed, match=r"ostrevel\.yaml was changed while the run was starting"):
        kept(session, tmp_path / "run")
    assert not (tmp_path / "run").exists()


def named_from_the_root(files: Path, tmp_path: Path) -> tuple[Session, Path]:
    rig, vehicle = files / "rigs" / "loopback.yaml", files / "vehicles" / "demo_racer.yaml"
    rig.write_text(rig.read_text().replace("../vehicles/demo_racer.yaml", str(vehicle)))
    session = loaded(files)
    return session, kept(session, tmp_path / "run")


def test_of_a_file_named_from_the_root_the_copy_is_read(files: Path, tmp_path: Path) -> None:
    session, folder = named_from_the_root(files, tmp_path)
    manifest = manifest_of(session, stage="virtual")
    vehicle = files / "vehicles" / "demo_racer.yaml"
    assert manifest["from_root"][str(vehicle)] == manifest["copies"]["vehicle"]
    vehicle.write_text(vehicle.read_text() + "\n")
    again = session_of_record(folder, manifest)
    assert again.files == session.files
    assert again.paths["vehicle"] == str(folder / manifest["copies"]["vehicle"])


def test_a_file_named_from_the_root_is_not_read_where_no_copy_stands_in(files: Path, tmp_path: Path) -> None:
    session, folder = named_from_the_root(files, tmp_path)
    manifest = manifest_of(session, stage="virtual")
    del manifest["from_root"]
    with pytest.raises(RecordError, match=r"names .*/demo_racer\.yaml, which is not in the run folder"):
        session_of_record(folder, manifest)


@pytest.mark.parametrize("how", ["from the root", "upwards", "by a link", "by a linked folder"])
def test_no_copy_leads_out_of_the_run_folder(how: str, files: Path, tmp_path: Path) -> None:
    session = loaded(files)
    folder, manifest = kept(session, tmp_path / "run"), manifest_of(session, stage="virtual")
    rig, original = folder / manifest["copies"]["rig"], files / "rigs" / "loopback.yaml"
    if how == "from the root":
        manifest["copies"]["rig"] = str(original)
    elif how == "upwards":
        manifest["copies"]["rig"] = "files/../../made/rigs/loopback.yaml"
    elif how == "by a link":
        rig.unlink()
        rig.symlink_to(original)
    else:
        shutil.rmtree(rig.parent)
        rig.parent.symlink_to(original.parent)
    with pytest.raises(RecordError, match=r"as a copy, which is not below files/"):
        session_of_record(folder, manifest)


def test_what_a_copy_names_does_not_lead_out_of_the_run_folder(files: Path, tmp_path: Path) -> None:
    """The hashes would agree, and what is named is a rig: only its place is wrong."""
    rig, scenario = files / "rigs" / "loopback.yaml", files / "runs" / "first_lap.yaml"
    outer = tmp_path / "outer.yaml"
    outer.write_text(rig.read_text().replace("../", "made/").replace("bench.dbc", "made/rigs/bench.dbc"))
    rig.write_text("based_on: ../../outer.yaml\n")
    session = load_session(rig, scenario)
    folder, manifest = kept(session, tmp_path / "run"), manifest_of(session, stage="virtual")
    assert session_of_record(folder, manifest).files == session.files
    base = folder / manifest["copies"]["rig base 1"]
    base.unlink()
    base.symlink_to(outer)
    with pytest.raises(RecordError, match=r"outer\.yaml as a copy, which is not below files/"):
        session_of_record(folder, manifest)
    del manifest["copies"]["rig base 1"], manifest["files"]["rig base 1"], manifest["from_root"]
    with pytest.raises(RecordError, match=r"outer\.yaml, which is not in the run folder"):
        session_of_record(folder, manifest)


def test_a_vehicle_named_instead_rides(files: Path, tmp_path: Path) -> None:
    session = loaded(files)
    folder, manifest = kept(session, tmp_path / "run"), manifest_of(session, stage="virtual")
    other = session_of_record(folder, manifest, vehicle=files / "vehicles" / "light_trainer.yaml")
    assert other.vehicle_file.name != session.vehicle_file.name
    assert other.paths["vehicle"].endswith("light_trainer.yaml")
    assert other.rig == session.rig


def test_a_record_that_names_no_copies_is_refused(files: Path, tmp_path: Path) -> None:
    session = loaded(files)
    with pytest.raises(RecordError, match="names no copies of the files it was made from"):
        session_of_record(tmp_path, session.manifest(stage="bench"))


def test_a_co_simulation_unit_may_be_larger_than_the_other_files(files: Path, tmp_path: Path) -> None:
    rig, unit = files / "rigs" / "unit.yaml", files / "robots" / "rider.fmu"
    with zipfile.ZipFile(unit, "w") as packed:
        packed.writestr("modelDescription.xml", DESCRIPTION)
        packed.writestr(f"binaries/{this_system()}/rider.so", random.Random(1).randbytes(1 << 20))
    rig.write_text(UNIT_RIG)
    session = load_session(rig, files / "runs" / "first_lap.yaml", stage="virtual")
    folder = kept(session, tmp_path / "run")
    copy = folder / manifest_of(session, stage="virtual")["copies"]["robot"]
    assert copy.read_bytes() == unit.read_bytes()
