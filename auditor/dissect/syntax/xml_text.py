"""
A small reader of XML texts of devices: elements, their attributes and their character data, in order.

Standards: Extensible Markup Language (XML) 1.0, fifth edition, sections 2 and 3; Namespaces in XML 1.0.
Reads:     UTF-8 (section 4.3.3; a byte order mark is allowed).
Refuses:   document type declarations, and with them every entity but the five of section 4.6: nothing can be
           named, fetched or grow that is not in the text.

Names are handed out without their prefixes, which are free; what a prefix
stands for is looked up, and a prefix that nobody declared is no error: devices
get them wrong more often than names.  Every turn of the reader moves it on, and depth, count and length
are bounded, so that work stays linear in the octets.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.value_class import value_class

MAX_DEPTH = 32  # description documents and discovery messages nest 8 deep
MAX_ELEMENTS = 2_048  # a description of a device with 20 services has some 200
MAX_ATTRIBUTES = 32  # of one element, declarations of namespaces included
MAX_TEXT_OCTETS = 4_096  # of one element's character data kept; names and addresses are far shorter
MAX_REFERENCE_OCTETS = 12  # from the ampersand to the semicolon, leading noughts included

_NAME = rb"[A-Za-z_:\x80-\xff][A-Za-z0-9_:.\-\x80-\xff]*"  # section 2.3, octets of UTF-8 not told apart
_START = re.compile(rb"<(" + _NAME + rb")")
_END = re.compile(rb"</(" + _NAME + rb")[ \t\r\n]*>")
_ATTRIBUTE = re.compile(
    rb"[ \t\r\n]+(" + _NAME + rb")[ \t\r\n]*=[ \t\r\n]*(?:\"([^\"<]*)\"|'([^'<]*)')"  # section 3.1
)
_CLOSE = re.compile(rb"[ \t\r\n]*(/?)>")
_REFERENCE = re.compile(rb"&(?:#([0-9]{1,7})|#x([0-9A-Fa-f]{1,6})|(amp|lt|gt|quot|apos));")
_PREDEFINED = {b"amp": b"&", b"lt": b"<", b"gt": b">", b"quot": b'"', b"apos": b"'"}

# Passed over without a word: what begins so ends so (sections 2.5, 2.6, 2.8).
_PASSED_OVER = ((b"<!--", b"-->"), (b"<?", b"?>"))
_CDATA, _CDATA_END = b"<![CDATA[", b"]]>"  # section 2.7


@value_class
class XmlElement:
    """One element, handed out where it ends."""

    path: tuple[str, ...]
    """Local names from the root down to this element."""
    text: bytes
    """Its own character data, references resolved, white space at both ends cut off, at most
    ``MAX_TEXT_OCTETS``; UTF-8 as far as the sender kept to it."""
    attributes: tuple[tuple[str, bytes], ...]
    """Local name and value, declarations of namespaces included."""
    namespace: bytes | None
    """That the element's prefix stands for; None: nobody declared it."""
    place: int
    """Elements are handed out inner ones first; this counts their beginnings, the root's is 0."""

    @property
    def name(self) -> str:
        """Local name."""
        return self.path[-1]


class _Open:
    """An element whose end has not come."""

    __slots__ = ("attributes", "name", "namespaces", "place", "tag", "text")

    def __init__(
        self,
        tag: bytes,
        attributes: tuple[tuple[str, bytes], ...],
        namespaces: dict[bytes, bytes],
        place: int,
    ) -> None:
        self.tag = tag
        self.namespaces = namespaces
        """Declared by it, by prefix; the empty prefix is the default."""
        self.name = local_name(tag)
        self.attributes = attributes
        self.place = place
        self.text = bytearray()


def read_xml(octets: bytes) -> Iterator[XmlElement]:
    """
    Hand out the elements of a text in the order in which they end.

    Raises, after what came before was handed out:
        TruncatedError: the text ends inside an element.
        MalformedError: no XML, another encoding, or a document type declaration.
        LimitError: deeper, longer or more than the bounds.
    """
    position = 3 if octets.startswith(b"\xef\xbb\xbf") else 0
    open_: list[_Open] = []
    count = 0
    while position < len(octets):  # each turn passes over an octet or more
        if octets[position : position + 1] != b"<":
            position = _take_text(octets, position, open_)
        elif octets.startswith(_CDATA, position):
            end = _find(octets, _CDATA_END, position + len(_CDATA), "character_data")
            _keep(open_, octets[position + len(_CDATA) : end], position)
            position = end + len(_CDATA_END)
        elif (passed := _pass_over(octets, position)) > position:
            position = passed
        elif (ended := _END.match(octets, position)) is not None:
            yield _ended(open_, ended[1], position)
            position = ended.end()
            if not open_:
                return
        else:
            count += 1
            if count > MAX_ELEMENTS:
                raise LimitError("element", position, f"more than {MAX_ELEMENTS}")
            started, position, is_empty = _start(octets, position, count - 1)
            if len(open_) >= MAX_DEPTH:
                raise LimitError("element", position, f"more than {MAX_DEPTH} inside each other")
            open_.append(started)
            if is_empty:
                yield _ended(open_, started.tag, position)
                if not open_:
                    return
    raise TruncatedError(
        "element", len(octets), f"{len(open_)} elements have no end" if open_ else "no element"
    )


def local_name(name: bytes) -> str:
    """The name without its prefix."""
    return name.rpartition(b":")[2].decode("utf-8", "replace")


def resolve_references(octets: bytes, place: int = 0) -> bytes:
    """
    Character data with its references resolved (sections 4.1, 4.6).

    Raises:
        MalformedError: a reference to any other entity, or to no character.
    """
    if b"&" not in octets:
        return octets
    parts: list[bytes] = []
    position = 0
    while (at := octets.find(b"&", position)) >= 0:
        parts.append(octets[position:at])
        reference = _REFERENCE.match(octets, at, at + MAX_REFERENCE_OCTETS)
        if reference is None:
            raise MalformedError("reference", place + at, "neither a character nor one of the five entities")
        parts.append(_PREDEFINED[reference[3]] if reference[3] else _character(reference, place + at))
        position = reference.end()
    parts.append(octets[position:])
    return b"".join(parts)


def _character(reference: re.Match[bytes], place: int) -> bytes:
    number = int(reference[1]) if reference[1] else int(reference[2], 16)
    # Section 2.2; controls but white space, surrogates and what lies beyond Unicode are no characters.
    if not (number in (9, 10, 13) or 0x20 <= number < 0xD800 or 0xE000 <= number < 0x11_0000):
        raise MalformedError("reference", place, f"{number} is no character")
    return chr(number).encode("utf-8")


def _take_text(octets: bytes, position: int, open_: list[_Open]) -> int:
    end = octets.find(b"<", position)
    end = len(octets) if end < 0 else end
    text = octets[position:end]
    if open_:
        # A reference is cut nowhere: what is beyond the bound is not resolved.
        if len(open_[-1].text) < MAX_TEXT_OCTETS:
            _keep(open_, resolve_references(text, position), position)
    elif text.strip(b" \t\r\n"):
        raise MalformedError("document", position, "character data outside the root element")
    return end


def _keep(open_: list[_Open], text: bytes, position: int) -> None:
    if not open_:
        raise MalformedError("document", position, "character data outside the root element")
    kept = open_[-1].text
    kept += text[: max(0, MAX_TEXT_OCTETS - len(kept))]


def _pass_over(octets: bytes, position: int) -> int:
    """The place behind a comment or a processing instruction; ``position`` where there is neither."""
    for begin, end in _PASSED_OVER:
        if octets.startswith(begin, position):
            return _find(octets, end, position + len(begin), "markup") + len(end)
    if octets.startswith(b"<!", position):
        raise MalformedError("document", position, "a declaration, which is not read")
    return position


def _find(octets: bytes, mark: bytes, start: int, field: str) -> int:
    found = octets.find(mark, start)
    if found < 0:
        raise TruncatedError(field, len(octets), "its end has not come")
    return found


def _start(octets: bytes, position: int, count: int) -> tuple[_Open, int, bool]:
    """A start tag or the tag of an empty element, the place behind it, and which of both it is."""
    tag = _START.match(octets, position)
    if tag is None:
        if octets.find(b">", position) < 0:
            raise TruncatedError("element", len(octets), "the tag has no end")
        raise MalformedError("element", position, "no tag")
    attributes: list[tuple[str, bytes]] = []
    namespaces: dict[bytes, bytes] = {}
    place = tag.end()
    while (found := _ATTRIBUTE.match(octets, place)) is not None:  # each turn passes over an attribute
        if len(attributes) >= MAX_ATTRIBUTES:
            raise LimitError("attribute", place, f"more than {MAX_ATTRIBUTES}")
        value = found[2] if found[2] is not None else found[3]
        resolved = resolve_references(value, found.start())
        attributes.append((local_name(found[1]), resolved[:MAX_TEXT_OCTETS]))
        if found[1] == b"xmlns" or found[1].startswith(b"xmlns:"):
            namespaces[found[1][6:]] = resolved[:MAX_TEXT_OCTETS]
        place = found.end()
    closed = _CLOSE.match(octets, place)
    if closed is None:
        if octets.find(b">", place) < 0:
            raise TruncatedError("element", len(octets), "the tag has no end")
        raise MalformedError("attribute", place, "neither an attribute nor the end of a tag")
    return _Open(tag[1], tuple(attributes), namespaces, count), closed.end(), bool(closed[1])


def _ended(open_: list[_Open], tag: bytes, position: int) -> XmlElement:
    if not open_ or open_[-1].tag != tag:
        raise MalformedError("element", position, "an end tag that closes nothing")
    path = tuple(element.name for element in open_)
    prefix = tag.rpartition(b":")[0]
    declared = (outer.namespaces[prefix] for outer in reversed(open_) if prefix in outer.namespaces)
    namespace = next(declared, None)
    done = open_.pop()
    return XmlElement(
        path=path,
        text=bytes(done.text).strip(),
        attributes=done.attributes,
        namespace=namespace,
        place=done.place,
    )
