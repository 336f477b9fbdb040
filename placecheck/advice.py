"""Advice: which pin to move, which way and how far, in an order that works, in bench words.

The closure is first moved as a whole: turned about the fold pin that is nearer the centre line, slid
sideways, then moved toward the face or the nape until the clearances come to their aim. Offset, skew and
corners are brought to zero, or to the middle of limits that a shop has set elsewhere. After
each move the readings are predicted (placement.py), what goes along with it is told, and only what
these moves leave beyond its limit is asked of a single pin: that is lace pulled out of shape. Left
and right are the wearer's, with the direction in the photo beside them (directions.py). Where nothing is
out, what is merely unsure gets no move (undecided.py); once the whole closure comes off, it goes along if it
reads beyond its limit. A fold that runs as it should is not turned for corners that a slide makes even.
A clearance that a soft tape contradicts is not moved, and for the others' sake the closure only once the tape was
laid again: they rest on one cap's edge. A move is written as
what to do, a colon, how (step; step), and what goes along in a sentence that begins "With it", so that a
page can set them apart. The order of moves and the cautions are common practice, no published source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from placecheck.answer import Judged, Measured, Pull
from placecheck.directions import WAY_WORDS, Way, in_the_photo
from placecheck.measure import station_mm
from placecheck.placement import Placement
from placecheck.request import CheckRequest
from placecheck.tolerances import AIM_INSIDE, ASYMMETRIES, CLEARANCES, Tolerances, aim_within
from placecheck.units import mm_and_inches

LEAST_MOVE_MM = 0.5
"""A pin cannot be set finer than this (common practice, no published source)."""
FAR_SIDEWAYS_MM = 3.0
CAUTION = (
    "Take the photo again before you stitch. Pins are sharp: press the lace down behind the pin, not in front of it, "
    "and park loose ones in a cushion."
)


class Moves:
    """The moves so far, one sentence each, and what the first one does at which landmark, for the picture."""

    def __init__(self) -> None:
        self.moves: list[str] = []
        self.pulls: tuple[Pull, ...] = ()

    def tell(self, move: str, *pulls: Pull) -> None:
        """One more move; the first one's pulls are drawn."""
        if not self.moves:
            self.pulls = pulls
        self.moves.append(move)


class Plan(Moves):
    """The moves so far and what the measures would read after them.

    `advanced_mm` is how far the whole closure is to go toward the face.
    """

    def __init__(self, measured: Measured, judged: Mapping[str, Judged], request: CheckRequest) -> None:
        super().__init__()
        self.judged = judged
        self.request = request
        self.limits: Mapping[str, tuple[float, float]] = request.tolerances.limits
        self.tolerances: Tolerances = request.tolerances
        self.findings = measured.findings
        self.widths = {
            end: measured.estimates[f"width_{end}_mm"].value
            for end in ("front", "back")
            if f"width_{end}_mm" in measured.estimates
        }
        now = Placement.of(measured, request.closure.length_mm)
        self.doubted = {name for name, estimate in measured.estimates.items() if estimate.contradicted}
        believed = {n: mm for n, mm in now.clearance.items() if self.is_out(n) or n not in self.doubted}
        self.now = replace(now, clearance=believed)
        self.was = self.now
        self.station = station_mm(request.closure.width_mm)
        self.advanced_mm = 0.0
        self.skew_aim_deg = self.aim("skew_deg")
        half = math.tan(math.radians(self.skew_aim_deg)) * request.closure.length_mm / 2
        self.fold_aim = {"front": self.aim("offset_mm") + half, "back": self.aim("offset_mm") - half}

    @property
    def fixes(self) -> tuple[str, ...]:
        """The moves, one sentence each, and the cautions; empty when nothing is out."""
        return (*self.moves, CAUTION) if self.is_out(*self.judged) else ()

    def is_out(self, *names: str) -> bool:
        """Whether any of these measures is proven outside its limits."""
        return any(name in self.judged and self.judged[name].state == "out" for name in names)

    def is_in(self, name: str) -> bool:
        return name in self.judged and self.judged[name].state == "in"

    @property
    def a_dent(self) -> bool:
        """Whether the hairline reads beyond its limits at one place alone."""
        beyond = [self.beyond(name, value) for name, value in self.now.clearance.items()]
        return beyond.count(True) == 1 < len(beyond)

    def to_mend(self, name: str, reads: float) -> bool:
        """Whether a measure of the fold is out, or reads beyond while the whole closure comes off for its hairline."""
        comes_off = self.is_out(*CLEARANCES) and not self.a_dent
        return self.is_out(name) or (comes_off and self.beyond(name, reads))

    def aim(self, name: str) -> float:
        """What a measure of sides is brought to, mm or degrees: zero, or the middle of limits set elsewhere."""
        return aim_within(*self.limits[name])

    def beyond(self, name: str, value: float) -> bool:
        """Whether a value would lie beyond the measure's limits."""
        low, high = self.limits[name]
        return not low <= value <= high

    def room(self, name: str, value: float) -> float:
        """How far inside the nearer limit a value lies; negative beyond."""
        low, high = self.limits[name]
        return min(value - low, high - value)

    def worth(self, move: float, *names: str) -> float:
        """`move` (mm) as a pin can be set: 0 where it is too small, but the least of all for the first that is out."""
        if abs(move) >= LEAST_MOVE_MM:
            return move
        return math.copysign(LEAST_MOVE_MM, move) if move and not self.moves and self.is_out(*names) else 0.0

    def way(self, way: Way) -> str:
        """A way in words, with where that is in the photo."""
        return WAY_WORDS[way] + in_the_photo(self.findings, way)

    def sideways(self, mm: float) -> str:
        """The wearer's right for positive mm, else the left, in words."""
        return self.way("right" if mm > 0 else "left")

    def fold_makes_even(self, name: str) -> bool:
        """Whether corners would be even if their end of the fold lay where it belongs, on the centre line."""
        end, reads = ("front", self.now.front) if name.startswith("front") else ("back", self.now.back)
        return reads is not None and not self.beyond(name, self.now.asymmetry[name] - 2 * (reads - self.fold_aim[end]))

    def only_follow(self, name: str) -> bool:
        """Whether uneven corners are unsure, were uneven before any move, and go with where the fold lies."""
        return not self.is_out(name) and self.beyond(name, self.was.asymmetry[name]) and self.fold_makes_even(name)

    def fold_explains_corners(self) -> bool:
        """Whether corners that are out would be even if the fold lay where it belongs."""
        return any(self.is_out(name) and self.fold_makes_even(name) for name in ASYMMETRIES)

    def slide_is_enough(self, offset: float) -> bool:
        """Whether the fold runs as it should, and a slide alone brings what hangs on it well inside its limits."""
        slid = self.now.slid(self.aim("offset_mm") - offset).asymmetry
        well = {name: AIM_INSIDE * (self.limits[name][1] - self.limits[name][0]) for name in slid}
        return self.is_in("skew_deg") and all(
            self.room(name, value) >= well[name] for name, value in slid.items() if self.fold_makes_even(name)
        )

    def swing_words(self) -> str:
        """What goes along when the closure is turned until its fold runs as it should."""
        now, then = (math.tan(math.radians(deg)) for deg in (self.now.skew_deg or 0.0, self.skew_aim_deg))
        tilt = self.station * (now - then)
        if abs(tilt) < LEAST_MOVE_MM or not self.now.clearance:
            return " With it the corners swing along."
        ahead, behind = ("right", "left") if tilt > 0 else ("left", "right")
        return (
            f" With it the hairline goes {mm_and_inches(tilt)} forward on the wearer's {ahead} and as far back on the "
            f"{behind}, and the corners swing along."
        )

    @staticmethod
    def runs_words(front: float, back: float) -> str:
        """How the fold runs, its ends being so far (mm) to the right of the centre line."""
        if abs(front - back) >= LEAST_MOVE_MM:
            side = "right" if front > back else "left"
            further = mm_and_inches(front - back)
            return f"the front of the fold lies {further} further to the wearer's {side} than its back"
        onto = "lies on" if abs(front + back) < 2 * LEAST_MOVE_MM else "runs along"
        return f"the fold {onto} the cap's centre line"

    def turn(self) -> None:
        """Undo the skew about the fold pin that is nearer to where it belongs."""
        now = self.now
        if now.front is None or now.back is None or now.skew_deg is None:
            return
        offset = (now.front + now.back) / 2
        comes_out = self.to_mend("offset_mm", offset) or self.fold_explains_corners()
        if not (self.to_mend("skew_deg", now.skew_deg) or (comes_out and not self.slide_is_enough(offset))):
            return
        along = self.swing_words()
        aim = self.fold_aim
        front, back = aim["front"] - now.front, aim["back"] - now.back  # how far each end has to go to the right
        if front * back < 0 and min(abs(front), abs(back)) >= 2 * LEAST_MOVE_MM:
            self.now = now.turned(self.station, aim["front"], aim["back"], self.skew_aim_deg)
            self.tell(
                "Turn the closure on the spot: lift both fold pins; bring the front of the fold "
                f"{mm_and_inches(front)} {self.sideways(front)}; bring the back of it "
                f"{mm_and_inches(back)} {self.sideways(back)}, until {self.runs_words(aim['front'], aim['back'])}."
                f"{along}",
                Pull("fold_front", front),
                Pull("fold_back", back),
            )
            return
        stays, swings, swing, slid = ("back", "front", front - back, -back)
        if abs(back) > abs(front):
            stays, swings, swing, slid = ("front", "back", back - front, -front)
        swing = self.worth(swing, "skew_deg")
        if not swing:
            return
        self.now = now.turned(self.station, aim["front"] + slid, aim["back"] + slid, self.skew_aim_deg)
        self.tell(
            f"Turn the closure: leave the {stays} fold pin in; lift the {swings} one and swing that end of the fold "
            f"{mm_and_inches(swing)} {self.sideways(swing)}, until "
            f"{self.runs_words(aim['front'] + slid, aim['back'] + slid)}.{along}",
            Pull(f"fold_{swings}", swing),
            Pull(f"fold_{stays}"),
        )

    def slide(self) -> None:
        """Bring the fold onto the centre line, or where limits that want it elsewhere have their middle."""
        now = self.now
        if now.front is None or now.back is None:
            return
        low, high = self.limits["offset_mm"]
        offset = (now.front + now.back) / 2
        move = self.aim("offset_mm") - offset
        if self.moves:
            needed = abs(move) > (high - low) / 6 or self.beyond("offset_mm", offset)
        else:
            needed = self.to_mend("offset_mm", offset) or self.fold_explains_corners()
        move = self.worth(move, "offset_mm")
        if not needed or not move:
            return
        self.now = now.slid(move)
        self.tell(
            f"Slide the whole closure {mm_and_inches(move)} {self.sideways(move)} without turning it: the two fold "
            "pins first, then the corners the same way. With it all four corners go as far.",
            *(Pull(end, move) for end in ("fold_front", "fold_back")),
        )

    def advance(self) -> None:
        """Bring the hairline to its distance from the cap's edge."""
        clearance = self.now.clearance
        if not clearance:
            return
        beyond = any(self.beyond(name, value) for name, value in clearance.items())
        if not (self.is_out(*CLEARANCES) or (self.moves and beyond)):
            return
        aim = self.tolerances.clearance_aim_mm
        values = sorted(clearance.values())

        def left_over(move: float) -> tuple[int, int, float]:
            """How many places stay beyond their limits after `move`, how many on one; then how far off the aim.

            Where some stay beyond, how far to move counts instead.
            """
            after = {name: value + move for name, value in clearance.items()}
            beyond = sum(self.beyond(*place) for place in after.items())
            if beyond:
                return beyond, 0, abs(move)
            on_limit = sum(self.room(name, mm) < min(LEAST_MOVE_MM, self.room(name, aim)) for name, mm in after.items())
            return 0, on_limit, max(abs(value + move - aim) for value in values)

        nearest = max(self.limits[name][0] - value for name, value in clearance.items())
        farthest = min(self.limits[name][1] - value for name, value in clearance.items())
        middle = [(nearest + farthest) / 2] if nearest <= farthest else []  # uneven, and an aim near a limit
        move = min((aim - (values[0] + values[-1]) / 2, aim - values[len(values) // 2], *middle, 0.0), key=left_over)
        move = self.worth(move, *CLEARANCES)
        if not move:
            return
        self.now = self.now.advanced(move)
        self.advanced_mm = move
        after = self.now.clearance
        at_fold = after.get("clearance_centre_mm")
        reads = (min(after.values()) + max(after.values())) / 2 if at_fold is None else at_fold
        lies = f"{mm_and_inches(reads)} {'in front of' if reads >= 0 else 'behind'} the cap's edge"
        first = "only once the tape, laid again, agrees with the photo; " if self.doubted else ""
        self.tell(
            f"Move the whole closure {mm_and_inches(move)} {self.way('face' if move > 0 else 'nape')}: {first}straight "
            f"along the centre line, so that the hairline lies about {lies}"
            f"{'' if at_fold is None else ' at the fold'}. With it the back edge and all four corners go as far.",
            *(Pull(corner, face_mm=move) for corner in ("front_left", "front_right") if not self.doubted),
        )

    def hairline_pins(self) -> None:
        """What the rigid moves leave of an uneven hairline.

        Not after a long way sideways: the cap's rim falls away toward the temples, so the side clearances are then
        read against another part of it and have to be seen again first.
        """
        if not (self.moves or self.is_out(*CLEARANCES)):
            return
        aim = self.tolerances.clearance_aim_mm
        places = {
            "clearance_centre_mm": "at the fold",
            "clearance_left_mm": f"at the place {mm_and_inches(self.station)} to the wearer's left of the fold",
            "clearance_right_mm": f"at the place {mm_and_inches(self.station)} to the wearer's right of the fold",
        }
        uneven = {
            name: move
            for name, value in self.now.clearance.items()
            if self.beyond(name, value) and (move := self.worth(aim - value, name))
        }
        if abs((self.now.front or 0.0) - (self.was.front or 0.0)) > FAR_SIDEWAYS_MM:
            if self.is_out(*uneven):
                self.tell(
                    "Leave what is still uneven in the hairline for the next photo: the fold goes so far sideways that "
                    "the hairline then lies in front of another part of the cap's edge."
                )
            return
        for name, move in uneven.items():
            self.tell(
                f"Ease the hairline {mm_and_inches(move)} {self.way('face' if move > 0 else 'nape')} {places[name]}: "
                "the lace is pulled out of shape there.",
                *([Pull("fold_front", face_mm=move)] if name == "clearance_centre_mm" else []),
            )

    def _share_of_wide(self, end: str, excess: float) -> float:
        """How much of a corner's unevenness is the wide corner's: all (1), none (0) or half, by the nominal width."""
        half, width = self.request.closure.width_mm / 2, self.widths.get(end)
        if width is None:
            return 0.5
        off_wide, off_narrow = abs((width + excess) / 2 - half), abs((width - excess) / 2 - half)
        return 1.0 if off_wide > 2 * off_narrow else 0.0 if off_narrow > 2 * off_wide else 0.5

    def corner_moves(self, name: str, off: float) -> tuple[float, float]:
        """How far the left and the right corner have to go to the wearer's right, their unevenness `off` its aim."""
        share = self._share_of_wide(name.split("_", 1)[0], abs(off))
        wide, narrow = -off * share, -off * (1.0 - share)
        return (narrow, wide) if off > 0 else (wide, narrow)

    def corner_pins(self) -> None:
        """What the rigid moves leave of uneven corners; which corner is off is told by the nominal width."""
        for name, value in self.now.asymmetry.items():
            end = name.split("_", 1)[0]
            reads = self.judged[name].estimate.value if name in self.judged else value
            if not self.beyond(name, value):
                if self.is_out(name) and self.moves:
                    even = abs(value) < 2 * LEAST_MOVE_MM
                    then = "about even" if even else f"uneven by about {mm_and_inches(value)}"
                    self.tell(
                        f"The {end} corners follow the fold: now uneven by {mm_and_inches(reads)}, they should then "
                        f"be {then}, so re-pin them last and do not stretch the lace."
                    )
                continue
            if self.only_follow(name) or not (self.moves or self.is_out(name)):
                continue
            off = self.worth(value - self.aim(name), name)
            if not off:
                continue
            wide, narrow = ("right", "left") if off > 0 else ("left", "right")
            excess = abs(off)
            share = self._share_of_wide(end, excess)
            pulls = zip((f"{end}_left", f"{end}_right"), self.corner_moves(name, off), strict=True)
            if share == 1.0:
                how = f"Bring the {end} {wide} corner {mm_and_inches(excess)} in toward the centre line"
            elif share == 0.0:
                how = f"Bring the {end} {narrow} corner {mm_and_inches(excess)} out, away from the centre line"
            else:
                how = (
                    f"Bring the {end} {wide} corner {mm_and_inches(excess / 2)} in toward the centre line and the "
                    f"{end} {narrow} corner as far out"
                )
            told: Way = "right" if (wide == "right") == (share > 0.0) else "left"  # the corner that is named first
            side = in_the_photo(self.findings, told).replace(" (", f" (wearer's {told}: ")
            self.tell(f"{how}{side}.", *(Pull(corner, mm) for corner, mm in pulls if mm))


def plan_for(measured: Measured, judged: Mapping[str, Judged], request: CheckRequest) -> Plan:
    """The moves that bring what is proven out back to its aim, in the order to do them; none where nothing is out."""
    plan = Plan(measured, judged, request)
    if plan.is_out(*judged):
        plan.turn()
        plan.slide()
        plan.advance()
        plan.hairline_pins()
        plan.corner_pins()
    return plan
