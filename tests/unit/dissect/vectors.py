"""Octets of the standards' own examples."""

from pathlib import Path

FOLDER = Path(__file__).parents[2] / "vectors"


def vector(name):
    """Octets of ``tests/vectors/<name>.hex``; its first line says where they come from."""
    lines = (FOLDER / f"{name}.hex").read_text(encoding="ascii").splitlines()
    return bytes.fromhex("".join(line for line in lines if not line.startswith("#")))
