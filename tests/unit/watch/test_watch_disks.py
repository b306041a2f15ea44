"""
Disks that are full or must not be written, as a watch meets them.

Source: issue "before and after the audit", "faults and bad input".
"""

import os
import subprocess
from dataclasses import replace

import pytest

from auditor.errors import OutputError
from tests.household.nights import Evening
from tests.unit.watch.support import Watch

EVENING = Evening()


def need_root():
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        if os.environ.get("CI"):
            pytest.fail("mounting a small disk needs root")
        pytest.skip("mounting a small disk needs root")


@pytest.fixture
def small_disk(tmp_path):
    """Four megabytes in memory, mounted."""
    need_root()
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        if os.environ.get("CI"):
            pytest.fail(done.stderr)
        pytest.skip(f"this system does not mount: {done.stderr.strip()}")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=False)


def watch_on(disk, tmp_path):
    class Elsewhere(Watch):
        store = property(lambda _: disk / "store")

    return Elsewhere(tmp_path, learning_nights=1)


def test_full_disk_is_told_and_nothing_is_lost(tmp_path, small_disk):
    watch = watch_on(small_disk, tmp_path)
    watch.learn(EVENING, 2)
    filler = small_disk / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError:
            pass
    watch.put(replace(EVENING, version="9.9"))
    with pytest.raises(OutputError, match="still stands"):
        watch.run()

    filler.unlink()
    result = watch.run()

    assert [line for line in result.lines if "software changed" in line]
    with watch.history() as history:
        assert history.judged_nights() == 3


def test_read_only_folder(tmp_path, small_disk):
    watch = watch_on(small_disk, tmp_path)
    watch.learn(EVENING, 1)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    try:
        with pytest.raises(OutputError, match="still stands"):
            watch.night(EVENING)
    finally:
        subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
    assert watch.night(EVENING).could_not_judge is None


# The strip
