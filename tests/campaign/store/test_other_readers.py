"""What the store writes is read by the libraries people use for tables."""

import duckdb
import pandas
import polars
import pytest

from emulator.campaign.store.folder import CampaignFolder
from tests.support.made_up_rows import made_up_row


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """The folder of two files of results."""
    with CampaignFolder(tmp_path_factory.mktemp("campaign") / "night") as folder:
        criteria = [{"name": "lean", "kind": "lean", "met": True, "margin": 0.1, "unit": "rad"}]
        folder.append([made_up_row(0, criteria=criteria), made_up_row(1)])
        folder.append([made_up_row(2)])
        yield folder.path / "results"


def test_pandas(files):
    frame = pandas.read_parquet(files)
    assert frame["number"].tolist() == [0, 1, 2]
    assert frame["criteria"][0][0]["margin"] == 0.1


def test_polars(files):
    frame = polars.read_parquet(files / "*.parquet")
    assert frame["number"].to_list() == [0, 1, 2]
    assert frame["criteria"][0][0]["margin"] == 0.1


def test_duckdb(files):
    query = f"select number, criteria[1].margin from '{files}/*.parquet' order by number"
    assert duckdb.sql(query).fetchall() == [(0, 0.1), (1, None), (2, None)]
