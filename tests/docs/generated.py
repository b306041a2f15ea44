"""
The parts of the pages that the program itself writes: ``python -m tests.docs.generated`` renews them.

The tests compare them with what the program prints, so that no page tells of output that is not there.
"""

import ast
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "auditor"
SKIPPED = "[…]"


def printed(*arguments: str) -> list[str]:
    """The lines that the program prints on standard output."""
    done = subprocess.run(
        [sys.executable, "-m", "auditor", *arguments], cwd=ROOT, capture_output=True, text=True, check=False
    )
    return done.stdout.splitlines()


def main_session() -> list[str]:
    """What is printed first of the first shipped recording, and one finding of all."""
    first = printed("audit", "captures/good-vantage.pcapng")
    lines = printed("audit", "--all", "captures/good-vantage.pcapng")
    finding = next(
        n
        for n, line in enumerate(lines)
        if line.endswith("Anyone on the same network can control this light")
    )
    finding_end = next(n for n in range(finding + 2, len(lines)) if re.match(r"\d+\. ", lines[n]))
    return [
        "$ auditor audit captures/good-vantage.pcapng",
        *first,
        "$ auditor audit --all captures/good-vantage.pcapng",
        SKIPPED,
        *lines[finding : finding_end - 1],
        SKIPPED,
    ]


def laptop_session() -> list[str]:
    """The verdict on the recording that cannot be judged."""
    lines = printed("audit", "captures/laptop-on-wifi.pcapng")
    verdict = lines.index("Verdict")
    end = next(n for n in range(verdict, len(lines)) if lines[n].startswith("What this recording"))
    return [
        "$ auditor audit captures/laptop-on-wifi.pcapng; echo $?",
        SKIPPED,
        *lines[verdict : end - 1],
        SKIPPED,
        "3",
    ]


def stranger_session() -> list[str]:
    """From the transcript of the lab, in which a stranger types what the program printed."""
    lines = (ROOT / "tests" / "lab" / "stranger.txt").read_text(encoding="utf-8").splitlines()

    def cut(start: str, end: str, after: int = 0) -> tuple[int, list[str]]:
        first = next(n for n in range(after, len(lines)) if lines[n].startswith(start))
        last = next(n for n in range(first, len(lines)) if lines[n].startswith(end))
        return last, lines[first : last + 1]

    recipe, asked = cut("$ auditor recipe --save", "[own-host]")
    place, best = cut("Record at", "Record at", recipe)
    typed, command = cut("Our recorder,", "  sudo auditor record", place)
    recording, marks = cut("$ sudo auditor record wlan0", "auditor: ending", typed)
    audit, kept = cut("auditor: 3 marks", "auditor: 3 marks", recording)
    afterwards, check = cut("$ auditor check", "$ auditor check", audit)
    verdict, first = cut("DO WHEN CONVENIENT", "password.", afterwards)
    _, unseen = cut("* What does the device do while", "  and leave", verdict)
    parts = (asked, best, command, marks, kept, check, first, unseen)
    joined = [line for part in parts for line in (*part, SKIPPED)]
    after_check = len([line for part in parts[:5] for line in (*part, SKIPPED)]) - 1
    return [*joined[:after_check], *joined[after_check + 1 :]]


def bounds() -> list[tuple[str, str, str, str]]:
    """Every ``MAX_…`` that a module of the package assigns: name, module, value as written, first words of its reason."""
    rows = []
    for path in sorted(PACKAGE.rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        lines = source.splitlines()
        body = ast.parse(source).body
        for place, node in enumerate(body):
            target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
            if not isinstance(target, ast.Name) or not target.id.startswith("MAX_"):
                continue
            value = ast.get_source_segment(source, node.value) or ""
            follows = body[place + 1] if place + 1 < len(body) else None
            rows.append(
                (
                    target.id,
                    path.relative_to(PACKAGE).as_posix(),
                    " ".join(value.split()),
                    reason(lines, node, follows),
                )
            )
    return sorted(rows)


def reason(lines: list[str], node: ast.stmt, follows: ast.stmt | None) -> str:
    """The comment on the line, above it, or the string below it."""
    behind = lines[node.end_lineno - 1].partition("#")[2].strip()
    if (
        isinstance(follows, ast.Expr)
        and isinstance(follows.value, ast.Constant)
        and isinstance(follows.value.value, str)
    ):
        return " ".join(f"{behind} {follows.value.value}".split())
    above = []
    number = node.lineno - 2
    while number >= 0 and lines[number].startswith("#"):
        above.insert(0, lines[number].lstrip("# ").strip())
        number -= 1
    return " ".join(filter(None, [behind, *above]))


def bounds_table() -> list[str]:
    """Rows for the developers' page."""
    rows = ["| bound | module | value | unit and reason |", "|---|---|---|---|"]
    rows += [
        f"| `{name}` | `{module}` | `{value}` | {why.replace('|', '¦')} |"
        for name, module, value, why in bounds()
    ]
    return rows


BLOCKS = {
    ROOT / "README.md": {
        "session": main_session,
        "session-laptop": laptop_session,
        "session-stranger": stranger_session,
    },
    ROOT / "DEVELOPERS.md": {"bounds": bounds_table},
}


def block(page: str, name: str) -> list[str]:
    """The lines of a generated block as they stand on a page."""
    text = page.split(f"<!-- {name} -->\n", 1)[1]
    if text.startswith("```"):
        return text.split("```\n", 2)[1].splitlines()
    return text.split("\n\n", 1)[0].splitlines()


def renew() -> None:
    """Write all blocks anew."""
    for path, blocks in BLOCKS.items():
        page = path.read_text(encoding="utf-8")
        for name, write in blocks.items():
            before, after = page.split(f"<!-- {name} -->\n", 1)
            content = "\n".join(write())
            if after.startswith("```"):
                rest = after.split("```\n", 2)[2]
                page = f"{before}<!-- {name} -->\n```\n{content}\n```\n{rest}"
            else:
                rest = after.split("\n\n", 1)[1]
                page = f"{before}<!-- {name} -->\n{content}\n\n{rest}"
        path.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    renew()
