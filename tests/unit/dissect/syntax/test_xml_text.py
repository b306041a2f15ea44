"""
XML 1.0, fifth edition.  Oracle: the expat reader of the standard library, on the same octets.

Texts without a source beside them are ours.
"""

import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.dissect.syntax import xml_text
from auditor.dissect.syntax.xml_text import read_xml
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError

WHOLE = (
    b'\xef\xbb\xbf<?xml version="1.0" encoding="utf-8"?>\n<!-- a lamp --><s:a xmlns:s="urn:x" b=\'1 &gt; "0"\'>'
    b"before<s:c/> between <d e='f'>&lt;&#x26;&#38; <![CDATA[<g>&amp;]]></d><!-- > --> after</s:a>\n"
)


def names_and_texts(octets):
    return [
        (element.path, element.text.decode(), {name: value.decode() for name, value in element.attributes})
        for element in read_xml(octets)
    ]


def by_oracle(octets):
    found = []

    def visit(node, path):
        path = (*path, node.tag.rpartition("}")[2])
        for child in node:
            visit(child, path)
        text = (node.text or "") + "".join(child.tail or "" for child in node)
        attributes = {name.rpartition("}")[2]: value for name, value in node.attrib.items()}
        found.append((path, text.strip(" \t\r\n"), attributes))

    visit(ET.fromstring(octets), ())
    return found


def without_namespaces(elements):
    return [
        (path, text, {name: value for name, value in attributes.items() if not value.startswith("urn:")})
        for path, text, attributes in elements
    ]


def test_what_another_reader_reads():
    assert without_namespaces(names_and_texts(WHOLE)) == by_oracle(WHOLE)
    assert names_and_texts(WHOLE)[1][1] == "<&& <g>&amp;"


def test_namespaces_as_another_reader_looks_them_up():
    octets = b"<a xmlns='urn:1' xmlns:p='urn:2'><b/><p:c xmlns='urn:3' xmlns:p='urn:4'><d/></p:c><p:e/><b xmlns=''/></a>"
    ours = sorted(
        (element.place, (element.namespace or b"").decode(), element.name) for element in read_xml(octets)
    )
    theirs = [node.tag for node in ET.fromstring(octets).iter()]

    assert [f"{{{namespace}}}{name}" if namespace else name for _, namespace, name in ours] == theirs


TEXTS = st.recursive(
    st.text("ab <>&\"'é", max_size=8).map(
        lambda text: text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    ),
    lambda inner: st.builds(
        lambda name, parts: f"<{name} k='v'>{''.join(parts)}</{name}>" if parts else f"<{name} />",
        st.sampled_from(["a", "b.c", "d-1"]),
        st.lists(inner, max_size=4),
    ),
    max_leaves=12,
)


@settings(max_examples=100, deadline=None)
@given(TEXTS)
def test_any_tree_as_another_reader_reads_it(text):
    octets = f"<root>{text}</root>".encode()

    assert names_and_texts(octets) == by_oracle(octets)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=60) | st.text("<>/&;!-[]?ab= '\"#x1", max_size=60).map(str.encode))
def test_any_octets(octets):
    try:
        list(read_xml(octets))
    except DecodeError as raised:
        error = raised
    else:
        error = None
    assert error is None or 0 <= error.offset <= len(octets)
    try:
        ET.fromstring(octets)
    except (ET.ParseError, ValueError, LookupError):
        return
    if b"<!" not in octets:
        assert error is None  # what is well-formed and declares nothing is read


@pytest.mark.parametrize("length", range(3, WHOLE.rindex(b"</s:a>") + 5))
def test_every_truncation_is_reported(length):
    with pytest.raises((TruncatedError, MalformedError)) as info:
        list(read_xml(WHOLE[:length]))
    # Behind a cut reference or in the middle of a mark no reader can tell the cut from damage.
    if isinstance(info.value, MalformedError):
        assert (
            WHOLE[:length].rpartition(b"&")[2].isalnum()
            or b"&" in WHOLE[length - 8 : length]
            or b"<!" in WHOLE[length - 9 : length]
        )


@pytest.mark.parametrize(
    "octets",
    [
        # Section 2.8 and 4.2: entities of the text's own, which grow or fetch.
        b'<!DOCTYPE a [<!ENTITY b "cc"><!ENTITY c "&b;&b;">]><a>&c;</a>',
        b'<!DOCTYPE a SYSTEM "http://lamp.example/a.dtd"><a/>',
        b"<a>&b;</a>",
        b"<a b='&c;'/>",
        b"<a>&#0;</a>",
        b"<a>&#xd800;</a>",
        b"<a>&#x110000;</a>",
        b"<a></b>",
        b"</a>",
        b"text",
        b"<a b=c/>",
        b"<a b='<'/>",
        b"<1/>",
        "<a/>".encode("utf-16"),
    ],
)
def test_what_is_refused(octets):
    with pytest.raises(MalformedError):
        list(read_xml(octets))


def test_bounds():
    with pytest.raises(LimitError):
        list(read_xml(b"<a>" * 100_000))
    with pytest.raises(LimitError):
        list(read_xml(b"<a>" + b"<b/>" * 100_000))
    with pytest.raises(LimitError):
        list(read_xml(b"<a" + b"".join(b" b%d=''" % i for i in range(1000)) + b"/>"))
    (element,) = read_xml(b"<a>" + b"b" * 100_000 + b"</a>")
    assert len(element.text) == xml_text.MAX_TEXT_OCTETS
    (element,) = read_xml(b"<a>" + b"<![CDATA[b]]>" * 10_000 + b"</a>")
    assert len(element.text) == xml_text.MAX_TEXT_OCTETS
