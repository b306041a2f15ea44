"""What to type where recording is refused, on each system (setcap(8), capabilities(7); bpf(4); common practice)."""

import errno

import pytest

from auditor.errors import UsageError
from auditor.live import opening
from auditor.live.model import RecordingOptions


@pytest.mark.parametrize(
    ("system", "words"),
    [
        ("linux", "sudo setcap cap_net_raw=ep /"),
        ("darwin", "/dev/bpf*"),
        ("win32", "Run as administrator"),
    ],
)
def test_each_system_has_its_words(system, words):
    said = opening.missing_rights("eth0", system)

    assert words in said
    assert "eth0" in said
    assert "\n" not in said


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENODEV, "there is no interface lamp0; this system has"),
        (errno.ENETDOWN, "sudo ip link set lamp0 up"),
        (errno.EIO, "lamp0 cannot be recorded"),
        (errno.EPERM, "setcap"),
    ],
)
def test_a_refusal_is_one_line_about_the_interface(number, words, monkeypatch, tmp_path):
    def refuse(*arguments, **options):
        raise OSError(number, "refused")

    monkeypatch.setattr("auditor.live.packet_socket.PacketSocket", refuse)
    monkeypatch.setattr(opening.sys, "platform", "linux")
    options = RecordingOptions(
        interface="lamp0", folder=tmp_path, stem="a", file_octets=10_000, file_seconds=None, keep_files=0,
        stop_seconds=None, stop_octets=None, device=None, snap_octets=262_144,
    )  # fmt: skip
    with pytest.raises(UsageError) as raised:
        opening.open_source(options)

    assert words in str(raised.value)
    assert "\n" not in str(raised.value)
