import os
import shutil

import pytest

from tests.browser.browser import HERE, Browser

PROGRAMS = ("node", "java", "pdftotext")
CHROMIUM = ("chromium", "chromium-browser")


def pytest_collection_modifyitems(items):
    for item in items:
        if item.path.is_relative_to(HERE):  # one browser for all of them, whoever runs them
            item.add_marker(pytest.mark.xdist_group("browser"))


def missing() -> str | None:
    if not any(map(shutil.which, CHROMIUM)):
        return "no Chromium is installed"
    for program in PROGRAMS:
        if shutil.which(program) is None:
            return f"{program} is not installed"
    if not (HERE / "node_modules" / "axe-core").is_dir():
        return "npm ci has not been run in tests/browser"
    return None


@pytest.fixture(scope="session")
def browser():
    reason = missing()
    if reason is not None:
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(f"{reason}; tests/browser/README.md says what to install")
    opened = Browser(next(filter(None, map(shutil.which, CHROMIUM))))
    yield opened
    opened.close()
