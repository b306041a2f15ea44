"""A light with a web interface and its visitors, by aiohttp; CoAP by aiocoap."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import json
import re
import secrets
import socket
import threading
from typing import Any

USER, PASSWORD, TOKEN = "shelf", "lantern-and-ladder", "f3a9c2d417e85b60aa31"
REALM = "light"


async def web_server(address: str) -> None:
    """State for everybody; settings behind Basic, Digest and bearer; WebSocket; events; a login that sets a cookie."""
    from aiohttp import web

    nonces: set[str] = set()

    async def state(request: Any) -> Any:
        return web.json_response({"on": True, "brightness": 128})

    async def switch(request: Any) -> Any:
        await request.json()
        return web.json_response({"success": True})

    def wants(scheme: str) -> Any:
        return web.json_response({"error": "login"}, status=401, headers={"WWW-Authenticate": scheme})

    async def basic(request: Any) -> Any:
        await request.read()
        expected = base64.b64encode(f"{USER}:{PASSWORD}".encode()).decode()
        if request.headers.get("Authorization") != f"Basic {expected}":
            return wants(f'Basic realm="{REALM}"')
        return web.json_response({"success": True})

    async def bearer(request: Any) -> Any:
        await request.read()
        if request.headers.get("Authorization") != f"Bearer {TOKEN}":
            return wants(f'Bearer realm="{REALM}"')
        return web.json_response({"success": True})

    async def digest(request: Any) -> Any:
        body = await request.read()
        given = dict(re.findall(r'(\w+)="?([^",]+)"?', request.headers.get("Authorization", "")))
        if given.get("nonce") in nonces and given["response"] == _response(request.method, given, body):
            return web.json_response({"success": True})
        nonce = secrets.token_hex(8)
        nonces.add(nonce)
        return wants(f'Digest realm="{REALM}", nonce="{nonce}", qop="auth", algorithm=SHA-256')

    async def login(request: Any) -> Any:
        form = await request.post()
        if form.get("password") != PASSWORD:
            return web.json_response({"error": "login"}, status=403)
        answer = web.Response(status=303, headers={"Location": "/light/state"})
        answer.set_cookie("session", TOKEN[::-1])
        return answer

    async def events(request: Any) -> Any:
        stream = web.StreamResponse(headers={"Content-Type": "text/event-stream"})
        await stream.prepare(request)
        await stream.write(b'data: {"on": true}\n\n')
        return stream

    async def live(request: Any) -> Any:
        ours = web.WebSocketResponse()
        await ours.prepare(request)
        async for said in ours:
            if said.type.name == "TEXT":
                await ours.send_json({"state": json.loads(said.data)})
        return ours

    application = web.Application()
    application.add_routes(
        [
            web.get("/light/state", state), web.post("/light/state", switch), web.post("/config", basic),
            web.post("/settings", digest), web.post("/setup", bearer), web.post("/login", login),
            web.get("/events", events), web.get("/ws", live),
        ]
    )  # fmt: skip
    runner = web.AppRunner(application, access_log=None)
    await runner.setup()
    await web.TCPSite(runner, address, 80).start()
    print("ready", flush=True)
    await asyncio.Event().wait()


def _response(method: str, given: dict[str, str], body: bytes) -> str:
    """RFC 7616 section 3.4.1, quality of protection ``auth``."""

    def digest(text: str) -> str:
        return hashlib.sha256(text.encode()).hexdigest()

    first, second = digest(f"{USER}:{REALM}:{PASSWORD}"), digest(f"{method}:{given['uri']}")
    return digest(f"{first}:{given['nonce']}:{given['nc']}:{given['cnonce']}:auth:{second}")


async def visit(host: str) -> dict[str, int]:
    """Each request once, by its own connection; the statuses."""
    import aiohttp

    statuses: dict[str, int] = {}

    async def ask(name: str, method: str, path: str, **how: Any) -> None:
        chain = how.pop("middlewares", ())
        resolver = aiohttp.ThreadedResolver()
        connector = aiohttp.TCPConnector(resolver=resolver, force_close=True)
        async with (
            aiohttp.ClientSession(connector=connector, middlewares=chain) as session,
            session.request(method, f"http://{host}{path}", allow_redirects=False, **how) as answer,
        ):
            await answer.read()
            statuses[name] = answer.status

    right, wrong = aiohttp.BasicAuth(USER, PASSWORD), aiohttp.BasicAuth(USER, "not-the-password")
    settings = {"mqtt": {"broker": "192.168.77.30"}}
    await ask("read", "GET", "/light/state")
    await ask("switch", "POST", "/light/state", json={"on": False})
    await ask("basic", "POST", "/config", json=settings, auth=right)
    await ask("basic refused", "POST", "/config", json=settings, auth=wrong)
    digest = aiohttp.DigestAuthMiddleware(USER, PASSWORD)
    await ask("digest", "POST", "/settings", json=settings, middlewares=(digest,))
    await ask("bearer", "POST", "/setup", json=settings, headers={"Authorization": f"Bearer {TOKEN}"})
    await ask("bearer refused", "POST", "/setup", json=settings, headers={"Authorization": "Bearer guess"})
    await ask("login", "POST", "/login", data={"user": USER, "password": PASSWORD})
    await ask("events", "GET", "/events", headers={"Accept": "text/event-stream"})
    return statuses


async def talk(host: str, origin: str) -> dict[str, int]:
    """Switch the light three times over a WebSocket that a page of another site could have opened."""
    import aiohttp

    async with (
        aiohttp.ClientSession() as session,
        session.ws_connect(f"http://{host}/ws", origin=origin) as live,
    ):
        for level in range(3):
            await live.send_json({"on": True, "brightness": level})
            await live.receive_json()
    return {"orders": 3}


async def coap_server(address: str) -> None:
    """A light that anybody may switch and whose settings nobody may change."""
    import aiocoap
    from aiocoap import resource

    class Light(resource.Resource):
        async def render_get(self, request: Any) -> Any:
            return aiocoap.Message(payload=b'{"on": true}', content_format=50)

        async def render_put(self, request: Any) -> Any:
            return aiocoap.Message(code=aiocoap.CHANGED)

    class Settings(resource.Resource):
        async def render_put(self, request: Any) -> Any:
            return aiocoap.Message(code=aiocoap.UNAUTHORIZED)

    class Long(resource.Resource):
        async def render_get(self, request: Any) -> Any:
            return aiocoap.Message(payload=b"colour " * 400)

    site = resource.Site()
    site.add_resource(["light"], Light())
    site.add_resource(["config"], Settings())
    site.add_resource(["effects"], Long())
    await aiocoap.Context.create_server_context(site, bind=(address, 5683))
    print("ready", flush=True)
    await asyncio.Event().wait()


async def coap(host: str) -> dict[str, str]:
    """Read, switch, ask for what is not there, be refused, read something long in blocks."""
    import aiocoap

    context = await aiocoap.Context.create_client_context()
    said: dict[str, str] = {}
    for name, code, path, body in (
        ("read", aiocoap.GET, "light", b""),
        ("switch", aiocoap.PUT, "light", b'{"on": true}'),
        ("absent", aiocoap.GET, "nothing", b""),
        ("refused", aiocoap.PUT, "config", b'{"host": "192.168.77.30"}'),
        ("blocks", aiocoap.GET, "effects", b""),
    ):
        request = aiocoap.Message(code=code, uri=f"coap://{host}/{path}", payload=body)
        if body:
            request.opt.content_format = 50
        answer = await context.request(request).response
        said[name] = answer.code.dotted
    await context.shutdown()
    return said


def json_server(address: str) -> None:
    """A light that obeys JSON-RPC 2.0, one object a line over TCP and one a datagram over UDP."""
    datagrams = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    datagrams.bind((address, 20_001))
    listener = socket.create_server((address, 20_002))

    def answer(asked: bytes) -> bytes:
        return json.dumps({"jsonrpc": "2.0", "id": json.loads(asked)["id"], "result": "done"}).encode()

    def streams() -> None:
        while True:
            connection, _ = listener.accept()
            with connection, connection.makefile("rwb") as lines:
                for line in lines:
                    lines.write(answer(line) + b"\r\n")
                    lines.flush()

    threading.Thread(target=streams, daemon=True).start()
    print("ready", flush=True)
    while True:
        asked, peer = datagrams.recvfrom(2048)
        datagrams.sendto(answer(asked), peer)


def json_client(host: str) -> dict[str, int]:
    """One order each way."""
    order = {"jsonrpc": "2.0", "id": 1, "method": "light.set", "params": {"on": True, "brightness": 40}}
    datagram = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    datagram.settimeout(5)
    datagram.sendto(json.dumps(order).encode(), (host, 20_001))
    datagram.recv(2048)
    with socket.create_connection((host, 20_002), 5) as stream, stream.makefile("rwb") as lines:
        lines.write(json.dumps(order).encode() + b"\r\n")
        lines.flush()
        lines.readline()
    return {"udp": 1, "tcp": 1}
