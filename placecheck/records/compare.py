"""Compare: what changed between two records of one order, such as pinned and stitched.

For every measure both have: the change and its expanded uncertainty, the root of the sum
of squares of the two. The two photos share the card, the block and the tape, whose errors
partly cancel in a difference, so this is an upper bound, and a change that exceeds it is
real with at least 95 % confidence; a smaller one is called no change that the photos can show. Sides are
the wearer's. A measure that one of the two lacks is listed as not comparable.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from placecheck.answer import MEASURE_BY_NAME
from placecheck.records.model import Reading, Record


@dataclass(frozen=True)
class Change:
    """One measure in two records; change and U95 are None where one of them lacks it."""

    name: str
    label: str
    unit: str
    before: Reading | None
    after: Reading | None
    change: float | None
    U95: float | None

    @property
    def moved(self) -> bool | None:
        """Whether the change is larger than its uncertainty; None where it is not known."""
        return None if self.change is None or self.U95 is None else abs(self.change) > self.U95


def compare(before: Record, after: Record) -> list[Change]:
    """Changes of all measures that at least one of the records has, in the order of the answer."""
    labels = {name: (spec.label, spec.unit) for name, spec in MEASURE_BY_NAME.items()}
    names = [n for n in labels if n in before.readings or n in after.readings]
    names += sorted((set(before.readings) | set(after.readings)) - set(labels))
    found = []
    for name in names:
        a, b = before.readings.get(name), after.readings.get(name)
        label, unit = labels.get(name, (name.replace("_", " "), (a or b).unit if a or b else ""))  # type: ignore[union-attr]
        if a is None or b is None:
            found.append(Change(name, label, unit, a, b, None, None))
        else:
            found.append(Change(name, label, unit, a, b, b.value - a.value, math.hypot(a.U95, b.U95)))
    return found
