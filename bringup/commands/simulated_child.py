"""A simulated bench in a process of its own, for as long as somebody here needs it.

The child serves its instruments on loopback and ends when the pipe to its standard input closes, so it goes with
whoever started it, however that one ends.
"""

from __future__ import annotations

import json
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from bringup.commands.own_python import own_command
from bringup.errors import BenchError

READY_WITHIN = 20.0
"""Seconds for starting Python, reading the files and listening."""
GONE_WITHIN = 3.0
"""Seconds for ending by itself once its standard input is closed."""


@contextmanager
def simulated_bench(
    bench: Path, *, serial: str = "", variant: str = "", pace: float | None = None
) -> Iterator[dict[str, str]]:
    """Serve a simulated bench while the context lasts; gives role -> resource string.

    `serial`, `variant`: the unit on the bench. `pace`: stretches the instruments' times (tests). Raises BenchError with
    what the child said where it does not come up.
    """
    command = own_command("from bringup.__main__ import entry; entry()", "simulate", "--bench", str(bench))
    command += ["--json", "--until-stdin-closes"]
    command += ["--serial", serial] if serial else []
    command += ["--variant", variant] if variant else []
    command += [] if pace is None else ["--pace", str(pace)]
    with tempfile.TemporaryFile() as said:
        # Our own program, with a path that the person named.
        process = subprocess.Popen(  # noqa: S603 - see above
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=said
        )
        try:
            yield _resources(process, said)
        finally:
            _end(process)


def _resources(process: subprocess.Popen[bytes], said: IO[bytes]) -> dict[str, str]:
    """Wait for the one line of resource strings."""
    assert process.stdout is not None
    lines: list[bytes] = []
    stdout = process.stdout
    reader = threading.Thread(target=lambda: lines.append(stdout.readline()), name="simulation", daemon=True)
    reader.start()
    reader.join(READY_WITHIN)
    try:
        resources: dict[str, str] = json.loads(lines[0])
    except (IndexError, ValueError) as error:
        process.kill()
        process.wait()
        said.seek(0)
        words = said.read().decode("utf-8", "replace").strip() or f"it was not ready within {READY_WITHIN:.0f} s"
        raise BenchError(f"the simulated bench did not start: {words}", "Nothing was powered.") from error
    return resources


def _end(process: subprocess.Popen[bytes]) -> None:
    """Close its standard input, which ends it; kill it if that does not."""
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.close()
    try:
        process.wait(GONE_WITHIN)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    process.stdout.close()
