"""Those who live behind a laptop's hotspot: a light that follows its hub, a hub that tells its state."""

from __future__ import annotations

import contextlib
import http.client
import json
import threading
import time
from typing import Any

from tests.lab.roles.evening import LightHandler, LightServer

HUB_PORT = 8080
TIMEOUT_SECONDS = 5


def hub(address: str) -> None:
    """A hub whose scene can be read and changed."""
    scene: dict[str, Any] = {"scene": "evening"}

    class Hub(LightHandler):
        def do_GET(self) -> None:
            self._answer(200, scene)

        def do_PUT(self) -> None:
            scene.update(json.loads(self.rfile.read(int(self.headers.get("Content-Length", 0)))))
            self._answer(200, scene)

    _serve(LightServer((address, HUB_PORT), Hub))


def following_light(address: str, hub_address: str, period: str) -> None:
    """A light with a web interface that asks its hub again and again, each time by a connection of its own."""
    threading.Thread(target=_follow, args=(hub_address, float(period)), daemon=True).start()
    _serve(LightServer((address, 80), LightHandler))


def _serve(server: LightServer) -> None:
    print("ready", flush=True)
    server.serve_forever()


def _follow(hub_address: str, period: float) -> None:
    due = time.monotonic()
    while True:
        with contextlib.suppress(OSError, http.client.HTTPException):
            ask_hub(hub_address, "GET", "")
        due += period
        time.sleep(max(0.0, due - time.monotonic()))


def ask_hub(hub_address: str, method: str, body: str) -> int:
    """One request to the hub; the status."""
    connection = http.client.HTTPConnection(hub_address, HUB_PORT, timeout=TIMEOUT_SECONDS)
    try:
        headers = {"Content-Type": "application/json"} if body else {}
        connection.request(method, "/scene", body or None, headers)
        answer = connection.getresponse()
        answer.read()
        return answer.status
    finally:
        connection.close()
