"""Households for the tests of the isolation plan: recordings, judged and planned."""

from __future__ import annotations

from pathlib import Path

import auditor
from auditor.isolation.plan import Proposal, Router, propose
from auditor.ruleset.evaluate import evaluate
from auditor.ruleset.loader import load_rules
from auditor.run import read_run, typed_home
from tests.builders import Recording
from tests.household.home import CLOUD, FILE_SERVER, HUB, LIGHT, PHONE, TIME_SERVER, TWIN
from tests.household.messages import http_request, http_response
from tests.scenarios.support import cloud_session, on_the_path

CAPTURES = Path(__file__).parents[1] / "captures"
HOME_FILE = CAPTURES / "good-vantage.home.yaml"
STATE = http_request("POST", "/json/state", LIGHT.ipv4, body=b'{"on":true}')
FINE = http_response(200, {"success": True})


def both_families() -> Recording:
    """A household that talks over both families: app, hub, mirror, time and cloud."""

    def story(recording: Recording) -> None:
        recording.router_advertisement()
        for family in ("ipv4", "ipv6"):
            recording.ntp(LIGHT, TIME_SERVER, family)
            for client in (PHONE, HUB):
                recording.http_exchange(client, LIGHT, STATE, FINE, family=family)
            for _ in range(5):
                recording.wait(1)
                recording.http_exchange(
                    LIGHT, HUB, http_request("GET", "/lights/1", HUB.ipv4), FINE, port=8080, family=family
                )
            recording.attempt(LIGHT, FILE_SERVER, 445, family=family)
            recording.http_exchange(
                FILE_SERVER, HUB, http_request("GET", "/", HUB.ipv4), FINE, port=8080, family=family
            )
            recording.attempt(LIGHT, TWIN, 80, family=family)
        cloud_session(recording)
        recording.attempt(LIGHT, CLOUD, 8883, answer="prohibited")

    return on_the_path(story)


def propose_for(
    recording: Recording | Path,
    folder: Path,
    *,
    has_home: bool = True,
    home: str | None = None,
    router: Router | None = None,
    devices: tuple[str, ...] = (LIGHT.link,),
) -> Proposal:
    """Write, read, judge and plan."""
    path = (
        recording if isinstance(recording, Path) else recording.write(folder / "recording.pcapng", dropped=0)
    )
    typed = typed_home(HOME_FILE if has_home and home is None else None)
    if home is not None:
        (folder / "home.yaml").write_text(home, "utf-8")
        typed = typed_home(folder / "home.yaml")
    run = read_run([path], devices=devices, home=typed, strict=True, progress=None)
    judgement = evaluate(run.inventory, load_rules([]), typed)
    packet_flows = {packet: header.flow for packet, header in run.headers.items()}
    return propose(
        run.inventory, judgement, typed, auditor.read_flows(path), router=router, packet_flows=packet_flows
    )
