"""
Shells and files of a device, recorded live.

Oracles: what the clients were told; asyncssh, telnetlib3, pyftpdlib with the standard library's client, dnsmasq's TFTP
server with curl made every octet.
"""

import pytest

from auditor.dissect.protocols.ftp import FtpCommand, FtpReply
from auditor.dissect.protocols.ssh import SshIdentification
from auditor.dissect.protocols.telnet import TelnetMessage
from auditor.dissect.protocols.tftp import TftpRequest
from tests.lab.recorded import LIGHT, PHONE, Recorded, at_home
from tests.lab.roles.shells import PASSWORD, WRONG, prepare
from tests.scenarios.support import findings

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-shells")]


@pytest.fixture(scope="module")
def shells(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab-shells")
    with at_home(folder, "dnsmasq", "curl") as house:
        recorded = Recorded(folder / "shells.pcap", folder)
        house.record(recorded.capture)
        files = prepare(folder / "files")
        house.start(
            "light", "dnsmasq", "-d", "--conf-file=/dev/null", "--port=0", "--enable-tftp", f"--tftp-root={files}",
            "--user=root", f"--pid-file={folder / 'tftp.pid'}", ready="TFTP",
        )  # fmt: skip
        for role in ("ssh_server", "telnet_server"):
            house.start_role("light", f"shells.{role}", LIGHT.ipv4)
        house.start_role("light", "shells.ftp_server", LIGHT.ipv4, files)
        deeds = recorded.deeds
        for role in ("ssh", "telnet", "ftp"):
            deeds[role] = house.role("phone", f"shells.{role}", LIGHT.ipv4)
        for name in ("settings.txt", "absent.txt"):
            deeds[f"tftp {name}"] = house.act(
                "phone", "curl", "-sS", "-m", "20", f"tftp://{LIGHT.ipv4}/{name}"
            )
        return recorded.done()


def test_nothing_was_unreadable(shells):
    assert [(issue.where, issue.problem) for issue in shells.issues] == []


def test_both_ends_of_a_secure_shell_name_themselves(shells):
    named = {
        one.message.from_client: one.message
        for one in shells.messages("ssh", deed="ssh", kind=SshIdentification)
    }

    assert shells.said("ssh") == {"in": False}
    assert named[False].software == "lightshell_2"
    assert named[True].software.startswith("AsyncSSH")
    assert {one.protocol_version for one in named.values()} == {"2.0"}


def test_a_login_in_clear_text_is_told_by_its_prompts(shells):
    lines = shells.messages("telnet", deed="telnet", kind=TelnetMessage)
    prompts = [one.message.prompt for one in lines if one.source.port == 23 and one.message.prompt]
    typed = [secret.kind for one in lines if one.source.port != 23 for secret in one.message.secrets]

    assert shells.said("telnet") == {"in": True}
    assert prompts == ["login", "password"]
    assert typed == ["user-name", "password"]
    assert any(one.message.options for one in lines)  # the negotiation (RFC 854)


def test_each_login_at_the_files_is_told_as_it_ended(shells):
    told = shells.messages("ftp", deed="ftp")
    replies = [one.message.code for one in told if isinstance(one.message, FtpReply)]
    commands = [one.message for one in told if isinstance(one.message, FtpCommand)]
    entered = {230: True, 530: False}  # RFC 959 section 4.2

    assert [entered[code] for code in replies if code in entered] == list(shells.said("ftp").values())
    assert [one.is_anonymous for one in commands if one.verb == "USER"] == [False, False, True]
    assert [one.access for one in commands if one.verb == "LIST"] == ["read", "read"]


def test_files_asked_for_without_a_login_are_told(shells):
    asked = [one.message.file_name for one in shells.messages("tftp", source=PHONE, kind=TftpRequest)]

    assert shells.deeds["tftp settings.txt"].said == "nothing here"
    assert shells.deeds["tftp absent.txt"].status == 68  # curl: file not found on the TFTP server
    assert asked == ["settings.txt", "absent.txt"]


def test_the_services_are_decided_by_octets_and_the_rules_follow(shells):
    services = shells.services(LIGHT)
    told = {key: (row["application_protocol"], row["state"]) for key, row in services.items()}

    for port, protocol in ((21, "ftp"), (22, "ssh"), (23, "telnet")):
        assert told["tcp", port] == (protocol, "answered")
        assert shells.is_within(services["tcp", port]["first_packet"], protocol)
    assert len(findings(shells.document, "remote-shell-open", host=LIGHT)) == 2
    assert told["udp", 69] == ("tftp", "answered")
    assert len(findings(shells.document, "file-transfer-open", host=LIGHT)) == 2
    assert findings(shells.document, "password-in-clear-text", host=LIGHT)


def test_no_password_is_told(shells):
    told = str(shells.document) + repr(shells.messages("ftp") + shells.messages("telnet"))

    assert PASSWORD not in told
    assert WRONG not in told
