"""Every Python in the guest begins with its memory in place: by its name, from a folder of ``PYTHONPATH``.

In the guest's kernel the first touch of a page costs 50 us of the host's time, and a tenth of that where many
are mapped together. So what the C library hands out comes from one heap that is there before the program
begins, and Python asks it for everything (``PYTHONMALLOC=malloc``; see tests.support.guest).
"""

from __future__ import annotations

import ctypes
import mmap
import os
from collections.abc import Callable

HEAP_MB = 72
"""What most programs in the guest come to need; four of them share its 1024."""
M_TRIM_THRESHOLD, M_TOP_PAD, M_MMAP_THRESHOLD = -1, -2, -3  # <malloc.h>
MADV_POPULATE_WRITE = 23  # <sys/mman.h>, Linux 5.14 and later
PROT_DATA, PROT_ALL = 1 | 2, 1 | 2 | 4


def provide_heap(megabytes: int) -> Callable[[], None]:
    """Have the C library's heap of this process that large; returns what put its pages in place.

    Raises OSError where the kernel refuses.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    libc.malloc.restype, libc.malloc.argtypes = ctypes.c_void_p, [ctypes.c_size_t]
    libc.free.restype, libc.free.argtypes = None, [ctypes.c_void_p]
    for call in (libc.madvise, libc.mprotect):
        call.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int]
    size, some = megabytes << 20, 16 << 20
    for setting, value in ((M_TRIM_THRESHOLD, 2**31 - 1), (M_MMAP_THRESHOLD, 2 * some), (M_TOP_PAD, size)):
        libc.mallopt(setting, value)
    block = libc.malloc(some)  # below the least that is mapped by itself: the heap grows by this and the pad
    begin = -(-block // mmap.PAGESIZE) * mmap.PAGESIZE

    def put_in_place() -> None:
        # The pages become this process's own; the kernel maps them, together, when their protection changes.
        for call, how in (
            (libc.madvise, MADV_POPULATE_WRITE),
            (libc.mprotect, PROT_ALL),  # never less than before: after a fork the heap is in use
            (libc.mprotect, PROT_DATA),
        ):
            if call(begin, size, how):
                raise OSError(ctypes.get_errno(), f"no heap of {megabytes} MB")

    put_in_place()
    libc.free(block)
    return put_in_place


if os.environ.get("PYTHONMALLOC") == "malloc":
    again = provide_heap(HEAP_MB)
    os.register_at_fork(
        after_in_parent=again, after_in_child=again
    )  # else each page is copied at its first touch
