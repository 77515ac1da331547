"""The parts that IEEE 488.2 response messages are made of: comma lists, quoted strings, blocks.

Text in, text out; what the parts mean is core.replies' matter. Nothing here raises, whatever the line.
"""

from __future__ import annotations

import re

from bringup.core.late import late

ENDS = "\r\n\x00 \t"
"""What may stand round a reply without meaning anything: line ends, spaces, the NULs of some USB serial ports."""

# Nothing that was matched is given back (++, *+): a line of a million blanks or digits must not take minutes.
_DOUBLE, _SINGLE = r"[^\"]*+(?:\"\"[^\"]*+)*+", r"[^']*+(?:''[^']*+)*+"
_STRING = late(rf"\"({_DOUBLE})\"|'({_SINGLE})'", re.DOTALL)
_APART = late(r"[,\"'(]")
_FIELD = late(rf"\s*+(\"{_DOUBLE}\"|'{_SINGLE}'|\([^)]*+\)|[^,\"'(]*+)\s*+(?:,|$)", re.DOTALL)


def split_fields(line: str) -> tuple[str, ...]:
    """Split a reply at its commas, not at those inside quotes or parentheses. Empty fields at the end are dropped."""
    body, position, fields = line.strip(ENDS), 0, []
    if _APART.search(body) is None:
        alone = body.strip()
        return (alone,) if alone else ()
    while position < len(body):
        match = _FIELD.match(body, position)
        if match is None or match.end() == position:
            # Quotes that never close, or text around quotes: the rest is one field, as it came.
            fields.append(body[position:].strip())
            break
        fields.append(match.group(1).strip())
        position = match.end()
    while fields and not fields[-1]:
        fields.pop()
    return tuple(fields)


def read_string(line: str) -> str | None:
    """Read one quoted string (IEEE 488.2 8.7.8, from memory: doubled quotes stand for one); None if it is none."""
    match = _STRING.fullmatch(line.strip(ENDS))
    if match is None:
        return None
    double, single = match.groups()
    return double.replace('""', '"') if double is not None else single.replace("''", "'")


def read_block(line: str) -> str | None:
    """Read the data of a block: `#` digit count data, or `#0` data newline; None if it is cut short or no block.

    After a definite block nothing but an end of line may follow.
    """
    start = line.find("#")
    if start < 0 or line[:start].strip(ENDS):
        return None
    head = line[start + 1 : start + 2]
    if head == "0":
        data = line[start + 2 :]
        return data[:-1].removesuffix("\r") if data.endswith("\n") else data
    if not (head.isascii() and head.isdigit()):
        return None
    begin = start + 2 + int(head)
    count = line[start + 2 : begin]
    if len(count) != int(head) or not (count.isascii() and count.isdigit()):
        return None
    data, rest = line[begin : begin + int(count)], line[begin + int(count) :]
    return data if len(data) == int(count) and not rest.strip(ENDS) else None
