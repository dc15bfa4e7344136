"""Functions of the C library: what they return, and what they refuse."""

from __future__ import annotations

import errno
import os

import pytest

from emulator.core.outside.c_library import c_call


def test_what_it_returns_is_returned() -> None:
    assert c_call("getpid") == os.getpid()


def test_a_refusal_is_told_by_its_number() -> None:
    with pytest.raises(OSError, match=os.strerror(errno.EBADF)) as refused:
        c_call("close", -1)
    assert refused.value.errno == errno.EBADF


def test_a_function_that_is_not_there_is_a_refusal() -> None:
    with pytest.raises(OSError, match="this system has no such_a_thing"):
        c_call("such_a_thing")
