"""Every figure of safety and of the logbook, one script after the other, as one Markdown report.

    python tests/benchmarks/figures.py [--short] [--out FILE] [NAME ...]

`--short` runs each in its short form (minutes instead of hours). Returns 1 if a script is missing, breaks a bound or
does not come back.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
sys.path.insert(0, str(ROOT))

from tests.benchmarks.machine import facts  # noqa: E402 - the path comes first


@dataclass(frozen=True, slots=True)
class Script:
    """One script: what it shows, and how it is asked for its short form."""

    name: str
    shows: str
    short: tuple[str, ...] = ("--short",)
    """Arguments of the short form. A script that does not know `--short` is run whole."""
    hours: float = 2.0
    """After which it counts as hung."""


SCRIPTS = (
    Script("kills.py", "the guardian: kills in every phase, and time to off", short=("24",)),
    Script("trips.py", "faults planted, each tripped by its own words"),
    Script("false_trips.py", "sound attempts with start-up transients: none tripped", short=("50",)),
    Script("logbook_faults.py", "the logbook under fire: readings lost"),
    Script("sync_order.py", "the sync of a reading precedes the next message on the wire"),
    Script("fuzz.py", "hostile input to every parser", short=("2000",), hours=4.0),
    Script("soak.py", "a long attempt: memory, disk, readable meanwhile"),
)


@dataclass(frozen=True, slots=True)
class Run:
    """How one script ended."""

    script: Script
    outcome: str
    """'ok', or what was wrong."""
    seconds: float = 0.0
    said: str = ""


def main(arguments: Sequence[str]) -> int:
    """Run the scripts in order; returns 1 if any is missing or not in order."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these, such as soak")
    parser.add_argument("--short", action="store_true", help="the short form of each")
    parser.add_argument("--out", type=Path, default=None, help="also write the report to this file")
    parser.add_argument("--beside", type=Path, default=HERE, help="folder of the scripts")
    asked = parser.parse_args(arguments)
    known = {Path(script.name).stem: script for script in SCRIPTS}
    wanted = [Path(name).stem for name in asked.names] or list(known)
    if unknown := [name for name in wanted if name not in known]:
        parser.error(f"no script {', '.join(unknown)}; there are: {', '.join(known)}")
    runs = []
    for name in wanted:
        print(f"{name} ...", file=sys.stderr, flush=True)
        runs.append(run(known[name], asked.beside, short=asked.short))
    text = report(runs, short=asked.short)
    print(text)
    if asked.out is not None:
        asked.out.write_text(text + "\n", encoding="utf-8")
    return 0 if all(each.outcome == "ok" for each in runs) else 1


def run(script: Script, folder: Path, *, short: bool) -> Run:
    """Run one script in a process of its own."""
    path = folder / script.name
    if not path.exists():
        return Run(script, "MISSING")
    knows = script.short != ("--short",) or "--short" in path.read_text(encoding="utf-8")
    command = [sys.executable, str(path), *(script.short if short and knows else ())]
    begun = time.perf_counter()
    try:
        ended = subprocess.run(
            command,
            cwd=ROOT,
            env=os.environ | {"PYTHONPATH": str(ROOT)},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=3600 * script.hours,
            check=False,
        )
    except subprocess.TimeoutExpired as late:
        return Run(script, "DID NOT COME BACK", time.perf_counter() - begun, str(late))
    took = time.perf_counter() - begun
    if ended.returncode == 0:
        return Run(script, "ok", took, ended.stdout)
    return Run(script, f"FAILED (exit code {ended.returncode})", took, f"{ended.stdout}\n{ended.stderr[-4000:]}")


def report(runs: Sequence[Run], *, short: bool) -> str:
    """Return the Markdown: a table of all, then what each said."""
    form = "short form" if short else "full form"
    command = f"python tests/benchmarks/figures.py{' --short' if short else ''}"
    lines = [
        f"Figures of {datetime.now(UTC):%Y-%m-%d}, {form}, by `{command}` on {facts()}.",
        "",
        "| script | shows | outcome | took |",
        "| --- | --- | --- | --- |",
    ]
    lines += [
        f"| `{each.script.name}` | {each.script.shows} | {each.outcome} | {each.seconds:.0f} s |" for each in runs
    ]
    for each in runs:
        if each.said.strip():
            lines += ["", f"### {each.script.name}: {each.script.shows}", "", *_as_markdown(each.said)]
    return "\n".join(lines)


def _as_markdown(said: str) -> list[str]:
    """Return tables and lists as they stand, and everything else as preformatted text."""
    lines: list[str] = []
    plain = False
    for line in said.strip().splitlines():
        markdown = line.startswith(("| ", "- ", "#", "> ")) or (not line and not plain)
        if markdown == plain:
            lines += ["```"] if plain else ["```text"]
            plain = not plain
        lines.append(line)
    return [*lines, "```"] if plain else lines


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
