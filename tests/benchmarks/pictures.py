"""Makes the pictures of the README from the demo: the live view, a report page, a rail over units.

Run by hand, once what they show has changed: `python tests/benchmarks/pictures.py`. Needs tmux, Chromium and the extras
`report` and `statistics`. Ten units of the mooring buoy logger are powered on the simulated bench, the first of them
in a terminal whose screen is taken while its input current is logged. What was on a terminal becomes SVG through rich,
the page a PNG through Chromium. Takes some minutes: the demo runs in wall time.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.chromium import chromium  # noqa: E402 - found through the line above

PICTURES = ROOT / "fixtures" / "pictures"
UNITS = [f"MBL-{number:04}" for number in range(1, 11)]
COLUMNS, ROWS = 100, 30
PAGE = (900, 1180)
"""Width and height of what is shown of the page, in pixels."""
COLOURS = 64
"""Of the page's picture: it has few, and is a third as big so."""
WAIT = 180.0
"""Seconds for an attempt: a guard against hanging."""

RUN = (
    "run",
    "procedures/first-power-on.yaml",
    "--bench",
    "fixtures/benches/simulated.yaml",
    "--operator",
    "ada",
    "--json",
)
FONT = "font-family: Menlo, Consolas, 'DejaVu Sans Mono', 'Liberation Mono', monospace; "


def main() -> None:
    """Make them all."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("procedures", "fixtures"):
            shutil.copytree(ROOT / part, folder / part)
        PICTURES.mkdir(exist_ok=True)
        (PICTURES / "live-view.svg").write_text(terminal(live_view(folder), "bringup run"), encoding="utf-8")
        for serial in UNITS[1:]:  # one after the other: they are at the same bench
            bringup(folder, *RUN, "--serial", serial)
        spread = bringup(folder, "spread", "3V3")
        (PICTURES / "spread.svg").write_text(terminal(spread, "bringup spread 3V3"), encoding="utf-8")
        bringup(folder, "report", UNITS[0], "--out", "report.html")
        page(folder / "report.html", PICTURES / "report.png")
    for picture in sorted(PICTURES.iterdir()):
        print(f"{picture.relative_to(ROOT)}: {picture.stat().st_size / 1000:.0f} kB")


def surroundings() -> dict[str, str]:
    """The environment of the demo: this checkout, no bench or logbook of one's own."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("BRINGUP_")}
    return {**kept, "PYTHONPATH": str(ROOT), "COLUMNS": str(COLUMNS)}


def bringup(folder: Path, *arguments: str) -> str:
    """Run a command and return what it printed."""
    done = subprocess.run(
        [sys.executable, "-m", "bringup", *arguments],
        cwd=folder,
        env=surroundings(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=True,
        timeout=WAIT,
    )
    return done.stdout


def live_view(folder: Path) -> str:
    """Return the screen of an attempt while it logs, as text with escape sequences."""
    tmux = ("tmux", "-S", str(folder / "tmux"), "-f", "/dev/null")
    words = " ".join((sys.executable, "-m", "bringup", *RUN, "--serial", UNITS[0], ">", "attempt.json"))
    size = ("-x", str(COLUMNS), "-y", str(ROWS))
    subprocess.run((*tmux, "new-session", "-d", *size, words), cwd=folder, env=surroundings(), check=True)
    screen, until = "", time.monotonic() + WAIT
    try:
        while not re.search(r"log VIN current.*[123]\.\d s left", screen):
            assert time.monotonic() < until, screen
            time.sleep(0.1)
            screen = subprocess.run((*tmux, "capture-pane", "-p"), check=True, capture_output=True, text=True).stdout
        taken = subprocess.run((*tmux, "capture-pane", "-p", "-e"), check=True, capture_output=True, text=True).stdout
        while subprocess.run((*tmux, "has-session"), check=False, capture_output=True).returncode == 0:
            assert time.monotonic() < until, "the attempt does not end"
            time.sleep(0.2)
    finally:
        subprocess.run((*tmux, "kill-server"), check=False, capture_output=True)
    return taken


def terminal(text: str, title: str) -> str:
    """Return text with escape sequences as the picture of a terminal: no font is asked of a network."""
    from rich.console import Console
    from rich.text import Text

    console = Console(width=COLUMNS, record=True, file=io.StringIO(), force_terminal=True, color_system="truecolor")
    console.print(Text.from_ansi(text.rstrip()), soft_wrap=True)
    svg = console.export_svg(title=title, unique_id="bringup")
    svg = re.sub(r"\s*<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = re.sub(r"\s*@font-face \{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"font-family: Fira Code, monospace;", FONT, svg)
    return re.sub(r"[ \t]+$", "", svg, flags=re.MULTILINE)


def page(source: Path, target: Path) -> None:
    """Write the beginning of the page as PNG."""
    from PIL import Image

    with chromium() as tab:
        tab.wide(PAGE[0], PAGE[1])
        tab.open(source.as_uri())
        whole = Image.open(io.BytesIO(tab.picture())).convert("RGB")
    beginning = whole.crop((0, 0, PAGE[0], min(PAGE[1], whole.height)))
    beginning.quantize(COLOURS).save(target, optimize=True)


if __name__ == "__main__":
    main()
