"""Freed memory stays with a process that asks for it, and only with that one."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

_PROGRAM = """
import resource
import sys
from pathlib import Path
from neumary.memory import keep_freed_memory
if sys.argv[1] == "keep":
    assert keep_freed_memory()
def resident_mib():
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() >> 20
before = resident_mib()
blocks = [bytearray(b"x") * (16 << 20) for _ in range(4)]
del blocks
print(resident_mib() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc is told to keep memory")
@pytest.mark.parametrize(("how", "kept"), [("keep", True), ("leave", False)])
def test_freed_blocks_stay_with_the_process(how: str, kept: bool) -> None:
    done = subprocess.run(
        [sys.executable, "-c", _PROGRAM, how], capture_output=True, text=True, check=True, timeout=60
    )
    assert (int(done.stdout) > 40) == kept  # MiB of the 64 that were freed
