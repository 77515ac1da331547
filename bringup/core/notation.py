"""How a person writes numbers with units: the characters, the terms and what is refused before anything is guessed.

Text in, terms with their places out; what a term is worth is core.quantity's matter, what a row of terms means is
core.limits'. Every refusal is a NotationError that names the place and the way out.
"""

from __future__ import annotations

import re

from bringup.core.frozen import frozen
from bringup.errors import NotationError

MAX_LENGTH = 120
"""Longest text that is looked at. The longest sensible limit takes about 40 characters."""
MAX_DIGITS = 24
"""Most digits of one number."""
MAX_EXPONENT = 18
"""Largest power of ten, either way, that is not a slip of the hand."""

# One character for one, so that offsets into the text stay true: minus sign, both ohm signs, both micro signs,
# the no-break and thin spaces that word processors put between number and unit.
_SAME = str.maketrans(
    {"\u2212": "-", "\u2126": "Ω", "\u03bc": "µ", "\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2007": " "}
)

_NUMBER = re.compile(r"([+-]?)([0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE]([+-]?[0-9]+))?")
# The signs beyond Latin-1 stand apart: a class that holds one takes twice as long to compile.
_UNIT = re.compile(r"[ ]*((?:[A-Za-zµ°%]++|Ω++|℃++)*+)")
_LETTER_CODE = re.compile(r"([0-9]*)([RKkMGT])([0-9]*)(?![A-Za-z0-9µ°%.])(?![Ω℃])")
# Compiled by who needs them: only what is refused is compared with these.
_SECOND_POINT = r"[0-9]+[A-Za-zµΩ]{1,4}[0-9]+"
_PLUS_MINUS = r"\+ ?- ?|- ?\+ ?|-/\+|\+\\-"
_TWO_ENDS = (
    r"\s*([+-]?[0-9]+(?:\.[0-9]+)?)\s*([A-Za-zµμΩ\u2126°℃%]*)(\s*)(?:([-\u2010-\u2015])|to|\.\.\.?|…)"
    r"(\s*)([+-]?[0-9]+(?:\.[0-9]+)?)\s*([A-Za-zµμΩ\u2126°℃%]+)\s*"
)
_NO_NUMBER = r"(?i:[+-]?(?:nan|inf(?:inity)?)(?![A-Za-z]))"


@frozen
class Term:
    """One number with its unit as written, and where it stands in the text.

    A term in letter code (IEC 60062) has `code` set: `digits` are then plain and `unit` is its letter.
    """

    offset: int
    end: int
    sign: str
    digits: str
    exponent: int
    unit: str
    unit_offset: int
    code: bool = False


def clean(text: object, what: str) -> str:
    """Return the text with every character in its one spelling; the same length. Raises NotationError.

    `what` says what is wanted, for the message: 'a quantity', 'limits'.
    """
    if not isinstance(text, str):
        shown = repr(text)[:40]
        raise NotationError(
            f"{shown} is {type(text).__name__}, where {what} with a unit is due",
            text=shown,
            what_to_do="Write it as text with its unit, such as 3.3 V.",
        )
    if len(text) > MAX_LENGTH:
        raise NotationError(
            f"{len(text)} characters are no {what.removeprefix('a ')}: {text[:30]!r}...",
            text=text[:MAX_LENGTH],
            what_to_do=f"At most {MAX_LENGTH} characters are read.",
        )
    plain = text.translate(_SAME)
    if not plain.strip():
        raise NotationError(
            f"nothing is written where {what} is due",
            text=text,
            what_to_do="Write a number with its unit, such as 3.3 V.",
        )
    _refuse_characters(plain, text)
    return plain


def skip_spaces(plain: str, position: int) -> int:
    """Return the next position that holds no space."""
    while position < len(plain) and plain[position] == " ":
        position += 1
    return position


def scan_term(plain: str, position: int, *, text: str, letter_code: bool) -> Term:
    """Read one number with its unit at `position` of a cleaned text. Raises NotationError.

    `letter_code`: whether a resistance may be written as 4k7, 0R1, 470R.
    """
    if letter_code and (code := _letter_code(plain, position)):
        return code
    number = _NUMBER.match(plain, position)
    if number is None:
        raise _no_number(plain, position, text)
    sign, digits, exponent_text = number.group(1), number.group(2), number.group(3) or "0"
    unit = _UNIT.match(plain, number.end())
    assert unit is not None, "the pattern matches nothing at all, too"
    term_end = unit.end() if unit.group(1) else number.end()
    follows = plain[term_end : term_end + 1]
    if follows.isalnum() or follows in {"_", "'"} or (follows == "." and not plain.startswith("..", term_end)):
        raise _run_on(plain, position, term_end, text)
    if len(digits) > MAX_DIGITS:
        raise NotationError(
            f"{len(digits)} digits in one number: {digits[:20]}...",
            text=text,
            offset=position,
            what_to_do=f"At most {MAX_DIGITS} digits are read.",
        )
    if len(exponent_text) > 4 or abs(int(exponent_text)) > MAX_EXPONENT:  # noqa: PLR2004 - sign and three digits
        raise NotationError(
            f"the exponent of {number.group(0)[:30]!r} is out of all proportion",
            text=text,
            offset=position,
            what_to_do=f"Powers of ten from -{MAX_EXPONENT} to {MAX_EXPONENT} are read.",
        )
    return Term(position, term_end, sign, digits, int(exponent_text), unit.group(1), unit.start(1))


def two_ends(text: object) -> str:
    """Return '9 V .. 15 V' for '9-15 V', '9 V to 15 V' and the like, to be suggested; '' for anything else.

    Where a dash may be a sign as well, nothing is suggested: '-5-5 V', '9 V -5 V'.
    """
    found = re.fullmatch(_TWO_ENDS, text) if isinstance(text, str) and len(text) <= MAX_LENGTH else None
    if found is None:
        return ""
    low, low_unit, before, dash, after, high, high_unit = found.groups()
    if dash and (low.startswith("-") or high[0] in "+-" or (before and not after)):
        return ""
    return f"{low} {low_unit or high_unit} .. {high} {high_unit}"


def _refuse_characters(plain: str, text: str) -> None:
    """Refuse what no notation holds: control characters, and the comma, which means two things."""
    if plain.isprintable() and "," not in plain:
        return
    for offset, character in enumerate(plain):
        if not character.isprintable():
            raise NotationError(
                f"a control character ({character!r}) stands in {text!r}",
                text=text,
                offset=offset,
                what_to_do="Take it out; between number and unit a plain space is enough.",
            )
        if character == ",":
            raise NotationError(
                f"a comma stands in {text!r}",
                text=text,
                offset=offset,
                what_to_do="Write a decimal point (1.5 V, not 1,5 V) and no separator between thousands.",
            )


def _letter_code(plain: str, position: int) -> Term | None:
    """Read 4k7, 4K7, 0R1, R47, 470R (IEC 60062, the letter standing for the decimal point and the multiplier)."""
    match = _LETTER_CODE.match(plain, position)
    if match is None or not (match.group(1) or match.group(3)):
        return None
    whole, letter, fraction = match.groups()
    if len(whole) + len(fraction) > MAX_DIGITS:
        return None
    digits = f"{whole or '0'}.{fraction}" if fraction else whole
    return Term(position, match.end(), "", digits, 0, letter, match.start(2), code=True)


def _no_number(plain: str, position: int, text: str) -> NotationError:
    rest = plain[position:]
    if odd := re.match(_PLUS_MINUS, rest):
        return NotationError(
            f"{odd.group().strip()!r} is no sign of a tolerance in {text!r}",
            text=text,
            offset=position,
            what_to_do="Write ± or +/-: 3.3 V ± 2 %, 3.3 V +/- 2 %.",
        )
    if re.match(_NO_NUMBER, rest.lstrip()):
        return NotationError(
            f"{rest.split()[0]!r} is no value that a quantity can have",
            text=text,
            offset=position,
            what_to_do="Leave a limit out where there is none: < 50 mV has no lower one.",
        )
    if rest and (rest[0] in "+-") and rest[1:2] == " ":
        return NotationError(
            f"a space stands between sign and number in {text!r}",
            text=text,
            offset=position,
            what_to_do="Write the sign right before the number: -12 V.",
        )
    found = f"{rest[:20]!r} stands" if rest.strip() else "nothing stands"
    where = "" if rest == text else f" in {text!r}"
    return NotationError(
        f"{found} where a number is due{where}",
        text=text,
        offset=position,
        what_to_do="Write a number with its unit, such as 3.3 V.",
    )


def _run_on(plain: str, position: int, end: int, text: str) -> NotationError:
    second = re.match(_SECOND_POINT, plain[position:])
    if second:
        return NotationError(
            f"{second.group(0)!r} has a letter for its decimal point",
            text=text,
            offset=position,
            what_to_do="Write 3.3 V for 3V3; only resistances may be written like 4k7, where a resistance is due.",
        )
    return NotationError(
        f"{plain[end]!r} cannot follow {plain[position:end]!r} in {text!r}",
        text=text,
        offset=end,
        what_to_do="Write a number, a unit and nothing between them but a space, such as 3.3 V.",
    )
