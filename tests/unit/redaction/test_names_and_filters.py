"""
Capture filters and file names at the gate.

Source: pcap-filter(7) for the words of filters; each filter here is one that its manual page's grammar allows.
"""

import pytest

from auditor.capture.pcapng_blocks import FILTERED_BY
from auditor.redaction.file_names import rename_captures, shown_names
from auditor.redaction.filters import HIDDEN_WORD, hide_filter_words


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("tcp port 80 and not arp", "tcp port 80 and not arp"),
        ("udp[8:2] & 0x1ff = 0x10", "udp[8:2] & 0x1ff = 0x10"),
        ("portrange 6000-6008", "portrange 6000-6008"),
        ("host ottilies-tablet", f"host {HIDDEN_WORD}"),
        ("host shelf.local or host tv.lan", f"host shelf.local or host {HIDDEN_WORD}"),
        ("!(ether host 02:00:5e:00:00:01)", f"!(ether host {HIDDEN_WORD})"),
        ("(compiled)", "(compiled)"),
    ],
)
def test_only_words_of_the_grammar_pass(written, shown):
    made = hide_filter_words(f"r.pcapng: {FILTERED_BY}{written}", lambda word: word == "shelf.local")
    assert made == f"r.pcapng: {FILTERED_BY}{shown}"


def test_other_texts_stay():
    assert hide_filter_words("host ottilie", lambda _: False) == "host ottilie"


def test_words_of_others_leave_file_names_wherever_they_stand():
    names = ["night_Ottilies-TV_1.pcapng", "night_ottilies-tv-2_1.pcapng", "plain.pcapng"]
    shown = shown_names(names, ["ottilies-tv", "ottilies-tv-2"], lambda text: text)
    assert list(shown.values()) == ["night_hidden_1.pcapng", "2-night_hidden_1.pcapng", "plain.pcapng"]
    document = {
        "captures": [{"name": names[0]}],
        "x": {"capture": names[1], "because": f"in {names[0]}", "n": 1},
    }
    assert rename_captures(document, shown) == {
        "captures": [{"name": "night_hidden_1.pcapng"}],
        "x": {"capture": "2-night_hidden_1.pcapng", "because": "in night_hidden_1.pcapng", "n": 1},
    }
