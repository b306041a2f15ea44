"""
Whether the home file wishes for a conversation.

The words are those of ``Wish``; a wish without devices holds for any.
"""

from __future__ import annotations

from auditor.home.model import Home, Keep
from auditor.inventory.network import Network

SHOW_PROTOCOLS = frozenset({"e131", "sacn", "artnet", "art-net", "acn-sdt", "ddp", "osc"})


class Wishes:
    """The wishes of one home file against the roles of this recording's devices."""

    def __init__(self, home: Home, network: Network, roles: dict[str, tuple[str, ...]]) -> None:
        self._has_file = home != Home()
        self._keep = home.keep
        self._roles = roles
        self._ids: dict[str, str] = {}
        for named in home.devices:
            host = network.host_of(named.link_address)
            if host is not None:
                self._ids[named.link_address.hex(":")] = host.device_id
                if named.nickname:
                    self._ids[named.nickname.casefold()] = host.device_id

    def remote(self, device_id: str, purpose: str) -> bool | None:
        """Whether a contact with the outside is wished for; None without a home file."""
        if not self._has_file:
            return None
        words = (
            {"cloud"}
            | ({"time"} if purpose == "time" else set())
            | ({"updates"} if purpose == "update" else set())
        )
        return any(keep.wish in words and self._names(keep, device_id, None) for keep in self._keep)

    def local(self, device_id: str, peer_id: str, purpose: str, protocol: str | None) -> bool | None:
        """Whether a contact inside the home is wished for; None without a home file."""
        if not self._has_file:
            return None
        words = self._words(device_id, peer_id, purpose, protocol)
        return any(keep.wish in words and self._names(keep, device_id, peer_id) for keep in self._keep)

    def separation(self, device_id: str) -> bool:
        """Whether the household wishes this device to be kept apart."""
        return any(keep.wish == "separation" and self._names(keep, device_id, None) for keep in self._keep)

    def _words(self, device_id: str, peer_id: str, purpose: str, protocol: str | None) -> set[str]:
        mine, theirs = set(self._roles.get(device_id, ())), set(self._roles.get(peer_id, ()))
        words: set[str] = set()
        if purpose in {"discovery", "time"}:
            words.add(purpose)
        if protocol in SHOW_PROTOCOLS:
            words.add("show-data")
        if "lighting" in theirs:
            if mine & {"phone", "computer"}:
                words.add("phone-control")
            if "hub" in mine:
                words |= {"hub-controls-light", "voice"}
            if "lighting" in mine:
                words.add("light-to-light")
        if "lighting" in mine and theirs & {"hub", "broker"}:
            words.add("light-follows-hub")
        return words

    def _names(self, keep: Keep, device_id: str, peer_id: str | None) -> bool:
        """Whether the devices a wish names are those of the conversation."""
        wanted_from, wanted_to = self._id(keep.from_device), self._id(keep.to_device)
        from_fits = keep.from_device is None or wanted_from == device_id
        to_fits = keep.to_device is None or peer_id is None or wanted_to == peer_id
        return from_fits and to_fits

    def _id(self, written: str | None) -> str | None:
        if written is None:
            return None
        return self._ids.get(written.casefold()) or self._ids.get(written.lower().replace("-", ":"))
