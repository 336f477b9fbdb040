"""Where the pictures of photos that are checked in one call go: one name for each photo, never one for two.

One photo's picture has the name that was given, several photos' pictures lie in a folder under their
photos' names. Photos of two folders may share a name (phones number theirs from the start again),
and so may two kinds of file: as soon as any two do, all are numbered in the order they were named,
so that no picture is written over another. Nor is one written over a photo or another file that the
command reads, whatever way its name is spelled.
"""

from __future__ import annotations

import re
from pathlib import Path

from placecheck.whole_files import not_over

PICTURES = (".jpg", ".jpeg", ".png")
STAGE_PICTURE = re.compile(r"\d\d-[a-z\d-]+\.jpg")
"""What a picture of a stage is called (one_photo.Explainer)."""


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


def outputs(
    photos: list[Path], overlay: Path | None, explain: Path | None, read: list[Path | None]
) -> list[tuple[Path | None, Path | None]]:
    """Where each photo's overlay and the pictures of its stages go; `read` is what else the command reads.

    Raises UsageProblem for a name that cannot be.
    """
    from placecheck.errors import UsageProblem

    if len(photos) == 1:
        if overlay is not None and overlay.suffix.lower() not in PICTURES:
            raise UsageProblem("overlay-name", f"The picture {overlay} must end in .jpg or .png.")
        out = [(overlay, explain)]
    else:
        drawn = pictures_in(photos, overlay) if overlay else [None] * len(photos)
        stages = [explain / name for name in names_apart(photos)] if explain else [None] * len(photos)
        out = list(zip(drawn, stages, strict=True))
    inputs = [*photos, *(path for path in read if path is not None)]
    for picture, folder in out:
        if picture is not None:
            not_over(picture, inputs)
        for there in folder.glob("*.jpg") if folder is not None else ():
            if STAGE_PICTURE.fullmatch(there.name):
                not_over(there, inputs)
    return out
