"""Ways to work at a device: SSH by asyncssh, Telnet by telnetlib3, FTP by pyftpdlib and the standard library."""

from __future__ import annotations

import asyncio
import ftplib
from pathlib import Path

USER, PASSWORD, WRONG = "keeper", "ladder-and-lantern", "not-the-password"


async def ssh_server(address: str) -> None:
    """A shell that nobody is let into."""
    import asyncssh

    key = asyncssh.generate_private_key("ssh-ed25519")
    await asyncssh.listen(address, 22, server_host_keys=[key], server_version="lightshell_2")
    print("ready", flush=True)
    await asyncio.Event().wait()


async def ssh(host: str) -> dict[str, bool]:
    """Try a password."""
    import asyncssh

    try:
        async with asyncssh.connect(host, username=USER, password=PASSWORD, known_hosts=None, config=None):
            return {"in": True}
    except asyncssh.PermissionDenied:
        return {"in": False}


async def telnet_server(address: str) -> None:
    """A shell with a login."""
    import telnetlib3

    async def shell(reader: telnetlib3.TelnetReader, writer: telnetlib3.TelnetWriter) -> None:
        writer.write("login: ")
        name = (await reader.readline()).strip()
        writer.write("Password: ")
        word = (await reader.readline()).strip()
        writer.write("\r\nwelcome\r\n" if (name, word) == (USER, PASSWORD) else "\r\nLogin incorrect\r\n")
        await writer.drain()
        writer.close()

    await telnetlib3.create_server(address, 23, shell=shell, connect_maxwait=0.5)
    print("ready", flush=True)
    await asyncio.Event().wait()


async def telnet(host: str) -> dict[str, bool]:
    """Log in."""
    import telnetlib3

    reader, writer = await telnetlib3.open_connection(host, 23, connect_minwait=0.1, connect_maxwait=1.0)
    await reader.readuntil(b"login: ")
    writer.write(f"{USER}\r\n")
    await reader.readuntil(b"Password: ")
    writer.write(f"{PASSWORD}\r\n")
    said = await reader.read(-1)
    return {"in": "welcome" in said}


def ftp_server(address: str, folder: str) -> None:
    """Files for a keeper, and for anybody."""
    from pyftpdlib.authorizers import DummyAuthorizer
    from pyftpdlib.handlers import FTPHandler
    from pyftpdlib.servers import FTPServer

    class Handler(FTPHandler):
        authorizer = DummyAuthorizer()
        banner = "light files"
        auth_failed_timeout = 0

    Handler.authorizer.add_user(USER, PASSWORD, folder)
    Handler.authorizer.add_anonymous(folder)
    server = FTPServer((address, 21), Handler)
    print("ready", flush=True)
    server.serve_forever()


def ftp(host: str) -> dict[str, bool]:
    """Log in with the right password, with a wrong one, and as nobody."""
    entered = {}
    for name, user, password in (
        ("right", USER, PASSWORD),
        ("wrong", USER, WRONG),
        ("anonymous", "anonymous", "guest@phone.example"),
    ):
        session = ftplib.FTP()
        session.connect(host, 21, 10)
        try:
            session.login(user, password)
            session.retrlines("LIST", lambda _: None)
            entered[name] = True
        except ftplib.error_perm:
            entered[name] = False
        session.close()
    return entered


def prepare(folder: Path) -> Path:
    """What the file servers give away."""
    folder.mkdir()
    (folder / "settings.txt").write_text("nothing here")
    return folder
