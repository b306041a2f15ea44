"""Sections on devices, contacts, services and control, as sentences."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from auditor.report import wording
from auditor.report.outline import Fields, Heading, Items, Outline, Paragraph

Document = dict[str, Any]

MAX_SHOWN_ROWS = 60
"""Of one list in a printed report: what a person reads through; the JSON document holds all."""

NOTHING_SEEN = "None was seen. What this recording could not show stands at the end."


def names_of(document: Document) -> Callable[[str], str]:
    """How each device is called in sentences: nickname, else role and identifier."""
    names: dict[str, str] = {}
    for device in document["devices"]:
        if device["nickname"]:
            names[device["device_id"]] = device["nickname"]
        elif device["is_chosen"] and device["hostnames"]:
            names[device["device_id"]] = f"{device['hostnames'][0]} ({device['device_id']})"
    fixed = {"network": "the network as a whole", "broadcast": "everybody (broadcast)"}

    def name(identifier: str) -> str:
        if identifier.startswith("group:"):
            return f"the group {identifier.removeprefix('group:')}"
        return names.get(identifier) or fixed.get(identifier, identifier)

    return name


def devices_section(document: Document) -> Outline:
    """The judged devices with reasons, the others in one line each."""
    name = names_of(document)
    chosen = [device for device in document["devices"] if device["is_chosen"]]
    others = [device for device in document["devices"] if not device["is_chosen"]]
    blocks: Outline = [Heading(2, "Judged devices")]
    if not chosen:
        blocks.append(Paragraph("None. No device could be judged."))
    for device in chosen:
        blocks += [Heading(3, name(device["device_id"])), Fields(tuple(about_device(device)))]
    if others:
        blocks.append(Heading(2, "Other devices in the recording"))
        blocks.append(Items(shown([other_device(device, name) for device in others])))
    return blocks


def about_device(device: Document) -> Iterable[tuple[str, str]]:
    """What is known of a judged device, label by label."""
    yield "Identifier", device["device_id"]
    yield "Link address", ", ".join(device["link_addresses"]) or "not seen"
    yield "Addresses", ", ".join(device["addresses"]) or "not seen"
    yield "Host names", ", ".join(device["hostnames"]) or "not seen"
    if device["vendor"]:
        yield (
            "Chip maker",
            f"{device['vendor']} (registrant of the link address; says nothing of the product)",
        )
    if device["locally_administered"]:
        yield "Note", "no maker assigned the link address"
    yield "Roles", ", ".join(device["roles"]) or "unknown"
    lighting = device["lighting"]
    reasons = " ".join(map(wording.sentence, lighting["reasons"]))
    yield "Lighting", f"{wording.sentence(_confidence(lighting))} {reasons}".rstrip()


def _confidence(lighting: Document) -> str:
    if lighting["confidence"] == "none":
        return "nothing in the recording says that it is a light"
    return f"{lighting['confidence']} (candidate {lighting['rank']})"


def other_device(device: Document, name: Callable[[str], str]) -> str:
    """One line on a device that is not judged."""
    called = name(device["device_id"])
    parts = [", ".join(device["roles"]) or "unknown role"]
    if device["lighting"]["rank"]:
        parts.append(f"lighting: {_confidence(device['lighting'])}")
    if device["locally_administered"] and device["roles"] in ([], ["unknown"]):
        parts.append("private link address, most likely a phone or computer")
    parts += device["link_addresses"] + device["addresses"] + device["hostnames"]
    return f"{called}: {'; '.join(parts)}"


def remote_section(document: Document) -> Outline:
    """Whom the devices contact outside, and who outside contacted them."""
    return _section("Contacts outside the home", remote_texts(document))


def remote_texts(document: Document) -> list[str]:
    """A sentence for each contact outside; who and whom stand before the first semicolon."""
    name = names_of(document)
    return [_remote(row, name) for row in document["remote_contacts"]]


def _remote(row: Document, name: Callable[[str], str]) -> str:
    answered = wording.was_answered(row["outcomes"])
    far = row["name"] or "an address without a known name"
    if row["name"] and row["name_is_outer"]:
        far += " (the visible name; it may be the provider's public one)"
    where = f"{far}, {row['address']}, {port_words(row)}"
    me = name(row["device_id"])
    if row["initiator"] == "remote":
        lead = f"{where} {'reached' if answered else 'tried to reach'} {me}"
    elif row["initiator"] == "device":
        lead = f"{me} {'contacts' if answered else 'tried to contact'} {where}"
    else:
        lead = f"{me} and {where}; who opened it was not recorded"
    return wording.joined(
        [
            lead,
            wording.say(wording.NAME_SOURCES, row["name_source"]),
            wording.say(wording.CONFIDENTIALITY, row["confidentiality"]) if answered else "",
            f"sent {wording.octets(row['sent_octets'])}, received {wording.octets(row['received_octets'])}",
            f"{wording.plural(row['flows'], 'flow')} ({wording.outcomes(row['outcomes'])})",
            wording.period(row["period"]),
            f"{wording.moment(row['first_seen'])} to {wording.moment(row['last_seen'])}",
        ]
    )


def local_section(document: Document) -> Outline:
    """Who talked to whom inside the home."""
    return _section("Contacts inside the home", local_texts(document))


def local_texts(document: Document) -> list[str]:
    """A sentence for each contact at home; who and whom stand before the first semicolon."""
    name = names_of(document)
    return [_local(row, name) for row in document["local_contacts"]]


def _local(row: Document, name: Callable[[str], str]) -> str:
    group = row["peer_id"].startswith(("broadcast", "group:"))
    verb = "contacts" if wording.was_answered(row["outcomes"]) else "tried to contact"
    whom = f"{'sends to' if group else verb} {name(row['peer_id'])}"
    sure = {
        "proven": "",
        "likely": "who opened it is likely, not proven",
        "unknown": "who opened it is unknown",
    }
    return wording.joined(
        [
            f"{name(row['device_id'])} {whom}, {port_words(row)} ({row['family']})",
            f"{wording.plural(row['flows'], 'flow')}"
            + ("" if group else f" ({wording.outcomes(row['outcomes'])})"),
            wording.period(row["period"]),
            wording.say(sure, row["initiator_known"]),
        ]
    )


def services_section(document: Document) -> Outline:
    """What listens, answered or was announced."""
    name = names_of(document)
    return _section("Services", [_service(row, name) for row in document["services"]])


def _service(row: Document, name: Callable[[str], str]) -> str:
    places = ", ".join(wording.say(wording.PLACES, place) for place in row["reached_from"])
    readable = wording.say(wording.CONFIDENTIALITY, row["confidentiality"])
    announced_only = "announced; nobody contacted it in this recording, so whether it is open was not seen"
    return wording.joined(
        [
            f"{name(row['device_id'])}: {port_words(row)} ({row['family']})",
            announced_only if row["state"] == "announced" else row["state"],
            readable if row["state"] == "answered" else "",
            f"reached from {places}" if places else "",
            packet(row["first_packet"]),
        ]
    )


def controls_section(document: Document) -> Outline:
    """Who read, changed, configured or re-programmed a device."""
    return _section("Control", control_texts(document))


def control_texts(document: Document) -> list[str]:
    """A sentence for each kind of request; who did it to whom stands before the first semicolon."""
    name = names_of(document)
    return [_control(row, name) for row in document["controls"]]


def _control(row: Document, name: Callable[[str], str]) -> str:
    effects = {
        "read": "reads from",
        "light": "changes the light of",
        "configuration": "changes the settings of",
        "firmware": "sends new software to",
    }
    logins = {
        "none": "without a login",
        "presented": "with a login; whether it was accepted was not seen",
        "accepted": "with an accepted login",
        "rejected": "login rejected",
        "unknown": "whether a login was used was not seen",
    }
    answers = {True: "accepted", False: "refused", None: "no answer was seen"}
    return wording.joined(
        [
            f"{name(row['from_id'])} {effects.get(row['effect'], row['effect'])} {name(row['device_id'])}",
            f"{row['protocol']} {row['operation']}",
            wording.say(logins, row["authentication"]),
            answers[row["answered"]],
            wording.plural(row["count"], "request"),
            packet(row["first_packet"]),
        ]
    )


def packet(reference: Document | None) -> str:
    """``first packet 57 of home.pcapng``."""
    return "" if reference is None else f"first packet {reference['packet']} of {reference['capture']}"


def shown(texts: list[str]) -> tuple[str, ...]:
    """As many as a person reads; the rest is counted."""
    if len(texts) <= MAX_SHOWN_ROWS:
        return tuple(texts)
    left = len(texts) - MAX_SHOWN_ROWS
    return (*texts[:MAX_SHOWN_ROWS], f"and {left} more; --format json lists them all")


def port_words(row: Document) -> str:
    """``tcp port 80 http``."""
    protocol = f" {row['application_protocol']}" if row["application_protocol"] else ""
    if row["transport"] in {"tcp", "udp"}:
        return f"{row['transport']} port {row['port']}{protocol}"
    return f"{row['transport']}{protocol}"


def _section(title: str, texts: list[str]) -> Outline:
    if not texts:
        return [Heading(2, title), Paragraph(NOTHING_SEEN)]
    return [Heading(2, title), Items(shown(texts))]
