"""What people call an output of a bench with several supplies. Its number there is unique over all of them."""

from __future__ import annotations

from collections.abc import Collection

from bringup.core.bench import FIRST_OUTPUTS


def words_of(output: int, supplies: Collection[str]) -> str:
    """Return 'output 1', or 'output 1 of the supply bias' where there are several. `supplies`: their names.

    What is added to the numbers of each follows the order of the names, so that it can be told from these alone.
    """
    place, own = divmod(output, FIRST_OUTPUTS)
    known = len(supplies) > 1 and place < len(supplies)
    return f"output {own} of the {sorted(supplies)[place]}" if known else f"output {output}"
