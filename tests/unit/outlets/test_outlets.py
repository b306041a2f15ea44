"""
Where lines go: mail, file, webhook, metrics.

Sources: OpenMetrics 1.0 through its reference parser (prometheus_client, PyPI); RFC 5322 through Python's email parser; RFC 9110
through Python's own HTTP server on the loopback address; ``sendmail -t`` as a program of the test that notes what it is given
(common practice: message on standard input, receivers in its header).
"""

import email
import http.server
import json
import os
import stat
import sys
import threading
from email.policy import default
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from auditor.errors import OutputError, SettingsError, UsageError
from auditor.live import webhook
from auditor.outlets.file import MAX_OCTETS, add_lines
from auditor.outlets.mail import build_message, send_mail
from auditor.outlets.metrics import WatchState, render_metrics, write_metrics
from auditor.outlets.settings import OutletSettings, load_settings
from auditor.watch.telling import give_out

LINES = ["shelf light: new contact numbers.tally.example (tcp 443)", "寝室: software changed 1.2 -> 1.3"]
NOW = 1_772_336_400_000_000_000


# Metrics

STATE = WatchState(
    last_run_ns=NOW, last_usable_ns=None, last_outcome="could-not-judge", runs={"same": 3, "could-not-judge": 1},
    open_changes=2, judged_nights=3,
)  # fmt: skip


def test_metrics_are_read_by_the_reference_parser():
    families = {family.name: family for family in text_string_to_metric_families(render_metrics(STATE))}

    samples = {(s.name, s.labels.get("outcome")): s.value for f in families.values() for s in f.samples}
    assert samples == {
        ("lighting_watch_last_run_timestamp_seconds", None): 1_772_336_400.0,
        ("lighting_watch_last_run_usable", None): 0,
        ("lighting_watch_remembered_runs", "could-not-judge"): 1,
        ("lighting_watch_remembered_runs", "same"): 3,
        ("lighting_watch_open_changes", None): 2,
        ("lighting_watch_judged_nights_total", None): 3,
    }
    assert families["lighting_watch_judged_nights"].type == "counter"


def test_metrics_are_replaced_as_a_whole(tmp_path):
    path = tmp_path / "watch.prom"
    path.write_text("old")

    before = os.umask(0o077)  # as the unit sets it
    try:
        write_metrics(path, STATE)
    finally:
        os.umask(before)

    assert path.read_text() == render_metrics(STATE)
    assert [entry.name for entry in tmp_path.iterdir()] == ["watch.prom"]
    assert stat.S_IMODE(path.stat().st_mode) == 0o644  # the collector is another user
    with pytest.raises(OutputError):
        write_metrics(tmp_path / "none" / "watch.prom", STATE)


# Mail


def mailer(folder: Path, body: str) -> str:
    path = folder / "sendmail"
    path.write_text(f"#!{sys.executable}\nimport sys, pathlib\n{body}\n")
    path.chmod(0o755)
    return str(path)


def test_mail_is_handed_to_the_systems_mailer(tmp_path):
    program = mailer(
        tmp_path,
        f"pathlib.Path({str(tmp_path / 'sent')!r}).write_bytes(repr(sys.argv[1:]).encode() + b'\\n' + sys.stdin.buffer.read())",
    )

    send_mail(LINES, "root", mailer=program)

    options, _, octets = (tmp_path / "sent").read_bytes().partition(b"\n")
    assert options == b"['-t', '-oi']"
    message = email.message_from_bytes(octets, policy=default)
    assert message["To"] == "root"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message.get_content().splitlines() == LINES
    assert not message.defects


def test_a_line_cannot_add_to_the_header():
    message = email.message_from_bytes(
        build_message(["a line. Bcc: other@elsewhere.example"], "root"), policy=default
    )

    assert message.keys().count("To") == 1
    assert "Bcc" not in message


@pytest.mark.parametrize("body", ["sys.exit(75)", "print('no queue', file=sys.stderr); sys.exit(1)"])
def test_a_mailer_that_refuses(tmp_path, body):
    with pytest.raises(OutputError, match="mail: the mailer ended with"):
        send_mail(LINES, "root", mailer=mailer(tmp_path, body))


def test_no_mailer(tmp_path):
    with pytest.raises(OutputError, match="mail: "):
        send_mail(LINES, "root", mailer=str(tmp_path / "none"))


# File


def test_lines_are_added(tmp_path):
    path = tmp_path / "lines.txt"
    add_lines(path, LINES[:1], now_ns=NOW)
    add_lines(path, LINES[1:], now_ns=NOW)

    assert path.read_text("utf-8").splitlines() == [f"2026-03-01T03:40:00Z {line}" for line in LINES]
    path.write_bytes(b"x" * (MAX_OCTETS + 1))
    add_lines(path, LINES[:1], now_ns=NOW)
    assert path.stat().st_size < 200
    assert (tmp_path / "lines.txt.1").stat().st_size == MAX_OCTETS + 1
    with pytest.raises(OutputError):
        add_lines(tmp_path / "none" / "lines.txt", LINES, now_ns=NOW)


# Webhook


class Receiver:
    """An HTTP server of the standard library on the loopback address; answers with the statuses it is given."""

    def __init__(self, *statuses):
        self.waiting, self.got = list(statuses), []
        receiver = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                receiver.got.append((self.path, self.headers["Content-Type"], json.loads(body)))
                self.send_response(receiver.waiting.pop(0))
                self.send_header("Location", "http://127.0.0.1:1/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_):
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        self.location = f"http://127.0.0.1:{self.server.server_port}/hook?x=1"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.server.shutdown()
        self.server.server_close()


def test_webhook_posts_json():
    with Receiver(204) as receiver:
        webhook.send(receiver.location, {"lines": LINES})

    assert receiver.got == [("/hook?x=1", "application/json", {"lines": LINES})]


@pytest.mark.parametrize(
    ("statuses", "tries"),
    [((500, 503, 200), 3), ((404,), 1), ((302,), 1), ((429, 200), 2), ((500, 500, 500), 3)],
)
def test_webhook_tries_again_where_it_helps(statuses, tries):
    pauses = []
    with Receiver(*statuses) as receiver:
        if statuses[-1] == 200:
            webhook.send(receiver.location, {}, pause=pauses.append)
        else:
            with pytest.raises(OutputError, match=f"status {statuses[-1]}"):
                webhook.send(receiver.location, {}, pause=pauses.append)

    assert len(receiver.got) == tries
    assert pauses == list(webhook.PAUSE_SECONDS[: tries - 1])


def test_nobody_listens():
    with Receiver() as receiver:
        pass

    with pytest.raises(OutputError, match="webhook: "):
        webhook.send(receiver.location, {}, pause=lambda _: None)


@pytest.mark.parametrize(
    "location",
    [
        "http://198.51.100.1/", "http://203.0.113.7:8080/x", "http://[2001:db8::1]/", "http://example.org/",
        "https://127.0.0.1/", "http://user@127.0.0.1/", "ftp://127.0.0.1/", "127.0.0.1", "", "http://0.0.0.0/",
        "http://127.0.0.1:99999/", "http://[::ffff:198.51.100.1]/", "http://100.64.0.1/", "http://224.0.0.1/",
        "http://127.0.0.1/a b", "http://2130706433/", "http://0x7f.1/",
    ],
)  # fmt: skip
def test_locations_outside_or_odd_are_refused(location):
    with pytest.raises(UsageError):
        webhook.check_location(location)


@pytest.mark.parametrize(
    ("location", "address", "port"),
    [("http://127.0.0.1/", "127.0.0.1", 80), ("http://192.168.77.30:8123/hook", "192.168.77.30", 8123),
     ("http://[fd00:77::30]/", "fd00:77::30", 80), ("http://[::1]:81", "::1", 81), ("http://10.1.2.3", "10.1.2.3", 80)],
)  # fmt: skip
def test_locations_at_home(location, address, port):
    assert webhook.check_location(location)[:2] == (address, port)


# Together


def test_one_outlet_that_fails_fails_alone(tmp_path):
    shown, said = [], []
    settings = OutletSettings(file=tmp_path / "lines.txt", webhook="http://198.51.100.1/")

    give_out(LINES, settings, now_ns=NOW, show=shown.append, say=said.append)

    assert shown == ["".join(f"{line}\n" for line in LINES)]
    assert len(said) == 1
    assert "198.51.100.1" in said[0]
    assert (tmp_path / "lines.txt").exists()


def test_where_every_outlet_fails_nothing_counts_as_told(tmp_path):
    with pytest.raises(OutputError):
        give_out(LINES, OutletSettings(file=tmp_path), now_ns=NOW, show=lambda _: None, say=lambda _: None)


def test_everything_is_off_unless_configured(tmp_path):
    assert load_settings(tmp_path) == OutletSettings()


def test_settings(tmp_path):
    (tmp_path / "watch.yaml").write_text(
        "mail_to: root\nfile: lines.txt\nwebhook: http://192.168.77.30/hook\nmetrics: /run/metrics/watch.prom\n"
    )

    assert load_settings(tmp_path) == OutletSettings(
        mail_to="root", file=tmp_path / "lines.txt", webhook="http://192.168.77.30/hook",
        metrics=Path("/run/metrics/watch.prom"),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("text", "place"),
    [("mail: root\n", "1:1"), ("mail_to: -oQ/tmp\n", "1:10"), ("mail_to: a@b.example, c\n", "1:10"), ("- a\n", "1:1"),
     ("file: []\n", "1:7")],
)  # fmt: skip
def test_mistakes_in_the_settings_have_their_place(tmp_path, text, place):
    (tmp_path / "watch.yaml").write_text(text)

    with pytest.raises(SettingsError, match=place):
        load_settings(tmp_path)
