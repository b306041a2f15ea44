"""
Who does the first step of a finding, and how long it takes.

Minutes are of somebody who does it for the first time, rounded up (our own
estimate, from the number of pages to open; no standard's).  A household's own
rules are not listed: of those nothing is claimed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

Who = Literal["router", "lights", "maker", "everybody"]
"""Who looks after the router, who after the lights, who asks the maker, or whoever is at home."""


class Effort(NamedTuple):
    """Of one finding's first step."""

    who: Who
    minutes: int


EFFORTS: Mapping[str, Effort] = {
    "address-reveals-hardware": Effort("lights", 5),
    "announcement-relayed": Effort("router", 10),
    "broker-accepts-anonymous": Effort("lights", 30),
    "certificate-not-trustworthy": Effort("lights", 15),
    "commissioning-window-open": Effort("lights", 5),
    "configuration-readable-without-login": Effort("lights", 10),
    "configuration-without-login": Effort("lights", 10),
    "connectivity-probe": Effort("everybody", 1),
    "contacts-other-devices": Effort("router", 15),
    "control-open-to-web-pages": Effort("lights", 10),
    "control-protocol-without-login": Effort("router", 45),
    "controlled-through-cloud": Effort("lights", 15),
    "encrypted-resolver": Effort("router", 10),
    "file-transfer-open": Effort("lights", 10),
    "firmware-upload-without-login": Effort("lights", 10),
    "globally-addressed": Effort("router", 15),
    "hardware-address-disclosed": Effort("router", 5),
    "isolation-broken": Effort("router", 20),
    "isolation-holds": Effort("everybody", 1),
    "light-control-without-login": Effort("lights", 10),
    "multicast-lighting-load": Effort("lights", 15),
    "not-separated": Effort("router", 45),
    "open-set-up-network": Effort("lights", 15),
    "outside-time-server": Effort("everybody", 1),
    "password-announced": Effort("lights", 10),
    "password-follows-identity": Effort("lights", 10),
    "password-in-clear-text": Effort("lights", 15),
    "polls-another-device": Effort("router", 15),
    "port-mapping-granted": Effort("router", 10),
    "port-mapping-refused": Effort("lights", 10),
    "remote-contact": Effort("router", 15),
    "remote-contact-in-clear-text": Effort("lights", 15),
    "remote-contact-while-idle": Effort("lights", 10),
    "remote-contact-without-name": Effort("lights", 20),
    "remote-shell-open": Effort("lights", 10),
    "remote-standing-connection": Effort("lights", 10),
    "resolver-not-offered": Effort("router", 20),
    "router-searched-for-mapping": Effort("router", 10),
    "same-secret-on-two-devices": Effort("lights", 15),
    "searches-the-network": Effort("maker", 15),
    "service-answers-other-segment": Effort("router", 20),
    "service-reached-from-internet": Effort("router", 10),
    "service-unused": Effort("lights", 10),
    "show-data-from-several-senders": Effort("lights", 15),
    "state-readable-without-login": Effort("everybody", 1),
    "tls-suite-weak": Effort("lights", 20),
    "tls-version-deprecated": Effort("lights", 20),
    "token-in-clear-text": Effort("lights", 20),
    "update-in-clear-text": Effort("lights", 5),
    "version-disclosed": Effort("lights", 20),
    "wifi-passphrase-in-clear-text": Effort("router", 30),
}
