"""
What is measured, each in a process of its own so that peaks of memory do not mix.

    python -m tests.benchmarks.contenders NAME RECORDING [PACKETS]

Prints one line of JSON: packets and octets handled, seconds of wall clock and
of processor, peak memory.  Loading of modules is not measured.
"""

import json
import resource
import sys
import time
import zlib
from collections.abc import Callable
from itertools import islice
from pathlib import Path

PLAIN_READ_OCTETS = 4 << 20
STORED_PIECE_OCTETS = 1 << 18


def plain_read(path: Path, limit: int) -> int:
    """The file's octets and nothing else: the floor."""
    buffer = bytearray(PLAIN_READ_OCTETS)
    with path.open("rb", buffering=0) as file:
        while file.readinto(buffer):
            pass
    return limit


def decompressor(path: Path, limit: int) -> int:
    """The library that decompresses, alone: the floor for compressed recordings."""
    with path.open("rb", buffering=0) as file:
        if path.suffix == ".gz":
            inner = zlib.decompressobj(wbits=31)
            while piece := file.read(STORED_PIECE_OCTETS):
                inner.decompress(piece)
        else:
            import zstandard

            buffer = bytearray(PLAIN_READ_OCTETS)
            with zstandard.ZstdDecompressor().stream_reader(file) as reader:
                while reader.readinto(buffer):
                    pass
    return limit


def dpkt_loop(path: Path, limit: int) -> int:
    """A general-purpose library's bare loop: frame, network, transport, one dictionary of flows."""
    import dpkt

    flows: dict[tuple, list[int]] = {}
    count = 0
    with path.open("rb") as file:
        reader = dpkt.pcapng.Reader(file) if path.suffix == ".pcapng" else dpkt.pcap.Reader(file)
        for _, octets in islice(reader, limit):
            count += 1
            frame = dpkt.ethernet.Ethernet(octets)
            network = frame.data
            if isinstance(network, dpkt.ip.IP | dpkt.ip6.IP6):
                transport = network.data
                ports = (getattr(transport, "sport", 0), getattr(transport, "dport", 0))
                key = (network.src, network.dst, network.p, *ports)
            else:
                key = (frame.src, frame.dst, frame.type)
            flow = flows.setdefault(key, [0, 0])
            flow[0] += 1
            flow[1] += len(octets)
    return count


def scapy_dissection(path: Path, limit: int) -> int:
    """Full dissection by another general-purpose library."""
    from scapy.layers import dhcp, dns, http, inet, inet6, l2  # noqa: F401  registers the layers
    from scapy.utils import PcapReader

    with PcapReader(str(path)) as reader:
        return sum(1 for _ in islice(reader, limit))


def core(path: Path, limit: int) -> int:
    """Reading, decoding, marking of copies, flows to their columns."""
    from auditor.capture.reader import open_capture
    from auditor.flows.duplicates import DuplicateFilter
    from auditor.flows.table import FlowTable
    from auditor.packets.decode import decode_batch

    table, duplicates = FlowTable(), DuplicateFilter()
    with open_capture(path) as reader:
        for chunk in reader:
            batch = decode_batch(chunk)
            table.add(batch, duplicates.mark(batch))
    table.columns()
    return table.packets + table.duplicates


def audit(path: Path, limit: int) -> int:
    """The whole way to the JSON report."""
    import auditor

    auditor.audit([path]).to_json()
    return limit


CONTENDERS: dict[str, Callable[[Path, int], int]] = {
    "plain read": plain_read,
    "decompressor": decompressor,
    "dpkt loop": dpkt_loop,
    "scapy dissection": scapy_dissection,
    "core": core,
    "audit": audit,
}


def _load(name: str) -> None:
    """Import what the contender needs before the clock starts."""
    if name == "dpkt loop":
        import dpkt  # noqa: F401
    elif name == "scapy dissection":
        from scapy.layers import dhcp, dns, http, inet, inet6, l2  # noqa: F401
    elif name == "decompressor":
        import zstandard  # noqa: F401
    elif name == "core":
        from auditor.capture import reader  # noqa: F401
        from auditor.flows import table  # noqa: F401
        from auditor.packets import decode  # noqa: F401
    elif name == "audit":
        import auditor.pipeline  # noqa: F401


def main() -> None:
    name, path, limit = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    _load(name)
    if name in {"core", "audit"}:
        from auditor.garbage import give_back_blocks

        give_back_blocks()  # as the command line does
    wall, processor = time.perf_counter(), time.process_time()
    packets = CONTENDERS[name](path, limit)
    figures = {
        "packets": packets,
        "seconds": time.perf_counter() - wall,
        "processor_seconds": time.process_time() - processor,
        "peak_mebibytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
