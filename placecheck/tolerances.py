"""The limits a placement is judged against, and how sure one wants to be.

Defaults are those of common trade practice (no published source): the fold within 3 mm
of the cap's centre line and 2 degrees of its direction, the hairline 6 to 13 mm in front
of the cap's rim, aimed at 10, about the head of a T-pin, the corners even within 6 mm. A
shop sets its own in a TOML file, any part of them. The decision rule is JCGM 106:2012's:
a limit is moved inward by the guard band g = k u before a value counts as inside, and
outward before it counts as outside; k follows from the risk one takes at the limit
(5 %, so k = 1.645, ISO 14253-1's default, from memory) or is set outright (2 for the
whole U95 of ILAC-G8, 0 for simple acceptance). Every fault in the file is one sentence.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from statistics import NormalDist

from placecheck.errors import UsageProblem
from placecheck.whole_files import read_small

CLEARANCES = ("clearance_centre_mm", "clearance_left_mm", "clearance_right_mm")
ASYMMETRIES = ("front_corner_asymmetry_mm", "back_corner_asymmetry_mm")
STITCH_SPACINGS = ("stitch_spacing_mean_mm", "stitch_spacing_smallest_mm", "stitch_spacing_largest_mm")
"""From a hole that does not tear the lace beside the next one to a T-pin's head, 10 mm (common practice)."""
DEFAULT_LIMITS: Mapping[str, tuple[float, float]] = {
    "offset_mm": (-3.0, 3.0),
    "skew_deg": (-2.0, 2.0),
    **dict.fromkeys(CLEARANCES, (6.0, 13.0)),
    **dict.fromkeys(ASYMMETRIES, (-6.0, 6.0)),
}
STAGE_LIMITS: Mapping[str, tuple[float, float]] = {
    "cap_shift_mm": (-3.0, 3.0),
    "cap_turn_deg": (-2.0, 2.0),
    "back_seams_mm": (-6.0, 6.0),
    "temple_rim_mm": (-6.0, 6.0),
    **dict.fromkeys(STITCH_SPACINGS, (2.0, 10.0)),
}
"""Limits of what other stages of the job measure; those of the closure itself are in DEFAULT_LIMITS."""
GROUPS: Mapping[str, tuple[str, ...]] = {
    "clearance_mm": CLEARANCES,
    "corner_asymmetry_mm": ASYMMETRIES,
    "stitch_spacing_mm": STITCH_SPACINGS,
}
"""Names that set several measures at once."""
WIDEST: Mapping[str, float] = {"skew_deg": 45.0, "cap_turn_deg": 45.0}
"""No limit may be larger than this; 100 mm for lengths."""
RISKS = (0.0001, 0.5)
"""The risks of a wrong "in" that can be asked for."""


def widest(name: str) -> float:
    """How large a limit of a measure may be, mm or degrees."""
    return WIDEST.get(name, 100.0)


@dataclass(frozen=True)
class Tolerances:
    """Limits (low, high) of every judged measure, the clearance aimed at, and the guard band as a multiple k of u.

    `risk` is the probability of a wrong "in" that is taken at the limit, 1 - Phi(k). `stage_limits` are those of the
    measures of other stages than the closure's.
    """

    limits: Mapping[str, tuple[float, float]] = field(default_factory=lambda: dict(DEFAULT_LIMITS))
    clearance_aim_mm: float = 10.0
    guard_factor: float = NormalDist().inv_cdf(0.95)
    stage_limits: Mapping[str, tuple[float, float]] = field(default_factory=lambda: dict(STAGE_LIMITS))

    @property
    def risk(self) -> float:
        return 1.0 - NormalDist().cdf(self.guard_factor)

    @property
    def clearance_limits_mm(self) -> tuple[float, float]:
        """What the three clearances' limits have in common: where the hairline may lie all along."""
        pairs = [self.limits[name] for name in CLEARANCES]
        return max(low for low, _ in pairs), min(high for _, high in pairs)

    def limits_of(self, name: str) -> tuple[float, float]:
        """The limits of a judged measure of any stage."""
        return self.limits[name] if name in self.limits else self.stage_limits[name]


DEFAULTS = Tolerances()
AIM_INSIDE = 0.25
"""What is aimed at lies this share of the limits' width inside them: brought onto a limit, nothing is ever told in."""


def aim_within(low: float, high: float, wanted: float = 0.0) -> float:
    """What advice brings a measure to: `wanted` where it lies well inside the limits, else their middle."""
    room = AIM_INSIDE * (high - low)
    return wanted if low + room <= wanted <= high - room else (low + high) / 2


def _wrong(where: str, what: str) -> UsageProblem:
    return UsageProblem("tolerances-wrong", f"In {where}, {what}")


def _number(value: object) -> float | None:
    """A finite TOML number as float, else None (true and false are no numbers)."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not abs(value) < 1e6:
        return None
    return float(value)


def _limits(name: str, value: object, where: str) -> tuple[float, float]:
    pair = [_number(v) for v in value] if isinstance(value, list) else []
    if len(pair) != 2 or pair[0] is None or pair[1] is None:
        raise _wrong(where, f"{name} must be two numbers, the lower and the upper limit, such as {name} = [-3, 3].")
    low, high = pair[0], pair[1]
    if low >= high:
        raise _wrong(where, f"{name} = [{low:g}, {high:g}] is the wrong way round: the lower limit comes first.")
    if max(abs(low), abs(high)) > widest(name):
        unit = name.rsplit("_", 1)[1]
        raise _wrong(where, f"{name} = [{low:g}, {high:g}] is wider than any closure: at most {widest(name):g} {unit}.")
    return low, high


def _table(data: Mapping[str, object], key: str, where: str) -> Mapping[str, object]:
    table = data.get(key, {})
    if not isinstance(table, dict):
        raise _wrong(where, f"{key} must be a table: start it with a line [{key}].")
    return table


def _refuse_unknown(found: Mapping[str, object], known: tuple[str, ...], place: str, where: str) -> None:
    unknown = sorted(set(found) - set(known))
    if unknown:
        raise _wrong(where, f"{place} has no entry “{unknown[0]}”: it knows {', '.join(known)}.")


def tolerances_from(data: Mapping[str, object], where: str = "the tolerances") -> Tolerances:
    """Tolerances from parsed TOML with the tables [tolerances], [aim], [decision]; what is not set keeps its default.

    A measure named by itself outranks its group (clearance_mm, corner_asymmetry_mm), in whatever order they stand.
    Raises UsageProblem with one sentence that starts with `where`.
    """
    limits, others = dict(DEFAULT_LIMITS), dict(STAGE_LIMITS)
    given = _table(data, "tolerances", where)
    _refuse_unknown(given, (*DEFAULT_LIMITS, *GROUPS, *STAGE_LIMITS), "[tolerances]", where)
    for name, value in sorted(given.items(), key=lambda item: item[0] not in GROUPS):
        pair = _limits(name, value, where)
        names = GROUPS.get(name, (name,))
        (others if names[0] in others else limits).update(dict.fromkeys(names, pair))

    aim_table = _table(data, "aim", where)
    _refuse_unknown(aim_table, ("clearance_mm",), "[aim]", where)
    lowest, highest = max(CLEARANCES, key=lambda n: limits[n][0]), min(CLEARANCES, key=lambda n: limits[n][1])
    low, high = limits[lowest][0], limits[highest][1]
    if low > high:
        pairs = (f"{name} = [{limits[name][0]:g}, {limits[name][1]:g}]" for name in (highest, lowest))
        raise _wrong(
            where,
            f"{' and '.join(pairs)} have nothing in common to aim at, and what is not set keeps its usual limits: set "
            "clearance_mm for all three, or the other clearances, too.",
        )
    aim = _number(aim_table.get("clearance_mm", DEFAULTS.clearance_aim_mm))
    if "clearance_mm" not in aim_table:
        aim = aim_within(low, high, DEFAULTS.clearance_aim_mm)
    if aim is None or not low <= aim <= high:
        raise _wrong(where, f"[aim] clearance_mm must be a number inside its own limits, {low:g} to {high:g} mm.")

    decision = _table(data, "decision", where)
    _refuse_unknown(decision, ("risk", "guard_factor"), "[decision]", where)
    if "risk" in decision and "guard_factor" in decision:
        raise _wrong(where, "[decision] sets both risk and guard_factor, which say the same thing: keep one.")
    k = DEFAULTS.guard_factor
    if "risk" in decision:
        risk = _number(decision["risk"])
        if risk is None or not RISKS[0] <= risk <= RISKS[1]:
            raise _wrong(where, "[decision] risk must be a probability from 0.0001 to 0.5, such as 0.05 for 5 %.")
        k = NormalDist().inv_cdf(1.0 - risk)
    elif "guard_factor" in decision:
        factor = _number(decision["guard_factor"])
        if factor is None or not 0.0 <= factor <= 4.0:
            raise _wrong(where, "[decision] guard_factor must be a number from 0 to 4 (2 is the whole U95).")
        k = factor
    return Tolerances(limits, aim, k, others)


def read_toml(path: Path, what: str) -> dict[str, object]:
    """The parsed TOML file, for `what` it is ("the tolerances file"). Raises UsageProblem with one sentence."""
    try:
        return tomllib.loads(read_small(path).decode("utf-8-sig"))
    except FileNotFoundError:
        raise UsageProblem("file-missing", f"There is no {what} at {path}: check the name.") from None
    except OSError as error:
        raise UsageProblem("file-unreadable", f"The {what} {path} cannot be read: {error.strerror}.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        at = re.search(r"line (\d+)", str(error))
        where = f" in line {at[1]}" if at else ""
        raise UsageProblem(
            "file-not-toml",
            f'The {what} {path} is not valid TOML{where}: write a text in straight quotes, as closure = "5x5", limits '
            "as offset_mm = [-3, 3], each on a line of its own below its [table].",
        ) from None


def load_tolerances(path: Path) -> Tolerances:
    """A shop's own tolerances from a TOML file; it may hold the tables [tolerances], [aim] and [decision]."""
    data = read_toml(path, "tolerances file")
    _refuse_unknown(data, ("tolerances", "aim", "decision"), "the file", str(path))
    return tolerances_from(data, str(path))
