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

from placecheck.answer import JUDGED
from placecheck.errors import UsageProblem
from placecheck.settings import load_settings
from placecheck.tolerances import DEFAULTS, GROUPS, read_toml, tolerances_from
from placecheck.whole_files import write_whole


def shown(home: Path) -> dict[str, Any]:
    """Limits, aim and risk as texts for the form, and whether they are the defaults."""
    t = load_settings(home).tolerances
    return {
        "limits": {name: (f"{t.limits[name][0]:g}", f"{t.limits[name][1]:g}") for name in JUDGED},
        "aim": f"{t.clearance_aim_mm:g}",
        "risk": f"{100 * t.risk:.3g}",
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
        asked = {
            name: [_number(texts.get(f"{name}_low", "")), _number(texts.get(f"{name}_high", ""))] for name in JUDGED
        }
        kept = asked | kept
        data["aim"] = {"clearance_mm": _number(texts.get("aim", ""))}
        data["decision"] = {"risk": _number(texts.get("risk", "")) / 100}
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


def _number(text: str) -> float:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageProblem("limit-unreadable", f"“{text.strip()}” is not a number: write limits as -3 or 6.5.")
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
