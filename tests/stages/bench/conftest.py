"""A desk for bench runs."""

import pytest

from tests.support.desk import Desk


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    yield desk
    left = desk.left_over()
    assert not left, f"processes left running: {left}"
    assert sorted(p.name for p in tmp_path.iterdir()) in (
        ["files", "run", "screen.txt"],
        ["files", "screen.txt"],
    )
