"""JUnit XML for test servers: one suite an attempt, one case a reading, and one for what became of the attempt.

A missed limit is a failure, a reading without value an error, one that is not judged is skipped. The format has no
standard; suites, cases and attributes here are those that its readers have in common (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

from bringup.commands.tables import value_text
from bringup.core.harmless import harmless
from bringup.core.wording import limits_text
from bringup.core.words import AttemptResult, Result
from bringup.logbook.database import Database
from bringup.logbook.filters import ID_SHOWN, Filters
from bringup.logbook.queries import each_attempt
from bringup.logbook.rows import LoggedAttempt, LoggedReading
from bringup.logbook.values import time_text

KINDS = {
    Result.FAIL: "failure",
    Result.CONDITIONAL_FAIL: "failure",
    Result.NO_VALUE: "error",
    Result.NOT_JUDGED: "skipped",
}
ATTEMPT_KINDS = {
    AttemptResult.PASSED: None,
    AttemptResult.FAILED: "failure",
    AttemptResult.INCOMPLETE: "failure",
    AttemptResult.CALLED_OFF: "error",
    AttemptResult.BROKEN_OFF: "error",
    None: "skipped",
}


def write_junit(file: Path, connection: Database, filters: Filters) -> int:
    """Write the attempts that have readings that match, one suite each; return how many."""
    narrow = any(
        (filters.rail, filters.step, filters.quantity, filters.result, filters.instrument, filters.board_state)
    )
    count = 0
    sort = {"at": "started", "-at": "-started"}.get(filters.sort, filters.sort)
    with file.open("w", encoding="utf-8", newline="") as out:
        out.write('<?xml version="1.0" encoding="UTF-8"?>\n<testsuites name="bringup">\n')
        for attempt in each_attempt(connection, _sorted(filters, sort)):
            if attempt.readings or not narrow:
                out.write(ET.tostring(_suite(attempt), encoding="unicode") + "\n")
                count += 1
        out.write("</testsuites>\n")
    return count


def _sorted(filters: Filters, sort: str) -> Filters:
    from dataclasses import replace

    return replace(filters, sort=sort)


def _suite(attempt: LoggedAttempt) -> ET.Element:
    name = f"{attempt.procedure} of {attempt.serial} ({attempt.id[:ID_SHOWN]})"
    suite = _element("testsuite", name=name, timestamp=time_text(attempt.started), hostname=attempt.bench)
    told = {
        "serial": attempt.serial,
        "attempt": attempt.id,
        "board": attempt.board,
        "revision": attempt.revision,
        "lot": attempt.lot,
        "operator": attempt.operator,
        "simulated": "true" if attempt.simulated else "false",
    }
    properties = ET.SubElement(suite, "properties")
    properties.extend(_element("property", name=key, value=value) for key, value in told.items())
    where = ".".join(each.replace(".", " ") for each in (attempt.board, attempt.revision, attempt.serial))
    cases = [_of_attempt(attempt, where), *(_of_reading(each, where) for each in attempt.readings)]
    suite.set("tests", str(len(cases)))
    for kind, many in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
        suite.set(many, str(sum(case.find(kind) is not None for case in cases)))
    if attempt.ended is not None:
        suite.set("time", f"{(attempt.ended - attempt.started).total_seconds():.3f}")
    suite.extend(cases)
    return suite


def _of_attempt(attempt: LoggedAttempt, where: str) -> ET.Element:
    case = _element("testcase", classname=where, name="the attempt as a whole", time="0")
    kind = ATTEMPT_KINDS[attempt.result]
    if kind is not None:
        result = attempt.result.value if attempt.result else "going on"
        case.append(_element(kind, message=f"{result}: {attempt.cause}" if attempt.cause else result))
    return case


def _of_reading(logged: LoggedReading, where: str) -> ET.Element:
    reading = logged.reading
    words = (f"step {reading.step + 1}", logged.step_kind, reading.point or "-", reading.kind.value, reading.aspect)
    case = _element("testcase", classname=where, name=" ".join(filter(None, words)), time="0")
    limits = f", limits {limits_text(reading.limits)}" if reading.limits else ""
    told = f"{value_text(reading)}{limits}: {reading.result}"
    kind = KINDS.get(reading.result)
    if kind is not None:
        case.append(_element(kind, message=told))
    else:
        out = ET.SubElement(case, "system-out")
        out.text = harmless(told)
    return case


def _element(tag: str, **attributes: str) -> ET.Element:
    """Make an element; what no XML takes is written out."""
    return ET.Element(tag, {name: harmless(value) for name, value in attributes.items()})
