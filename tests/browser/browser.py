"""The browser, as the tests speak with it: pages in, pictures, violations and requests out."""

import base64
import json
import os
import re
import subprocess
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
GOLDEN = HERE / "golden"
MAX_DIFFERENT_SHARE = 0.02
"""Of the pixels: edges of letters differ between versions of a browser, layouts differ by far more."""


class Browser:
    """One Chromium; every answer tells the requests that the page tried, which are never let out."""

    def __init__(self, chromium: str) -> None:
        self._process = subprocess.Popen(
            ["node", "harness.mjs", chromium],
            cwd=HERE,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._folder = tempfile.TemporaryDirectory()
        self._pages = 0

    def close(self) -> None:
        self._process.stdin.close()
        try:
            self._process.wait(20)
        except subprocess.TimeoutExpired:
            self._process.kill()
        self._folder.cleanup()

    def _ask(self, request: dict) -> dict:
        self._process.stdin.write(json.dumps(request) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError(f"the browser ended: {self._process.stderr.read()[-2000:]}")
        answer = json.loads(line)
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return answer

    def _on_page(self, do: str, html: str, **options) -> dict:
        self._pages += 1
        page = Path(self._folder.name) / f"page-{self._pages}.html"
        page.write_text(html, encoding="utf-8", newline="")
        return self._ask({"do": do, "url": page.as_uri(), **options})

    def look(self, html: str, *, width: int = 800, **options) -> dict:
        """``png`` as octets, ``overflow``: pixels to scroll sideways; options: scheme, media, grey, whole."""
        answer = self._on_page("look", html, width=width, **options)
        return {**answer, "png": base64.b64decode(answer["png"])}

    def evaluate(self, html: str, script: str, **options) -> dict:
        """``value`` of a function written in JavaScript."""
        return self._on_page("evaluate", html, script=script, **options)

    def violations(self, html: str, **options) -> list[dict]:
        """What axe-core objects to; its own count of passed rules proves that it looked."""
        answer = self._on_page("axe", html, **options)
        assert answer["rules_passed"] > 5
        return answer["violations"]

    def press(self, html: str, keys: list[str], **options) -> list[dict]:
        """Where the focus stands after each key."""
        return self._on_page("press", html, keys=keys, **options)["reached"]

    def print(self, html: str, *, paper: str = "A4", **options) -> bytes:
        """A PDF as the print dialogue would make it."""
        return base64.b64decode(self._on_page("pdf", html, format=paper, **options)["pdf"])

    def different_share(self, first: bytes, second: bytes) -> float:
        """Share of the pixels that differ visibly; 1 where the sizes do."""
        pngs = [base64.b64encode(png).decode() for png in (first, second)]
        return self._ask({"do": "compare", "pngs": pngs})["share"]

    def same_as_golden(self, name: str, png: bytes) -> None:
        """Compare with ``golden/NAME.png``; a difference leaves the new picture beside the test run's files."""
        golden = GOLDEN / f"{name}.png"
        if os.environ.get("AUDITOR_UPDATE_GOLDEN"):
            golden.parent.mkdir(exist_ok=True)
            golden.write_bytes(png)
            return
        share = self.different_share(golden.read_bytes(), png)
        if share > MAX_DIFFERENT_SHARE:
            seen = Path(tempfile.gettempdir()) / f"golden-{name}-seen.png"
            seen.write_bytes(png)
            raise AssertionError(f"{name}: {share:.1%} of the pixels differ; what was seen is {seen}")


def count_pages(pdf: bytes) -> int:
    """Page objects of a PDF (ISO 32000-1 section 7.7.3.3); Chromium writes them uncompressed."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def check_html(*pages: str) -> list[str]:
    """Errors and warnings of the Nu HTML checker, for all pages in one run."""
    jar = HERE / "node_modules" / "vnu-jar" / "build" / "dist" / "vnu.jar"
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / f"page-{place}.html" for place in range(len(pages))]
        for file, html in zip(files, pages, strict=True):
            file.write_text(html, encoding="utf-8", newline="")
        command = ["java", "-jar", str(jar), "--format", "json", "--exit-zero-always", *map(str, files)]
        done = subprocess.run(command, capture_output=True, timeout=240)
    messages = json.loads(done.stderr)["messages"]
    return [f"{Path(one['url']).name}:{one.get('lastLine')}: {one['message']}" for one in messages]
