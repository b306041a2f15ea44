"""
How long the body of an HTTP/1 message is, and what names stand in it.

Standards: RFC 9112 section 6 (length), 7.1 (chunks); RFC 9110 section 8.4 (content coding).
"""

from __future__ import annotations

import re
import zlib

from auditor.dissect.syntax.form import (
    multipart_fields,
    names_of,
    secrets_of,
    uploaded_suffixes,
    urlencoded_fields,
)
from auditor.dissect.syntax.http_head import HttpHead, SightedSecret
from auditor.dissect.syntax.json_rpc import RpcShape, rpc_shape
from auditor.dissect.syntax.json_shape import json_keys
from auditor.dissect.syntax.printable import printable
from auditor.dissect.syntax.soap import SoapMessage, soap_of_body
from auditor.dissect.syntax.upnp_description import UpnpDescription, description_of_body
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.value_class import value_class

# A state or configuration document of a controller has 2 to 12 KiB (common practice).
MAX_BODY_KEPT = 16_384
MAX_BODY_INFLATED = 65_536  # octets that a compressed body of that size may become
MAX_CHUNK_LINE = 4_096  # size and extensions; no sender we know uses extensions
MAX_LENGTH_DIGITS = 18  # 2**59 octets, and what other readers keep in 64 bits
MAX_TITLE = 80  # characters kept of a page title: one line of the report
CHUNK_SIZE = re.compile(rb"[ \t]*([0-9A-Fa-f]{1,15})[ \t]*(?:;[^\n]*)?\r?\Z")
TITLE = re.compile(rb"<title[^>]{0,256}>([^<]{0,512})", re.IGNORECASE)


@value_class
class Framing:
    """How the end of a body is told (RFC 9112 6.3)."""

    content_length: int | None = None
    """Octets; None with ``is_chunked`` or ``until_close``."""
    is_chunked: bool = False
    until_close: bool = False


@value_class
class Body:
    """What was read of a body."""

    octets: bytes
    """At most ``MAX_BODY_KEPT``, chunks joined."""
    wire_length: int
    """Octets on the wire from the end of the head to where reading goes on; may lie beyond what is there."""
    is_whole: bool
    more_chunks: bool = False
    """Where ``wire_length`` ends, the size of a further chunk stands."""


@value_class
class Shape:
    """Names in a body."""

    keys: tuple[str, ...] = ()
    soap: SoapMessage | None = None
    description: UpnpDescription | None = None
    secrets: tuple[SightedSecret, ...] = ()
    title: str | None = None
    rpc: RpcShape | None = None
    uploads: tuple[str, ...] = ()
    """What stands behind the last point of the names of uploaded files, in order; may be empty."""


def framing_of(head: HttpHead, *, is_request: bool) -> Framing:
    """
    Tell the length of a body from the fields alone.

    Raises:
        MalformedError: lengths contradict each other, or a request's last transfer coding is not chunked.
    """
    codings = [coding.lower() for coding in head.get_all(b"transfer-encoding")]
    if codings:
        if codings[-1].split(b";")[0].strip() == b"chunked":
            return Framing(is_chunked=True)
        if is_request:
            raise MalformedError("transfer_encoding", 0, "the last coding is not chunked")
        return Framing(until_close=True)
    lengths = set(head.get_all(b"content-length"))
    if not lengths:
        return Framing(content_length=0) if is_request else Framing(until_close=True)
    value = lengths.pop()
    if lengths or not value.isdigit():
        raise MalformedError("content_length", 0, "not one number")
    if len(value) > MAX_LENGTH_DIGITS:
        raise LimitError("content_length", 0, f"{len(value)} digits > {MAX_LENGTH_DIGITS}")
    return Framing(content_length=int(value))


def read_body(octets: bytes, start: int, framing: Framing, *, ended: bool) -> Body:
    """
    Take the part of a body that its keys are asked for.

    ``octets[start:]`` is what is there; ``ended``: no more will come.

    Raises:
        TruncatedError: more octets are needed, and may come.
        MalformedError: the chunks break their format.
    """
    if framing.is_chunked:
        return _read_chunks(octets, start, ended=ended)
    available = len(octets) - start
    if framing.until_close:
        if not ended and available < MAX_BODY_KEPT:
            raise TruncatedError("body", len(octets), "ends when the connection does")
        whole = ended and available <= MAX_BODY_KEPT
        return Body(octets=octets[start : start + MAX_BODY_KEPT], wire_length=available, is_whole=whole)
    length = framing.content_length or 0
    wanted = min(length, MAX_BODY_KEPT)
    if available < wanted and not ended:
        raise TruncatedError("body", len(octets), f"needs {wanted} octets, {available} remain")
    whole = length <= MAX_BODY_KEPT and available >= length
    return Body(octets=octets[start : start + wanted], wire_length=length, is_whole=whole)


def next_chunk(octets: bytes, start: int) -> tuple[int, int]:
    """
    Read one chunk's size: gives the size and where its data begin (RFC 9112 7.1).

    Raises:
        TruncatedError, MalformedError.
    """
    end = octets.find(b"\n", start, start + MAX_CHUNK_LINE)
    if end < 0:
        if len(octets) - start >= MAX_CHUNK_LINE:
            raise LimitError("chunk_size", start, f"no end within {MAX_CHUNK_LINE} octets")
        raise TruncatedError("chunk_size", len(octets), "the line's end has not come")
    found = CHUNK_SIZE.match(octets, start, end)
    if found is None:
        raise MalformedError("chunk_size", start, "not a hexadecimal number")
    return int(found[1], 16), end + 1


def after_last_chunk(octets: bytes, start: int) -> int:
    """Where the trailer section ends (RFC 9112 7.1.2); raises ``TruncatedError`` or ``LimitError``."""
    position = start
    while True:  # each turn passes over a line
        end = octets.find(b"\n", position)
        if end < 0:
            if len(octets) - start > MAX_CHUNK_LINE:
                raise LimitError("trailer", start, f"no end within {MAX_CHUNK_LINE} octets")
            raise TruncatedError("trailer", len(octets), "the empty line has not come")
        if octets[position:end] in (b"", b"\r"):
            return end + 1
        position = end + 1


def _read_chunks(octets: bytes, start: int, *, ended: bool) -> Body:
    kept = bytearray()
    try:
        return _join_chunks(octets, start, kept)
    except TruncatedError:
        if not ended:
            raise
        return Body(octets=bytes(kept), wire_length=len(octets) - start, is_whole=False)


def _join_chunks(octets: bytes, start: int, kept: bytearray) -> Body:
    """Collect chunks in ``kept`` up to its bound."""
    position = start
    while True:  # each turn passes over a chunk, or ends
        size, data = next_chunk(octets, position)
        if not size:
            return Body(octets=bytes(kept), wire_length=after_last_chunk(octets, data) - start, is_whole=True)
        kept += octets[data : data + min(size, MAX_BODY_KEPT - len(kept))]
        after = data + size + (1 if octets[data + size : data + size + 1] == b"\n" else 2)
        if len(kept) >= MAX_BODY_KEPT:
            return Body(octets=bytes(kept), wire_length=after - start, is_whole=False, more_chunks=True)
        if len(octets) < after:
            raise TruncatedError("chunk", len(octets), f"needs {after - position} octets")
        position = after


def shape_of(octets: bytes, content_type: bytes | None, coding: bytes | None) -> Shape:
    """List the names in a body of a known kind; total."""
    if not octets:
        return Shape()
    if coding is not None and coding.lower().strip() in (b"gzip", b"x-gzip", b"deflate"):
        octets = _inflate(octets)
    media_type = media_type_of(content_type)
    if media_type == "multipart/form-data":
        fields = multipart_fields(octets, content_type or b"")
        uploads = uploaded_suffixes(octets, content_type or b"")
        return Shape(keys=names_of(fields), secrets=secrets_of(fields, "http-form"), uploads=uploads)
    # Small devices and scripts send JSON under the type of plain text or of a form (common practice).
    if (media_type or "").endswith(("/json", "+json")) or octets.lstrip(b" \t\r\n")[:1] in (b"{", b"["):
        keys, secrets = json_keys(octets)
        return Shape(keys=keys, secrets=secrets, rpc=rpc_shape(octets, keys))
    if media_type == "application/x-www-form-urlencoded":
        fields = urlencoded_fields(octets.strip(b"\r\n"))
        return Shape(keys=names_of(fields), secrets=secrets_of(fields, "http-form"))
    if (soap := soap_of_body(octets)) is not None:
        return Shape(soap=soap)
    if (description := description_of_body(octets)) is not None:
        return Shape(description=description)
    if media_type in ("text/html", "application/xhtml+xml") and (title := TITLE.search(octets)):
        return Shape(title=printable(b" ".join(title[1].split()), MAX_TITLE) or None)
    return Shape()


def media_type_of(content_type: bytes | None) -> str | None:
    """The media type alone, lower case (RFC 9110 8.3.1)."""
    if content_type is None:
        return None
    return printable(content_type.split(b";", 1)[0].strip(b" \t").lower(), 128) or None


def _inflate(octets: bytes) -> bytes:
    """As much of a compressed body as its kept part and the bound allow; empty where it is none."""
    for window_bits in (47, -15):  # gzip or zlib by its header; deflate without one (common practice)
        decompressor = zlib.decompressobj(window_bits)
        try:
            return decompressor.decompress(octets, MAX_BODY_INFLATED)
        except zlib.error:
            continue
    return b""
