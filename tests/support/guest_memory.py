"""A program in the guest with its memory in place: ``guest_memory.py MODULE [ARGUMENT...]``, as a module.

In the guest's kernel the first touch of a page costs 50 us of the host's time, and a tenth of that where many
are mapped together. So what the C library hands out comes from one heap that is there before the program
begins, and Python asks it for everything (``PYTHONMALLOC=malloc``, by whoever starts this).
"""

from __future__ import annotations

import ctypes
import mmap
import runpy
import sys

HEAP_MB = 112
"""What the programs in the guest come to need, and some more; they share 1024."""
M_TRIM_THRESHOLD, M_TOP_PAD, M_MMAP_THRESHOLD = -1, -2, -3  # <malloc.h>
MADV_POPULATE_WRITE = 23  # <sys/mman.h>, Linux 5.14 and later
PROT_READ, PROT_WRITE = 1, 2


def provide_heap(megabytes: int) -> None:
    """Have the C library's heap of this process that large, with all its pages.

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
    # Its pages become the process's; the guest's kernel maps them, together, when the protection changes.
    for call, how in (
        (libc.madvise, MADV_POPULATE_WRITE),
        (libc.mprotect, PROT_READ),
        (libc.mprotect, PROT_READ | PROT_WRITE),
    ):
        if call(begin, size, how):
            raise OSError(ctypes.get_errno(), f"no heap of {megabytes} MB")
    libc.free(block)


if __name__ == "__main__":
    provide_heap(HEAP_MB)
    del sys.argv[0]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
