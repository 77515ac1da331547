"""For the loss of power: a trace of system calls shows that a reading is on the disk before the next message goes out.

The longer form is tests/benchmarks/sync_order.py.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.rig import rig
from tests.sync_trace import calls, order, traced_run, why_not

WHY_NOT = why_not()


@pytest.mark.skipif(WHY_NOT is not None, reason=str(WHY_NOT))
def test_a_reading_is_synced_before_the_next_message_to_an_instrument(tmp_path: Path) -> None:
    with rig(tmp_path) as bench:
        code, trace = traced_run(bench, "  - resistance: [VIN, 12V0]\n")
        found = order(bench, trace)
    assert code == 0
    assert found.wrong == []
    assert found.synced_first == found.readings == 4


def test_a_message_that_goes_out_before_the_sync_is_seen(tmp_path: Path) -> None:
    """The check itself can fail: a trace in which the meter is asked between a reading's write and its sync."""
    trace = tmp_path / "trace"
    with rig(tmp_path) as bench:
        assert bench.run("  - resistance: [VIN]\n").returncode == 0
        port = bench.server.resource("meter").split("::")[2]
        ids = [row["id"] for row in bench.asked("readings")]
        lines = []
        for number, identity in enumerate(ids):
            send = f'2 sendto(7<TCP:[127.0.0.1:50000->127.0.0.1:{port}]>, "READ?\\n", 6, 0, NULL, 0 <unfinished ...>'
            sync = ["1 fdatasync(5</x/bringup.db-wal> <unfinished ...>", "1 <... fdatasync resumed>) = 0"]
            lines.append(f'1 pwrite64(5</x/bringup.db-wal>, "..{identity}..", 4096, 0) = 4096')
            lines += [sync[0], send, sync[1]] if number else [*sync, send]
            lines.append("2 <... sendto resumed>) = 6")
        trace.write_text("\n".join(lines), encoding="utf-8")
        found = order(bench, trace)
    assert len(calls(trace)) == 3 * len(ids)
    assert found.synced_first == 1
    assert len(found.wrong) == len(ids) - 1
