"""What a dialect can spell, by role, with what each operation means. A new operation is one line here."""

from __future__ import annotations

from collections.abc import Mapping

_EVERYBODY = {
    "identify": "asks who it is",
    "error": "asks for the oldest error of its queue, or of its first error register",
    "other_error": "asks for what a second error register holds",
}
_SELECT = {"select": "chooses the output that all the others then mean, sent before each of them"}
OPERATIONS: Mapping[str, Mapping[str, str]] = {
    "supply": {
        **_EVERYBODY,
        "set_voltage": "volts of an output",
        "set_current_limit": "its current limit in amperes",
        "set_over_voltage": "volts at which its over-voltage protection trips",
        "set_over_current": "amperes at which its over-current protection trips",
        "set_over_current_delay": "seconds for which it may be exceeded",
        "set_remote_sense": "on: it senses at the load; off: at its terminals",
        **_SELECT,
        "switch": "an output on or off",
        "master": "a general switch behind the outputs' own",
        "all_off": "off without regard to what is selected; sent for each output where {output} stands in it",
        "measure_voltage": "volts as it measures them",
        "measure_current": "amperes as it measures them",
        "mode": "what is held: voltage, current, unregulated, off",
        "over_voltage_state": "over-voltage protection on or off, where it has a switch",
        "over_current_state": "over-current protection on or off, where it has a switch",
        "tripped_over_voltage": "on: that protection has tripped",
        "tripped_over_current": "on: that protection has tripped",
        "clear_trip": "clears what has tripped",
        "set_watchdog": "seconds without a message after which it switches off",
        "watchdog_state": "that watchdog on or off",
        "refresh_watchdog": "the message that counts, where not every one does",
        "tripped_watchdog": "on: it has switched off",
    },
    "meter": {
        **_EVERYBODY,
        "configure": "sets {function} and {range}",
        "configure_auto": "sets {function}; it finds its range by itself",
        "configure_function": "sets a {function} that has no ranges",
        "two_wire": "sent after it for ohms",
        "four_wire": "sent after it for four-wire ohms",
        "integration": "time of one reading: {nplc} power-line cycles, or one of `speeds`",
        "auto_zero": "on",
        "high_impedance": "on: more than 10 GΩ at its input; off: 10 MΩ",
        "chosen_function": "asks which function it is set to",
        "read": "asks for a reading that was begun after the question",
    },
    "load": {
        **_EVERYBODY,
        "set_mode": "what it holds: {mode}",
        "set_current": "the level in amperes",
        "set_resistance": "the level in ohms",
        "set_power": "the level in watts",
        "set_voltage": "the level in volts",
        "set_current_range": "the range for it, set before it",
        "set_resistance_range": "the range for it, set before it",
        "set_power_range": "the range for it, set before it",
        "set_voltage_range": "the range for it, set before it",
        "set_stop_voltage": "volts below which it draws nothing",
        "set_remote_sense": "on: it senses at the rail; off: at its terminals",
        **_SELECT,
        "switch": "its input on or off",
        "all_off": "off without regard to what is selected; sent for each channel where {output} stands in it",
        "measure_voltage": "volts as it measures them",
        "measure_current": "amperes as it measures them",
        "measure_power": "watts as it measures them",
        "set_over_current": "amperes at which its protection trips",
        "over_current_state": "that protection on or off, where it has a switch",
        "set_over_power": "watts at which its protection trips",
        "over_power_state": "that protection on or off, where it has a switch",
        "tripped_over_voltage": "on: that protection has tripped",
        "tripped_over_current": "on: that protection has tripped",
        "tripped_over_power": "on: that protection has tripped",
        "tripped_over_temperature": "on: that protection has tripped",
        "tripped_reversed": "on: it found its leads reversed",
        "clear_trip": "clears what has tripped",
    },
    "scanner": {
        **_EVERYBODY,
        "close": "closes the {channels}",
        "open": "opens the {channels}",
        "open_all": "opens every channel",
        "channel_state": "asks which of the {channels} are closed",
        "closed_channels": "asks for the list of all that are closed",
        "settled": "on: every relay is at rest",
    },
    "scope": {
        **_EVERYBODY,
        "show_channel": "channel on or off",
        "set_coupling": "on: AC; off: DC",
        "set_bandwidth_limit": "on: 20 MHz",
        "set_probe": "by how much the probe attenuates",
        "set_scale": "volts for each division",
        "set_time_base": "seconds for each division",
        "set_sweep": "on: acquires without a trigger, too",
        "acquire": "begins one acquisition",
        "acquired": "on: it is done",
        "choose_peak_to_peak": "has it measure peak to peak, where that is not asked outright",
        "peak_to_peak": "asks for the volts from peak to peak",
        "screen_picture": "asks for a picture of its screen",
    },
}
NEEDED_OPERATIONS = {
    "supply": ("identify", "set_voltage", "set_current_limit", "switch", "measure_voltage", "measure_current"),
    "meter": ("identify", "read"),
    "scanner": ("identify", "close"),
    "scope": ("identify", "set_scale", "set_time_base", "acquire", "acquired", "peak_to_peak"),
    "load": ("identify", "set_mode", "switch", "measure_voltage", "measure_current"),
}
HOLES = {
    "{value}": "the number in volts, amperes, seconds and so on; `{value:.3f}` with three digits after its point",
    "{on}": "the word for on or off by `spelt`, `words`, else ON and OFF",
    "{output}": "the number of the output or channel; `{output:02d}` in two digits",
    "{name}": "its name by `output_names`",
    "{function}, {range}, {nplc}, {speed}": "of a meter",
    "{mode}": "of a load, by `modes`",
    "{channel}, {channels}": "of a scope, of a scanner",
}
"""What may stand in braces in the texts that are sent -> what becomes of it."""


def described() -> str:
    """Return operations and braces as Markdown."""
    lines = ["What may stand in braces in `send` and `query`:", ""]
    lines += [f"- `{hole}`: {meaning}" for hole, meaning in HOLES.items()]
    for role, operations in OPERATIONS.items():
        lines += ["", f"Operations of a {role}:", "", "| operation | what it does or asks |", "| --- | --- |"]
        needed = NEEDED_OPERATIONS[role]
        lines += [f"| `{name}`{' **needed**' * (name in needed)} | {text} |" for name, text in operations.items()]
    return "\n".join(lines)
