"""
Names of form fields and query parameters, and the secrets among their values.

Standards: WHATWG URL, application/x-www-form-urlencoded (from memory), RFC 3986 section 2.1 (percent),
           RFC 7578 and RFC 2046 section 5.1.1 (multipart/form-data).
"""

from __future__ import annotations

import re
from urllib.parse import unquote_to_bytes

from auditor.dissect.syntax.http_head import SightedSecret
from auditor.dissect.syntax.printable import printable
from auditor.dissect.syntax.secrets import any_network_name, is_plausible, is_user_field, kind_of_field
from auditor.secret import Secret

MAX_SUFFIX = 16  # characters of a file name behind its last point
MAX_FORM_FIELDS = 128  # the longest settings page of a controller has some 100 fields (common practice)

BOUNDARY = re.compile(
    rb"boundary=(?:\"([^\"]{1,70})\"|([^\s;,\"]{1,70}))", re.IGNORECASE
)  # RFC 2046 5.1.1: 1 to 70
DISPOSITION_NAME = re.compile(
    rb"content-disposition:[^\r\n]*?[;\s]name=(?:\"([^\"\r\n]*)\"|([^\s;\"]+))", re.IGNORECASE
)
FILE_SUFFIX = re.compile(rb"[;\s]filename\*?=(?:\"([^\"\r\n]*)\"|([^\s;\"]*))", re.IGNORECASE)
FILE_NAME = re.compile(rb"[;\s]filename\*?=", re.IGNORECASE)

Fields = list[tuple[str, bytes]]


def urlencoded_fields(octets: bytes) -> Fields:
    """Names and values of a query or an urlencoded body, in order; total."""
    fields: Fields = []
    for part in octets.replace(b";", b"&").split(b"&", MAX_FORM_FIELDS)[:MAX_FORM_FIELDS]:
        name, _, value = part.partition(b"=")
        if name:
            fields.append((printable(_decode(name)), _decode(value)))
    return fields


def multipart_fields(octets: bytes, content_type: bytes) -> Fields:
    """Names and values of a multipart/form-data body; the value of a file is left out; total."""
    found = BOUNDARY.search(content_type)
    if found is None:
        return []
    delimiter = b"--" + (found[1] or found[2])
    fields: Fields = []
    for part in octets.split(delimiter, MAX_FORM_FIELDS + 1)[1 : MAX_FORM_FIELDS + 1]:
        head, _, value = part.replace(b"\r\n\r\n", b"\n\n", 1).partition(b"\n\n")
        name = DISPOSITION_NAME.search(head)
        if name is not None:
            is_file = FILE_NAME.search(head) is not None
            octets_of_name = name[1] if name[1] is not None else name[2]
            fields.append((printable(octets_of_name), b"" if is_file else value.rstrip(b"\r\n")))
    return fields


def uploaded_suffixes(octets: bytes, content_type: bytes) -> tuple[str, ...]:
    """Of each file in a multipart/form-data body what stands behind the last point of its name; total."""
    found = BOUNDARY.search(content_type)
    if found is None:
        return ()
    suffixes: dict[str, None] = {}
    for part in octets.split(b"--" + (found[1] or found[2]), MAX_FORM_FIELDS + 1)[1 : MAX_FORM_FIELDS + 1]:
        head = part.replace(b"\r\n\r\n", b"\n\n", 1).partition(b"\n\n")[0]
        name = FILE_SUFFIX.search(head)
        if name is not None:
            stem, point, suffix = (name[1] or name[2] or b"").rpartition(b".")
            suffixes[printable(suffix.lower(), MAX_SUFFIX) if stem and point else ""] = None
    return tuple(suffixes)


def names_of(fields: Fields) -> tuple[str, ...]:
    """Distinct names in order."""
    return tuple(dict.fromkeys(name for name, _ in fields))


def secrets_of(fields: Fields, place: str) -> tuple[SightedSecret, ...]:
    """The fields whose names promise a secret; a user name only beside a password."""
    beside_network = any_network_name(name for name, _ in fields)
    found: list[SightedSecret] = []
    for name, value in fields:
        kind = kind_of_field(name, beside_network_name=beside_network)
        if kind is not None and is_plausible(kind, name, value):
            found.append(SightedSecret(kind=kind, place=place, field=name, secret=Secret(value)))
    if any(sighted.kind != "token" for sighted in found):
        for name, value in fields:
            if value and is_user_field(name):
                found.append(SightedSecret(kind="user-name", place=place, field=name, secret=Secret(value)))
                break
    return tuple(found)


def _decode(octets: bytes) -> bytes:
    return unquote_to_bytes(octets.replace(b"+", b" "))
