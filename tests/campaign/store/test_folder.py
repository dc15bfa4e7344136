"""A campaign's folder: rows are there whole or not at all, once, whatever was cut off when."""

import resource
import shutil
import signal

import pyarrow.parquet as pq
import pytest

from emulator.campaign.riding.order import table_of_cases
from emulator.campaign.store.folder import MOST_SMALL, CampaignFolder, result_files
from emulator.campaign.store.reading import STOPPED_AFTER, read_cases, read_results
from emulator.campaign.store.schema import COLUMNS, SCHEMA, without_timings
from emulator.core.errors import RecordError, RunFailed, StartFailed, UnreadableError
from tests.support.made_up_rows import PLAN, made_up_case, made_up_row

CASES = [made_up_case(n) for n in range(100)]


def begun(path):
    folder = CampaignFolder(path / "night")
    folder.begin(b"kind: campaign\n", table_of_cases(CASES, CASES[::-1], PLAN), {})
    return folder


@pytest.fixture
def folder(tmp_path):
    with begun(tmp_path) as folder:
        yield folder


def numbers(folder):
    return read_results(folder.path)["number"].to_pylist()


def test_rows_come_back_in_the_plans_order_whatever_order_they_came_in(folder):
    folder.append([made_up_row(7), made_up_row(2)])
    folder.append([made_up_row(4)])
    table = read_results(folder.path)
    assert table["number"].to_pylist() == [2, 4, 7]
    assert table.schema.equals(SCHEMA, check_metadata=True)
    assert table["case_id"].to_pylist() == [CASES[n].id for n in (2, 4, 7)]


def test_nothing_ridden_is_an_empty_table(folder):
    assert read_results(folder.path).num_rows == 0
    assert read_cases(folder.path)["turn"].to_pylist() == list(range(99, -1, -1))


def test_of_a_case_ridden_again_the_last_attempt_that_counts_is_read(folder):
    folder.append([made_up_row(1, attempt=1, result="pass"), made_up_row(2, attempt=1, result="invalid")])
    folder.append([made_up_row(1, attempt=2, result="invalid"), made_up_row(2, attempt=2, result="stopped")])
    table = read_results(folder.path)
    assert table["result"].to_pylist() == ["pass", "stopped"]
    assert table["attempt"].to_pylist() == [1, 2]


def test_many_small_files_become_one_and_rows_stay_what_they_were(folder):
    for n in range(MOST_SMALL + 5):
        folder.append([made_up_row(n)])
    assert [path.name for path in result_files(folder.path)] == [
        f"000001-{MOST_SMALL:06d}.parquet",
        *(f"{MOST_SMALL + k:06d}.parquet" for k in range(1, 6)),
    ]
    assert numbers(folder) == list(range(MOST_SMALL + 5))


def test_a_kill_between_joining_and_removing_counts_nothing_twice(folder, tmp_path):
    for n in range(MOST_SMALL - 1):
        folder.append([made_up_row(n)])
    shutil.copytree(folder.path / "results", tmp_path / "before")
    folder.append([made_up_row(MOST_SMALL - 1)])
    for small in (tmp_path / "before").iterdir():
        shutil.copy(small, folder.path / "results")
    assert numbers(folder) == list(range(MOST_SMALL))
    assert len(result_files(folder.path)) == 1


def test_what_a_kill_left_unfinished_is_swept_away_and_numbers_go_on(tmp_path):
    with begun(tmp_path) as folder:
        folder.append([made_up_row(0)])
    (folder.path / "results" / ".000002.parquet.part").write_bytes(b"PAR1 half a file")
    (folder.path / "kept" / ".0.123").mkdir()
    with CampaignFolder(folder.path) as again:
        assert again.begun
        again.append([made_up_row(1)])
    assert sorted(path.name for path in (folder.path / "results").iterdir()) == [
        "000001.parquet",
        "000002.parquet",
    ]
    assert list((folder.path / "kept").iterdir()) == []
    assert numbers(folder) == [0, 1]


def test_a_campaign_is_not_put_between_other_things(tmp_path):
    (tmp_path / "junit.xml").write_text("a build's own")
    (tmp_path / "manifest.json").write_text("{}")
    with pytest.raises(UnreadableError, match=r"no campaign, but junit\.xml and 1 more"):
        CampaignFolder(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["junit.xml", "manifest.json"]


def test_one_that_was_killed_before_it_was_whole_is_begun_anew(tmp_path):
    with CampaignFolder(tmp_path):
        pass
    (tmp_path / "plan.yaml").write_text("")
    (tmp_path / ".cases.parquet.part").write_bytes(b"PAR1")
    with CampaignFolder(tmp_path) as folder:
        assert not folder.begun


def test_one_process_at_a_time_adds_to_a_campaign(folder):
    with pytest.raises(StartFailed, match="ridden by another process"):
        CampaignFolder(folder.path)


def test_a_disk_that_refuses_is_told_and_what_was_written_stays(folder):
    folder.append([made_up_row(0)])
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    try:
        with pytest.raises(RunFailed, match="the same command again"):
            folder.append([made_up_row(1)])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert numbers(folder) == [0]
    folder.append([made_up_row(1)])
    assert numbers(folder) == [0, 1]


def test_rows_after_a_stop_rule_are_not_read(folder):
    folder.append([made_up_row(99), made_up_row(98), made_up_row(0)])
    folder.describe({STOPPED_AFTER: 1})  # turns run from the last case to the first
    assert numbers(folder) == [98, 99]


def test_a_folder_without_a_campaign_is_told(tmp_path):
    with pytest.raises(RecordError, match="holds no campaign"):
        read_results(tmp_path)


def test_a_damaged_file_is_told_by_its_name(folder):
    folder.append([made_up_row(0)])
    (folder.path / "results" / "000001.parquet").write_bytes(b"PAR1")
    with pytest.raises(RecordError, match=r"000001\.parquet can't be read"):
        read_results(folder.path)


def test_kept_is_where_a_record_lies_now(folder):
    folder.append([made_up_row(0), made_up_row(1)])
    run = folder.path / "kept" / CASES[1].id
    run.mkdir()
    for name in ("manifest.json", "verdict.json"):
        assert read_results(folder.path)["kept"].to_pylist() == [None, None]
        (run / name).write_text("{}")
    assert read_results(folder.path)["kept"].to_pylist() == [None, f"kept/{CASES[1].id}"]


def test_a_table_of_a_version_without_a_column_is_read_with_nothing_in_it(folder):
    folder.append([made_up_row(0)])
    (path,) = (folder.path / "results").glob("*.parquet")
    pq.write_table(pq.read_table(path).drop_columns(["notices"]), path)
    assert read_results(folder.path)["notices"].to_pylist() == [None]


def test_timings_are_what_is_left_out_of_a_comparison():
    compared = without_timings(SCHEMA.empty_table()).column_names
    assert compared == [column.name for column in COLUMNS if not column.timing]
    assert {"wall_s", "worker", "began"}.isdisjoint(compared)
    assert {"result", "signals_sha256", "frames_sha256"} <= set(compared)


def test_the_files_tell_what_their_columns_mean(folder):
    folder.append([made_up_row(0)])
    table = pq.read_table(folder.path / "results")
    assert table.schema.field("ridden_s").metadata[b"unit"] == b"s"
    assert all(field.metadata[b"meaning"] for field in table.schema)
