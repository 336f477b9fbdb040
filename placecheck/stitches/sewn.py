"""The stitches of a close-up as they travel to the answer, the picture and the record.

Stitches stand in order from the photo's left, or from its top where the seam is more upright than
level, so that "the 7th" means the same to whoever counts along the seam and to the program. A
spacing belongs to the stitch before it. Its kind says what it is to the maker: `over` the limit or
`under` it, where that is proven by the measure of the row's largest or smallest spacing and its
guard band, so that kinds and verdict say the same; `unsure`, beyond the limit but not proven, or
the one that leaves such a measure unsure; `crowded` (under half the median) and `wide` (more than
1.6 times it), out of the row's own rhythm but within the limits; else `even`. Nothing here imports
anything slow.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sewn:
    """n stitches and their n - 1 spacings. `begin` is "left" or "top"; `certainty` 0..1 that it is a stitch.

    px (x, y) of each stitch's middle in the upright photo; along_mm from the first stitch; spacing_mm with U95_mm;
    u_count the standard uncertainty of the number of stitches; line_px the lace's edge as it was found.
    """

    px: tuple[tuple[float, float], ...]
    along_mm: tuple[float, ...]
    certainty: tuple[float, ...]
    spacing_mm: tuple[float, ...]
    U95_mm: tuple[float, ...]
    kinds: tuple[str, ...]
    begin: str
    u_count: float
    line_px: tuple[tuple[float, float], ...] = ()

    @property
    def counted(self) -> str:
        """How much of the seam the row is: what lies beyond its ends was not looked at."""
        return f"{len(self.px)} stitches, along {abs(self.along_mm[-1] - self.along_mm[0]):.0f} mm"

    def as_json(self) -> dict[str, object]:
        """The entries that the answer of this stage has beside the others."""
        return {
            "stitches": [
                {"px": [round(x, 2), round(y, 2)], "along_mm": round(at, 3), "certainty": round(p, 3)}
                for (x, y), at, p in zip(self.px, self.along_mm, self.certainty, strict=True)
            ],
            "spacings": [
                {"mm": round(mm, 3), "U95": round(u, 3), "kind": kind}
                for mm, u, kind in zip(self.spacing_mm, self.U95_mm, self.kinds, strict=True)
            ],
            "counted_from": self.begin,
            "U95_count": round(2 * self.u_count, 2),
        }
