"""Small capture files put together octet by octet from the drafts' figures, so that no writer of ours is trusted."""

import struct


def pcap(records, *, order="<", nanoseconds=False, link_field=1, snap_length=262_144, version=(2, 4)):
    """Classic file (draft-ietf-opsawg-pcap 4, 5); records are (seconds, fraction, octets[, original length])."""
    magic = 0xA1B23C4D if nanoseconds else 0xA1B2C3D4
    out = struct.pack(order + "IHHiIII", magic, *version, 0, 0, snap_length, link_field)
    for seconds, fraction, octets, *original in records:
        length = original[0] if original else len(octets)
        out += struct.pack(order + "IIII", seconds, fraction, len(octets), length) + octets
    return out


def block(kind, body, order="<"):
    """General block structure (draft-ietf-opsawg-pcapng 3.1)."""
    body += bytes(-len(body) % 4)
    length = struct.pack(order + "I", 12 + len(body))
    return struct.pack(order + "I", kind) + length + body + length


def option(code, value, order="<"):
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


END = bytes(4)


def section(order="<", options=b"", version=(1, 0)):
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, *version, -1) + options, order)


def interface(link_type=1, snap_length=0, options=b"", order="<"):
    return block(1, struct.pack(order + "HHI", link_type, 0, snap_length) + options, order)


def enhanced(time, octets, *, interface_id=0, original=None, options=b"", order="<"):
    length = len(octets) if original is None else original
    head = struct.pack(order + "IIIII", interface_id, time >> 32, time & 0xFFFFFFFF, len(octets), length)
    return block(6, head + octets + bytes(-len(octets) % 4) + options, order)


def simple(octets, *, original=None, order="<"):
    return block(3, struct.pack(order + "I", len(octets) if original is None else original) + octets, order)


def obsolete(time, octets, *, interface_id=0, drops=0, order="<"):
    words = (interface_id, drops, time >> 32, time & 0xFFFFFFFF, len(octets), len(octets))
    return block(2, struct.pack(order + "HHIIII", *words) + octets, order)


def statistics(interface_id, options, order="<"):
    return block(5, struct.pack(order + "III", interface_id, 0, 0) + options, order)


def read_all(octets, **options):
    """Read a capture from memory: list of (octets, original length, time, link type, interface, number), facts."""
    import io

    from auditor.capture.reader import open_capture

    rows = []
    with open_capture(io.BytesIO(octets), **options) as reader:
        for chunk in reader:
            for row in range(len(chunk)):
                start = int(chunk.offsets[row])
                frame = bytes(chunk.buffer[start : start + int(chunk.captured_length[row])])
                rows.append(
                    (
                        frame,
                        int(chunk.original_length[row]),
                        int(chunk.timestamp_ns[row]),
                        int(chunk.link_type[row]),
                        int(chunk.interface_id[row]),
                        int(chunk.packet_number[row]),
                    )
                )
        return rows, reader.facts


def kinds(facts):
    return {issue.kind.value for issue in facts.issues}
