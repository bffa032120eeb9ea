"""The C library's stores of free memory, counted by itself."""

import platform
import subprocess
import sys

import pytest

from dashboard.memory import ARENAS

# Forty threads that each take and give back memory; then malloc_info(3) tells every arena there is.
COUNT = """
import ctypes, sys, threading
from dashboard.memory import share_arenas
if sys.argv[1] == "shared":
    share_arenas()
together = threading.Barrier(40)
def work():
    together.wait()
    for _ in range(50):
        bytes(100_000)
    together.wait()
threads = [threading.Thread(target=work) for _ in range(40)]
for thread in threads: thread.start()
for thread in threads: thread.join()
libc = ctypes.CDLL(None)
libc.fopen.restype = ctypes.c_void_p
out = ctypes.c_void_p(libc.fopen(b"/dev/stdout", b"w"))
libc.malloc_info(0, out)
libc.fclose(out)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library has arenas to count")
def test_threads_share_two_arenas() -> None:
    """Left alone they would have more, else there would be nothing to share."""

    def arenas(how: str) -> int:
        told = subprocess.run(
            [sys.executable, "-c", COUNT, how], capture_output=True, text=True, check=True, timeout=60
        )
        return told.stdout.count("<heap nr=")

    assert arenas("shared") == ARENAS
    assert arenas("alone") > ARENAS
