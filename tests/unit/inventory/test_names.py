"""Names: an answer counts for who asked, before the connection (RFC 1035); choice between told and said names."""

from hypothesis import given
from hypothesis import strategies as st

from auditor.addresses import parse_address, parse_link
from auditor.inventory.content import SaidName
from auditor.inventory.effects import effect_of, path_shape, words_of
from auditor.inventory.identity import service_name_of
from auditor.inventory.names import NO_NAME, NameCollector, choose_name
from auditor.inventory.vendors import vendor_of
from tests.unit.inventory.scenes import CLOUD, IP, LIGHT, PHONE, START, Scene, http_request

SECOND = 10**9


def told(scene, link, at):
    names: NameCollector = scene.builder.names
    clients = [(parse_link(link), parse_address(IP[link]))]
    return names.answered(clients, parse_address(CLOUD), START + int(at * SECOND))


def test_answers_count_for_who_asked_and_from_then_on():
    scene = Scene()
    scene.lookup(LIGHT, "First.example", [CLOUD], at=10)
    scene.lookup(LIGHT, "second.example", [CLOUD], at=20)
    assert told(scene, LIGHT, 5) is None
    assert told(scene, LIGHT, 15) == "first.example"
    assert told(scene, LIGHT, 25) == "second.example"
    assert told(scene, PHONE, 25) is None


def test_choice_of_names():
    inner = SaidName("cloud.example", "tls-sni", is_outer=False)
    outer = SaidName("provider.example", "tls-sni", is_outer=True)
    assert choose_name(None, None) is NO_NAME
    assert choose_name("cloud.example", inner).source == "dns"
    assert choose_name("shared.example", inner)[:2] == ("cloud.example", "tls-sni")
    assert choose_name("cloud.example", outer) == ("cloud.example", "dns", True)
    assert choose_name(None, outer) == ("provider.example", "tls-sni", True)


def test_service_names():
    """Examples of RFC 6763 sections 4.1, 7.1 and 9."""
    assert service_name_of("My Printer._ipp._tcp.local") == "ipp"
    assert service_name_of("_printer._sub._http._tcp.local") == "http"
    assert service_name_of("_services._dns-sd._udp.local") is None
    assert service_name_of("host.local") is None


@given(st.text(max_size=400))
def test_any_name_gives_a_service_name_or_none(text):
    found = service_name_of(text)
    assert found is None or found
    assert len(path_shape(text)) <= max(len(text), 1) + 2


@given(
    st.lists(st.text(max_size=30), max_size=20),
    st.sampled_from(["GET", "POST", "PUT", "X"]),
    st.text(max_size=60),
)
def test_any_request_has_one_of_four_effects(keys, method, path):
    assert effect_of(http_request(method, path, body=tuple(keys))) in {
        "read",
        "light",
        "configuration",
        "firmware",
    }


def test_words_are_whole_words():
    assert words_of(["wifi.apPassword", "/api/on_off"]) == {"wifi", "ap", "password", "api", "on", "off"}
    assert effect_of(http_request("POST", "/bonjour")) == "read"


def test_private_and_unknown_prefixes_have_no_vendor():
    """IEEE 802-2014 8.2.2; 00:00:5e is registered to the numbers authority (RFC 7042 section 2.1)."""
    assert vendor_of(parse_link("02:00:5e:10:00:20")) is None
    assert vendor_of(parse_link("ff:ff:ff:ff:ff:ff")) is None
    assert vendor_of(parse_link("00:00:5e:00:53:01"))


def test_a_login_by_form_changes_nothing():
    """Common practice of web forms; one that sets a password as well is a change of settings."""
    assert effect_of(http_request("POST", "/login", body=("user", "password"))) == "read"
    assert (
        effect_of(http_request("POST", "/api/auth", body=("username", "password", "remember_me"))) == "read"
    )
    assert effect_of(http_request("POST", "/login", body=("user", "password", "ssid"))) == "configuration"
    assert effect_of(http_request("POST", "/settings", body=("user", "password"))) == "configuration"
