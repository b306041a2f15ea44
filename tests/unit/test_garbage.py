"""Source: mallopt(3) of the GNU C library: what is above the threshold is mapped, and unmapped when freed."""

import subprocess
import sys

import pytest

PROGRAM = """
import sys
import numpy as np
from auditor.garbage import give_back_blocks

def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1])

if sys.argv[1] == "yes":
    give_back_blocks()
del (first := [np.ones(1 << 22)])[:]  # freed, 32 MiB: where nothing was said, the threshold follows
kept = []
before = resident()
columns = []
for _ in range(64):
    columns.append(np.ones(1 << 16))  # 512 KiB each
    kept.append(bytes(1000))  # from the heap, between them
columns.clear()
print((resident() - before) * 4 // 1024)
"""


def left_mebibytes(asked):
    done = subprocess.run([sys.executable, "-c", PROGRAM, asked], capture_output=True, text=True, check=True)
    return int(done.stdout)


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc, and the C library is another elsewhere")
def test_columns_among_small_objects_go_back_to_the_system():
    assert left_mebibytes("yes") < 4
