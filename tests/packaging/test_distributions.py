"""
The bundled rules are found in every way the package can be installed.

Source: the project's own contract (rules stand at the top of the tree and travel in the wheel); the archives are
read with the standard library, the installation is done by pip in a virtual environment.
"""

import os
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
RULE_FILES = sorted(path.name for path in (ROOT / "rules").glob("*.yaml"))


def run(*command: object, cwd: Path | None = None) -> str:
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}: {done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def distributions(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The wheel and the sdist, built from a copy so that nothing is left in the tree."""
    out = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", out, ROOT)
    builder = out / "builder"
    run(sys.executable, "-m", "venv", builder)
    python = builder / "bin" / "python"
    run(python, "-m", "pip", "install", "-q", "hatchling")
    run(python, "-m", "hatchling", "build", "-t", "sdist", "-d", out, cwd=ROOT)
    return {"wheel": next(out.glob("*.whl")), "sdist": next(out.glob("*.tar.gz"))}


def test_wheel_carries_the_rules_and_no_captures(distributions):
    names = zipfile.ZipFile(distributions["wheel"]).namelist()

    assert sorted(Path(name).name for name in names if name.startswith("auditor/_rules/")) == RULE_FILES
    assert not [name for name in names if name.endswith((".pcap", ".pcapng"))]
    assert "auditor/py.typed" in names


def test_sdist_carries_rules_captures_and_tests(distributions):
    with tarfile.open(distributions["sdist"]) as archive:
        names = archive.getnames()
    tails = {name.split("/", 1)[1] for name in names if "/" in name}

    assert {f"rules/{name}" for name in RULE_FILES} <= tails
    assert "captures/good-vantage.pcapng" in tails
    assert "tests/packaging/test_distributions.py" in tails


@pytest.mark.parametrize("kind", ["wheel", "sdist", "editable"])
def test_installed_program_lists_every_bundled_rule(distributions, tmp_path, kind):
    home = tmp_path / "venv"
    run(sys.executable, "-m", "venv", home)
    python = home / "bin" / "python"
    # The dependencies of the test run serve here too; a plain path does not bring its editable installs along.
    packages = Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    (packages / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    if kind == "editable":
        run(python, "-m", "pip", "install", "-q", "--no-deps", "-e", ROOT, cwd=tmp_path)
    else:
        run(python, "-m", "pip", "install", "-q", "--no-deps", distributions[kind], cwd=tmp_path)

    listed = run(home / "bin" / "auditor", "rules", "list", "--format", "json", cwd=tmp_path)

    written = [
        line.split("id:")[1].strip()
        for name in RULE_FILES
        for line in (ROOT / "rules" / name).read_text().splitlines()
        if line.strip().startswith("- id:")
    ]
    assert written
    for rule_id in written:
        assert f'"{rule_id}"' in listed
