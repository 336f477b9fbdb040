"""The shop's limits as the page shows and keeps them: the tables of settings.toml that judging reads.

The form's texts become a table that is first read by tolerances_from, the same that reads the
file, so that nothing can be kept that a check would refuse; then the file is written anew, its
other tables and the limits of what the form does not show unchanged, and put in place whole. What
stood there before, comments and all, stays as settings.toml.before. Only the little of TOML that
the settings use is written: tables of texts, numbers and pairs of numbers.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from placecheck.answer import JUDGED, MEASURE_BY_NAME
from placecheck.errors import UsageProblem
from placecheck.printout import UNIT_SIGN
from placecheck.settings import load_settings
from placecheck.steps import begun
from placecheck.tolerances import CLEARANCES, DEFAULTS, GROUPS, RISKS, read_toml, tolerances_from, widest
from placecheck.whole_files import write_whole


def shown(home: Path, texts: Mapping[str, str] | None = None) -> dict[str, Any]:
    """Limits, aim and risk as texts for the form, or its own `texts` again; and whether those kept are the defaults."""
    t, typed = load_settings(home).tolerances, texts or {}
    return {
        "limits": {
            name: tuple(
                typed.get(f"{name}_{end}", f"{limit:g}")
                for end, limit in zip(("low", "high"), t.limits[name], strict=True)
            )
            for name in JUDGED
        },
        "aim": typed.get("aim", f"{t.clearance_aim_mm:g}"),
        "risk": typed.get("risk", f"{100 * t.risk:.3g}"),
        "default": t == replace(DEFAULTS, stage_limits=t.stage_limits),
    }


def keep(home: Path, texts: Mapping[str, str]) -> None:
    """Keep limits from the form's texts; "defaults" in them goes back to the defaults. Raises UsageProblem."""
    path = home / "settings.toml"
    data = read_toml(path, "settings file") if path.exists() else {}
    there = data.get("tolerances")
    kept = there if isinstance(there, dict) else {}
    kept = {name: pair for name, pair in kept.items() if GROUPS.get(name, (name,))[0] not in JUDGED}
    for table in ("tolerances", "aim", "decision"):
        data.pop(table, None)
    if not texts.get("defaults"):
        asked = {name: _pair(texts, name) for name in JUDGED}
        kept = asked | kept
        data["aim"] = {"clearance_mm": _aim(texts, asked)}
        data["decision"] = {"risk": _risk(texts)}
    if kept:
        data["tolerances"] = kept
    tolerances_from(data, "the limits")
    try:
        home.mkdir(parents=True, exist_ok=True)
        if path.exists():
            write_whole(path.with_name("settings.toml.before"), path.read_bytes())
        write_whole(path, toml(data).encode())
    except OSError as error:
        raise UsageProblem(
            "cannot-save", f"The limits could not be kept ({error.strerror}): nothing changed."
        ) from None


def _pair(texts: Mapping[str, str], name: str) -> list[float]:
    """A measure's two limits, refused in the form's words."""
    spec = MEASURE_BY_NAME[name]
    label, sign, most = begun(spec.label), UNIT_SIGN[spec.unit], widest(name)
    low, high = (_number(texts.get(f"{name}_{end}", ""), label, "-3 or 6.5") for end in ("low", "high"))
    if low >= high:
        raise UsageProblem(
            "limits-order", f"{label}: {low:g} to {high:g}{sign} is the wrong way round. The lower limit comes first."
        )
    if max(abs(low), abs(high)) > most:
        raise UsageProblem(
            "limits-wide", f"{label}: {low:g} to {high:g}{sign} is wider than any closure. At most {most:g}{sign}."
        )
    return [low, high]


def _aim(texts: Mapping[str, str], asked: Mapping[str, list[float]]) -> float:
    aim = _number(texts.get("aim", ""), "Aim below the cap's edge", "10")
    low, high = max(asked[name][0] for name in CLEARANCES), min(asked[name][1] for name in CLEARANCES)
    if low > high:
        raise UsageProblem(
            "limits-apart",
            f"The hairline's limits have nothing in common to aim at: one begins at {low:g} mm, another ends at "
            f"{high:g}.",
        )
    if not low <= aim <= high:
        raise UsageProblem(
            "aim-outside",
            f"Aim below the cap's edge: {aim:g} mm lies outside the hairline's own limits, {low:g} to {high:g} mm.",
        )
    return aim


def _risk(texts: Mapping[str, str]) -> float:
    risk = _number(texts.get("risk", ""), "Risk of a wrong pass", "5") / 100
    low, high = RISKS
    if not low <= risk <= high:
        raise UsageProblem(
            "risk-beyond",
            f"Risk of a wrong pass: {100 * risk:g} % is not possible. Write {100 * low:g} to {100 * high:g} %.",
        )
    return risk


def _number(text: str, label: str, such: str) -> float:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageProblem("limit-unreadable", f"{label}: “{text.strip()}” is not a number. Write it as {such}.")
    return value


def toml(data: Mapping[str, Any]) -> str:
    """TOML text of tables of texts, numbers and pairs of numbers. Raises UsageProblem for anything else."""
    lines = []
    for name, table in data.items():
        if not isinstance(table, dict):
            raise UsageProblem("settings-wrong", "settings.toml holds something unknown: change it by hand.")
        lines.append(f"[{name}]")
        lines += [f"{key} = {_value(value)}" for key, value in table.items()]
        lines.append("")
    return "\n".join(lines)


def _value(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_value(v) for v in value)}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")  # else JSON's text is TOML's
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return repr(value)
    raise UsageProblem("settings-wrong", "settings.toml holds something unknown: change it by hand.")
