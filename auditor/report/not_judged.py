"""What a run itself has to say before its coverage: nothing could be judged, an input could not be read."""

from __future__ import annotations

from pathlib import Path

from auditor.errors import CaptureError
from auditor.inventory.model import CouldNotSee, Inventory
from auditor.report.document import NOTHING_JUDGED


def not_judged_entry(inventory: Inventory, reason: str) -> CouldNotSee:
    """Nothing of the chosen devices could be judged, because of ``reason``."""
    unicast = inventory.coverage.missing.get("unicast-with-device")
    record_next = (
        unicast.record_next
        if unicast is not None
        else "record where the device's traffic passes, while it joins the network and is used"
    )
    reason = reason.removesuffix(f"; {record_next}")  # said in the field beside it
    return CouldNotSee(question=NOTHING_JUDGED, reason=reason, record_next=record_next)


def unreadable_entry(error: CaptureError) -> CouldNotSee:
    """An input that could not be read, by its name without folders."""
    name = Path(error.name).name or error.name
    return CouldNotSee(
        question=f"What is in {name}?",
        reason=f"it could not be read: {error.problem}",
        record_next="record again, or copy the file again from where it was recorded",
    )
