"""Which descriptions a robot may have been written for: of its rig's bases, if the bytes are alike."""

from pathlib import Path

import pytest

from emulator.campaign.plan.case import overlay_source
from emulator.config.based_on import load_with_bases, put_over
from emulator.inspection.interface.derive import interface_of
from emulator.inspection.interface.written_for import Descriptions, _read_alike
from tests.support.scripted_robot import RIG, RUN, SCENARIOS

STRAIGHT = RUN.with_name("straight.yaml")


def based(folder: Path, text: str) -> Path:
    path = folder / "rig.yaml"
    path.write_text(f"based_on: {RIG}\nname: mine\n{text}")
    return path


@pytest.mark.parametrize(
    "text",
    [
        "",
        "outputs: {imu_rates: {latency_ms: 9.0}}\n",
        "sensors: {lean: {noise_rad: 0.01}}\n",
        "outputs: {lean: null}\n",
    ],
)
def test_times_noise_and_a_frame_that_is_gone_are_no_other_language(tmp_path: Path, text: str):
    assert list(_read_alike(rig := based(tmp_path, text))) == [str(rig), str(RIG)]


def test_a_dbc_with_one_factor_otherwise_is(tmp_path: Path):
    text = (SCENARIOS / "rigs" / "loopback.yaml").read_text()
    dbc = RIG.parent / next(line.split()[1] for line in text.splitlines() if line.startswith("dbc:"))
    changed = dbc.read_text().replace("(0.0001,", "(0.0002,", 1)
    assert changed != dbc.read_text()
    (tmp_path / "other.dbc").write_text(changed)
    assert list(_read_alike(rig := based(tmp_path, "dbc: other.dbc\n"))) == [str(rig)]


def test_sentences_are_part_of_it(tmp_path: Path):
    rig = based(tmp_path, "sensors: {gnss: {sentences: [GGA, RMC]}}\n")
    assert list(_read_alike(rig)) == [str(rig)]


def test_values_over_a_file_are_held_against_the_file(tmp_path: Path):
    over = overlay_source("plan.yaml", {"outputs": {"imu_rates": {"latency_ms": 9.0}}}, {})
    assert list(_read_alike(put_over(load_with_bases(RIG), over))) == [str(RIG)]
    other = overlay_source("plan.yaml", {"sensors": {"gnss": {"sentences": ["GGA", "RMC"]}}}, {})
    assert list(_read_alike(put_over(load_with_bases(RIG), other))) == []


def test_a_ride_counts_for_the_same_line_and_start(tmp_path: Path):
    later, longer = tmp_path / "later.yaml", tmp_path / "longer.yaml"
    later.write_text(f"based_on: {STRAIGHT}\nduration_limit_s: 77.0\n")
    longer.write_text(f"based_on: {STRAIGHT}\nstart: {{station_m: 11.0}}\n")
    known = Descriptions()
    ride = interface_of(RIG, STRAIGHT).interface.content_sha256
    assert ride in known.written_for(RIG, STRAIGHT)
    assert ride in known.written_for(RIG, later)
    assert ride not in known.written_for(RIG, longer)
    assert next(known.written_for(RIG, longer)) == interface_of(RIG).interface.content_sha256
