import time
from pathlib import Path
import pytest
from tests.lab import hotspot
from tests.lab.house import House, require
from tests.lab.terminal import Terminal, install
from tests.household.home import CLOUD, HUB, LAPTOP, LIGHT, PHONE

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-stranger")]

def test_x(tmp_path):
    require("dnsmasq", "udhcpc", "nft")
    house = House(tmp_path)
    try:
        hotspot.build(house)
        home = tmp_path / "stranger"
        home.mkdir()
        t = Terminal(house, "laptop", home, install(tmp_path / "bin"))
        # earlier
        house.start_role("light", "hotspot.following_light", LIGHT.ipv4, HUB.ipv4, "1.0")
        c = t.begin("auditor record eth0 --folder earlier --minutes 0.15")
        c.wait_for("recording eth0")
        hotspot.use_app(house, LIGHT.ipv4)
        house.role("laptop", "evening.call", CLOUD.name, "192.168.77.1")
        t.finish(c)
        house.stop_last()
        t.run("auditor audit earlier --format json --output earlier.json")
        hotspot.open_hotspot(house)
        hotspot.change_network(house, "light", LIGHT.link)
        hotspot.change_network(house, "phone", PHONE.link)
        house.settle("phone", hotspot.PHONE_HERE.ipv4)
        c = t.begin("auditor recipe --save home.yaml")
        for answer in ("hotspot", "wifi", "phone-control light-follows-hub", "guest"):
            c.wait_for("]")
            c.type(answer)
        t.finish(c)
        c = t.begin("auditor record wlan0 --folder recording --minutes 0.5 --home home.yaml")
        c.wait_for("q and Enter ends")
        t0 = time.time()
        c.type("m power-on"); c.wait_for("marked: power-on")
        hotspot.power_on(house)
        print("power", time.time() - t0)
        time.sleep(2)
        c.type("m app"); c.wait_for("marked: app")
        print(hotspot.use_app(house, hotspot.LIGHT_HERE.ipv4))
        print("app", time.time() - t0)
        c.type("m hub"); c.wait_for("marked: hub")
        print(hotspot.use_hub(house))
        print("hub", time.time() - t0)
        t.finish(c)
        t.run("auditor check recording && auditor audit recording --home home.yaml")
        t.run("auditor audit recording --home home.yaml --format json --reveal --output out.json")
        t.run("auditor recipe --place hotspot --light wifi --home home.yaml --report earlier.json")
        t.run("cat home.yaml")
        t.run("sudo timeout 6 tcpdump -i wlan0 -s 0 -C 50 -W 12 -w recording/recording.pcap; ls recording")
        Path("/tmp/strang.txt").write_text(t.transcript())
        import shutil; shutil.rmtree("/tmp/strang", ignore_errors=True); shutil.copytree(home, "/tmp/strang")
    finally:
        house.demolish()
