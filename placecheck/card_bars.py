"""The user's own cards: how long their two printed bars really are, measured once and kept.

The scale card's bars are 100 mm long, those of the small card for close-ups 50 mm; each card
has its own, as each was printed on its own. Printers stretch paper by some tenths of a percent,
differently across and down, and one that was told to fit the page to the paper by several
percent; the bars carry that into every length. What was measured is kept with its date in
card.json in the user's folder, the small card's under "small". Bars that no printer prints are
refused: more than 15 % off, or more than 2 % apart from one another (a slip of the ruler, or a
card that should be printed again). New bars never replace old ones unasked, and the old ones
stay in the file under "earlier".
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from placecheck.errors import Problem, UsageProblem
from placecheck.saved_files import read_json, write_json
from placecheck.settings import Settings, load_settings, said_in_settings
from placecheck.units import BAR_MM, BAR_RANGE_MM, SMALL_BAR_MM, parse_card_bars_mm

MAX_APART = 0.02
FIT_TO_PAGE = 0.01
"""A print further off than this was most likely scaled (A4 on Letter: 94.1 %, Letter on A4: 97.3 %)."""


@dataclass(frozen=True)
class CardBars:
    """Measured lengths of a card's bars, across and down, and the day they were entered (ISO 8601)."""

    x_mm: float
    y_mm: float
    date: str


def card_path(home: Path) -> Path:
    return home / "card.json"


def nominal_mm(small: bool = False) -> float:
    """How long the bars of the scale card, or of the small card, were designed to be."""
    return SMALL_BAR_MM if small else BAR_MM


def saved_bars_mm(home: Path, small: bool = False) -> tuple[float, float] | None:
    """The measured bars (across, down) in mm, None where none were entered. Raises UsageProblem for a damaged file."""
    bars = load_bars(home, small)
    return None if bars is None else (bars.x_mm, bars.y_mm)


def _in_settings(settings: Settings, small: bool) -> str:
    """The bars that the settings name, which outrank those entered; "" where none do: they are the scale card's."""
    return "" if small else settings.check.get("card_bars", "")


def bars_in_use(home: Path, settings: Settings, small: bool = False) -> tuple[float, float] | None:
    """A card's bars where no option names others: those in the settings, else those entered once; mm.

    Raises UsageProblem for bars there that are none, or a damaged file.
    """
    said = _in_settings(settings, small)
    if not said:
        return saved_bars_mm(home, small)
    with said_in_settings("card_bars"):
        return parse_bars(said)


def outranking(home: Path, small: bool = False) -> str:
    """That bars in the settings outrank those entered; "" where none do. Faults there are a check's to tell."""
    try:
        said = _in_settings(load_settings(home), small)
    except UsageProblem:
        return ""
    if not said:
        return ""
    return (
        f"Checks use card_bars = “{said}” of settings.toml, which outranks what is kept here: remove that line there "
        "if these are to count."
    )


def load_bars(home: Path, small: bool = False) -> CardBars | None:
    """The bars with their date, None where none were entered. Raises UsageProblem for a damaged file."""
    path = card_path(home)
    if not path.exists():
        return None
    data = read_json(path, "measured card")
    try:
        if data["schema"] != 1:
            raise ValueError("unknown schema")
        kept = data.get("small", {"bars_mm": None}) if small else data
        if kept["bars_mm"] is None and isinstance(kept.get("earlier", []), list):
            return None
        x, y = (float(bar) for bar in kept["bars_mm"])
        if not all(BAR_RANGE_MM[0] <= bar / nominal_mm(small) * 100 <= BAR_RANGE_MM[1] for bar in (x, y)):
            raise ValueError("no printed bars")
        if abs(x / y - 1) > MAX_APART or not isinstance(kept.get("earlier", []), list):
            raise ValueError("no printed bars, or no list of earlier ones")
        return CardBars(x, y, str(kept["date"]))
    except (KeyError, TypeError, ValueError):
        raise UsageProblem(
            "card-damaged", f"The measured card {path} is damaged: move it away and enter both bars again."
        ) from None


def parse_bars(text: str, small: bool = False) -> tuple[float, float]:
    """Two measured bars, `99.2x99.5`. Raises UsageProblem for what no printer prints."""
    x, y = parse_card_bars_mm(text, nominal_mm(small))
    if abs(x / y - 1) > MAX_APART:
        raise UsageProblem(
            "card-bars-apart",
            f"The bars of {x:g} and {y:g} mm are {abs(x / y - 1):.0%} apart, and a printer errs far less: measure both "
            "again, and if that is what they are, print the card again.",
        )
    return x, y


def warnings_for(x_mm: float, y_mm: float, small: bool = False) -> tuple[Problem, ...]:
    """What is odd about measured bars that can still be used."""
    x, y = x_mm / nominal_mm(small), y_mm / nominal_mm(small)
    if max(abs(x - 1), abs(y - 1)) <= FIT_TO_PAGE:
        return ()
    return (
        Problem(
            "card-bars-scaled",
            f"The card was printed at {100 * (x + y) / 2:.1f} % of its size, perhaps “fit to page”: the check corrects "
            "for it, but a card printed at 100 % is better.",
        ),
    )


def save_bars(
    home: Path, x_mm: float, y_mm: float, replace: bool = False, date: str | None = None, small: bool = False
) -> Path:
    """Keep measured bars; earlier ones stay in the file. Raises UsageProblem where others are kept already."""
    old = load_bars(home, small)
    if old is not None and not replace and (old.x_mm, old.y_mm) != (x_mm, y_mm):
        raise UsageProblem(
            "card-bars-exist",
            f"Bars of {old.x_mm:g} x {old.y_mm:g} mm are kept already, entered {old.date}: add --replace if this is "
            "another card.",
        )
    return _write(home, {"bars_mm": [x_mm, y_mm], "date": date or datetime.date.today().isoformat()}, small)


def forget_bars(home: Path, small: bool = False) -> bool:
    """Go back to the nominal card; False where no bars were kept. The forgotten ones stay in the file as earlier."""
    if load_bars(home, small) is None:
        return False
    _write(home, {"bars_mm": None, "date": datetime.date.today().isoformat()}, small)
    return True


def _write(home: Path, now: dict[str, Any], small: bool) -> Path:
    path = card_path(home)
    whole: dict[str, Any] = {"bars_mm": None, "date": None}
    if path.exists():
        whole = read_json(path, "measured card")
    old = whole.get("small", {}) if small else whole
    earlier = list(old.get("earlier", []))
    if old.get("bars_mm") is not None and old["bars_mm"] != now["bars_mm"]:
        earlier.append({"bars_mm": old["bars_mm"], "date": old.get("date")})
    now = {**now, "earlier": earlier}
    write_json(path, {"schema": 1, **whole, **({"small": now} if small else now)}, replace=True)
    return path
