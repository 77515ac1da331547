"""An operation that a step needs and a dialect lacks is found before power, with the step's line."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bringup.core.bench import Bench, MeterRole, SupplyRole
from bringup.core.dialect import Dialect, Variant
from bringup.core.models import as_model
from bringup.core.needs import lacking, powered_together
from bringup.core.procedure import Apply
from bringup.core.safety import examine
from bringup.errors import BenchError
from bringup.files.dialect_file import find_dialect
from bringup.runner.scpi_supply import ScpiSupply
from tests.fakes import FIRST_POWER_ON as DEMO
from tests.fakes import simulated_bench, the_procedure

SUPPLY = find_dialect("select-by-number", ".")
METER = find_dialect("configure-and-read", ".")


def bench(supply: Dialect = SUPPLY, meter: Dialect = METER, *, remote: bool = False) -> Bench:
    return Bench(
        "test",
        SupplyRole("TCPIP0::192.0.2.10::5025::SOCKET", supply.name, {"VIN": 1}, remote_sense=remote),
        MeterRole("TCPIP0::192.0.2.11::5025::SOCKET", meter.name),
        probing_by_hand=False,
        dialects={"supply": supply, "meter": meter},
    )


def without(dialect: Dialect, *names: str) -> Dialect:
    return replace(dialect, operations={key: one for key, one in dialect.operations.items() if key not in names})


def test_a_dialect_with_everything_lacks_nothing() -> None:
    assert list(lacking(the_procedure(DEMO), bench(), bench().dialects)) == []


@pytest.mark.parametrize("name", ["set_voltage", "set_current_limit", "switch", "measure_voltage", "measure_current"])
def test_what_powering_needs_is_found_at_the_first_step_that_powers(name: str) -> None:
    procedure = the_procedure(DEMO)
    on = bench(without(SUPPLY, name))
    found = [each for each in examine(procedure, on) if name in each.message]

    assert len(found) == 1
    assert found[0].refused
    assert found[0].step is not None
    assert procedure.steps[found[0].step].line > 0
    assert f"needs '{name}', and the dialect select-by-number has no word for it" in found[0].message


def test_remote_sense_that_the_bench_file_asks_for_is_needed_by_the_steps_that_power() -> None:
    found = list(lacking(the_procedure(DEMO), bench(remote=True), {"supply": without(SUPPLY, "set_remote_sense")}))

    assert ["set_remote_sense" in each.message for each in found] == [True]
    assert list(lacking(the_procedure(DEMO), bench(remote=True), {"supply": SUPPLY})) == []
    unread = find_dialect("letter-and-number", ".")
    assert [
        "read back" in each.message
        for each in lacking(the_procedure(DEMO), bench(unread, remote=True), {"supply": unread})
    ] == [True]


def test_a_protection_that_a_step_states_is_needed_one_that_it_does_not_state_is_not() -> None:
    procedure = the_procedure(DEMO)
    bare = {"supply": without(SUPPLY, "set_over_voltage")}
    steps = tuple(
        replace(step, action=replace(step.action, over_voltage=step.action.then[-1]))
        if isinstance(step.action, Apply)
        else step
        for step in procedure.steps
    )

    stated = list(lacking(replace(procedure, steps=steps), bench(), bare))
    assert ["the step states `over_voltage`" in each.message for each in stated] == [True]


def test_a_meter_without_the_function_is_found() -> None:
    dumb = replace(METER, functions={})
    found = list(lacking(the_procedure(DEMO), bench(), {"meter": dumb}))

    assert found
    assert all("needs the function" in each.message for each in found)


def test_a_meter_whose_function_cannot_be_set_up_is_found() -> None:
    only_ohms = replace(METER.operations["configure"], functions=("ohms",))
    unset = replace(METER, operations={**METER.operations, "configure": only_ohms, "configure_auto": only_ohms})
    found = list(lacking(the_procedure(DEMO), bench(), {"meter": unset}))

    assert ["needs the set-up of the function 'dc volts'" in each.message for each in found] == [True]
    assert found[0].refused


def test_the_model_that_answers_is_examined_again_before_power() -> None:
    poor = replace(SUPPLY, variants=(Variant("SUPPLY-3", {"measure_current": None}),))
    assert "measure_current" not in as_model(poor, "BRINGUP SIMULATED,SUPPLY-3,1,1").operations
    made = simulated_bench()
    assert made.bench.supply is not None
    made.supply = ScpiSupply(made.bench.supply, poor, made.supply_link, monotonic=made.clock.monotonic)

    with pytest.raises(BenchError, match=r"\.yaml:\d+:\d+: `\w+` needs 'measure_current'"):
        made.run()
    assert not any(text.startswith(("VOLT ", "OUTP ")) for text in made.supply_link.sent)


def test_a_model_whose_one_switch_would_power_two_inputs_is_known_by_its_variant() -> None:
    procedure = the_procedure(DEMO)
    inputs = {name: number for number, name in enumerate((*procedure.board.inputs, "VIN2"), start=1)}
    board = replace(procedure.board, inputs={**procedure.board.inputs, "VIN2": procedure.board.inputs["VIN"]})
    two = replace(bench(), supply=SupplyRole("TCPIP0::192.0.2.10::5025::SOCKET", SUPPLY.name, inputs))
    twofold = replace(procedure, board=board)

    assert powered_together(twofold, two, SUPPLY) == ()
    assert powered_together(twofold, two, as_model(SUPPLY, "Agilent Technologies,E3646A,0,1")) == ("VIN", "VIN2")
    assert powered_together(procedure, two, as_model(SUPPLY, "Agilent Technologies,E3646A,0,1")) == ()


def test_an_attempt_with_such_a_model_is_refused_before_power() -> None:
    made = simulated_bench()
    role = made.bench.supply
    assert role is not None
    together = replace(SUPPLY, variants=(Variant("SUPPLY-3", {}, output_scope="all"),))
    board = replace(made.procedure.board, inputs={**made.procedure.board.inputs, "VIN2": made.board.inputs["VIN"]})
    made.procedure = replace(made.procedure, board=board)
    made.bench = replace(made.bench, supply=replace(role, outputs={"VIN": 1, "VIN2": 2}))
    assert made.bench.supply is not None
    made.supply = ScpiSupply(made.bench.supply, together, made.supply_link, monotonic=made.clock.monotonic)

    with pytest.raises(BenchError, match="gives outputs to VIN and VIN2: they would all be powered at once"):
        made.run()
    assert not any(text.startswith(("VOLT ", "OUTP ")) for text in made.supply_link.sent)
