"""What must fit together in a `listen` step: what is waited for, its groups, their units and limits, what is sent."""

from __future__ import annotations

from collections.abc import Sequence

from bringup.core.expression import expression
from bringup.core.limits import Limits
from bringup.core.listening import unit_of
from bringup.core.words import UNIT_OF
from bringup.files.amounts import UNIT_WORDS
from bringup.files.nodes import Problems
from bringup.files.sections import Values
from bringup.files.shapes import Entry
from bringup.files.wording import nearest


def check_listen(body: Values, points: Sequence[str] | None, problems: Problems) -> None:
    """Report what does not fit together. `points`: the board's; None where that is not known."""
    both = {"text", "pattern"} & set(body.entries)
    known = both | ({"text", "pattern"} & body.wrong)
    if len(both) > 1:
        problems.add(body.at("pattern"), "a step waits for a `text` or a `pattern`, not for both", "make it two steps")
    if not known and not {"send"} & (set(body.entries) | body.wrong):
        problems.add(body.node, "this step waits for nothing and sends nothing", "such as text: logger ready")
    if not known:
        for name in ("within", "bad", "only_new"):
            if name in body:
                problems.add(body.at(name), f"`{name}` where nothing is waited for", "add `text` or `pattern`")
    _check_lines(body, problems)
    if "send" in body and "line_end" not in body and "line_end" not in body.wrong:
        problems.add(body.at("send"), "what ends each sent line is not said", "line_end: lf, cr, crlf or none")
    if "line_end" in body and not {"send"} & (set(body.entries) | body.wrong):
        problems.add(body.at("line_end"), "`line_end` where nothing is sent", "leave it out, or add `send`")
    if "pattern" not in body.wrong:
        _check_groups(body, problems)
        _check_rails(body, points, problems)


def _check_lines(body: Values, problems: Problems) -> None:
    ends = [entry for name in ("text",) if (entry := body.entries.get(name)) is not None]
    for entry in (*ends, *body.many("bad"), *body.many("send")):
        if any(sign in entry.value for sign in "\r\n"):
            problems.add(entry.node, "an end of line within a line", "each line is searched, and sent, by itself")


def _check_groups(body: Values, problems: Problems) -> None:
    pattern = body.get("pattern")
    groups = expression(pattern).groups if pattern else ()
    expect, units, words = body.many("expect"), body.many("units"), body.many("words")
    for entry in (*expect, *units, *words, *body.many("rails"), *body.many("agrees")):
        name = entry.value if entry.key is None else entry.key.text
        if name not in groups:
            known = nearest(name, groups) if groups else "such as (?P<vbat>[0-9]+)"
            problems.add(entry.key or entry.node, f"the pattern has no group called '{name}'", known)
    limits = {_name(entry): entry for entry in expect}
    scales = {_name(entry): entry for entry in units}
    for entry in words:
        if entry.value in limits or entry.value in scales:
            problems.add(entry.node, f"'{entry.value}' is text here, and a quantity elsewhere in this step")
    kept = [entry.value for entry in words]
    wrong = body.wrong & {"expect", "units", "words"}
    for name in groups:
        if name not in (*limits, *scales, *kept) and not wrong:
            hint = f"limits in `expect`, a unit in `units: {{{name}: mV}}`, or `words: {name}`"
            problems.add(body.at("pattern"), f"nobody says what '{name}' is a reading of", hint)
        elif name in limits and name in scales:
            _check_same(name, limits[name].value, scales[name], problems)
        elif name in scales and unit_of(scales[name].value) not in UNIT_OF.values():
            problems.add(scales[name].node, f"nothing is read in {scales[name].value}")


def _check_rails(body: Values, points: Sequence[str] | None, problems: Problems) -> None:
    """Report groups that cannot be the board's own reading of a rail."""
    rails, limits = {_name(entry): entry for entry in body.many("rails")}, body.get("expect") or {}
    units = {_name(entry): entry.value for entry in body.many("units")}
    seen: set[str] = set()
    for name, entry in rails.items():
        if points is not None and entry.value not in points:
            message = f"the board has no rail or input called '{entry.value}'"
            problems.add(entry.node, message, nearest(entry.value, points))
        elif entry.value in seen:
            problems.add(entry.node, f"two groups of this step are readings of {entry.value}")
        seen.add(entry.value)
        unit = limits[name].unit if name in limits else unit_of(units[name]) if name in units else "V"
        if unit != "V":
            problems.add(entry.node, f"'{name}' is read in {UNIT_WORDS[unit]}: what a rail has is volts")
    for entry in body.many("agrees"):
        name = _name(entry)
        if name not in rails:
            problems.add(
                entry.key or entry.node, f"it is not said of which rail '{name}' is a reading", "add it to `rails`"
            )
        elif name in limits:
            problems.add(entry.node, f"'{name}' is judged by `expect` already", "state one of the two")


def _name(entry: Entry) -> str:
    assert entry.key is not None, "an entry of a mapping"
    return entry.key.text


def _check_same(name: str, limits: Limits, scale: Entry, problems: Problems) -> None:
    unit = unit_of(scale.value)
    if unit != limits.unit:
        other = UNIT_WORDS[limits.unit]
        problems.add(scale.node, f"{name} is read in {UNIT_WORDS[unit]}, but its limits '{limits.text}' are in {other}")
