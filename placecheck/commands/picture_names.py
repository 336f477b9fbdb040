"""Where the pictures of photos that are checked in one call go: one name for each photo, never one for two.

One photo's picture has the name that was given, several photos' pictures lie in a folder under their
photos' names. Photos of two folders may share a name (phones number theirs from the start again),
and so may two kinds of file: as soon as any two do, all are numbered in the order they were named,
so that no picture is written over another.
"""

from __future__ import annotations

from pathlib import Path

PICTURES = (".jpg", ".jpeg", ".png")


def names_apart(photos: list[Path]) -> list[str]:
    """A name for each photo, without ending: its own, numbered where not all differ (letters' case does not count)."""
    stems = [photo.stem for photo in photos]
    if len({stem.casefold() for stem in stems}) == len(stems):
        return stems
    return [f"{number}-{stem}" for number, stem in enumerate(stems, 1)]


def pictures_in(photos: list[Path], folder: Path) -> list[Path]:
    """Where each photo's picture goes. Raises UsageProblem where `folder` is the name of a picture."""
    from placecheck.errors import UsageProblem

    if folder.suffix.lower() in PICTURES:
        raise UsageProblem(
            "overlay-name", f"Several photos need a folder for their pictures: {folder} is the name of one picture."
        )
    return [folder / f"{name}-overlay.jpg" for name in names_apart(photos)]


def outputs(photos: list[Path], overlay: Path | None, explain: Path | None) -> list[tuple[Path | None, Path | None]]:
    """Where each photo's overlay and the pictures of its stages go. Raises UsageProblem for a name that cannot be."""
    from placecheck.errors import UsageProblem

    if len(photos) == 1:
        if overlay is not None and overlay.suffix.lower() not in PICTURES:
            raise UsageProblem("overlay-name", f"The picture {overlay} must end in .jpg or .png.")
        return [(overlay, explain)]
    drawn = pictures_in(photos, overlay) if overlay else [None] * len(photos)
    stages = [explain / name for name in names_apart(photos)] if explain else [None] * len(photos)
    return list(zip(drawn, stages, strict=True))
