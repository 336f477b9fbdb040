"""`placecheck check --same-block`: two or more photos of one pinned block in, one verdict out.

The options are those of `check`, read there; this module calls the set's own check, prints its
one answer (JSON: the same object as for one photo, with the list of photos), writes one picture
for every photo into the overlay's folder, and keeps every photo, or none. A record holds one photo:
the first is kept with the answer of the set and its picture, each of the others, before it, with its
own answer, as a part of the set that is no check by itself.
"""

from __future__ import annotations

import json
import sys
import tempfile
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from placecheck.commands.picture_names import pictures_in

if TYPE_CHECKING:
    from placecheck.commands.filed_under import Names
    from placecheck.request import CheckRequest
    from placecheck.same_block.several import CheckedSet


def refuse_options(stage: str, marks: Path | None, explain: Path | None) -> None:
    """Raises UsageProblem for options that mean nothing for a set of photos."""
    from placecheck.errors import UsageProblem

    if stage != "pinned":
        raise UsageProblem(
            "same-block-stage",
            "--same-block measures the pinned closure: leave --stage out, or check the photos singly.",
        )
    if marks is not None:
        raise UsageProblem(
            "marks-several", "A marks file belongs to one photo: check the photos one at a time with it."
        )
    if explain is not None:
        raise UsageProblem(
            "same-block-explain", "--explain shows the steps of one photo: check the photos singly to see them."
        )


def check_same_block(
    photos: list[Path], request: CheckRequest, names: Names | None, as_json: bool, overlay: Path | None, budget: bool
) -> int:
    """Check the set, print and keep its answer; the exit status. `names` None keeps it out of the records."""
    from placecheck.printout import was_checked
    from placecheck.same_block.several import check_together

    with tempfile.TemporaryDirectory(prefix="placecheck-") as scratch:
        pictures = dict(zip(photos, pictures_in(photos, overlay), strict=True)) if overlay is not None else {}
        if names is not None:  # the record keeps the first photo's picture
            pictures.setdefault(photos[0], Path(scratch) / "first.jpg")
        checked = check_together(photos, request, pictures, alone=names is not None)
        if names is not None and was_checked(checked.answer):  # first, since whoever reads the answer may stop reading
            _save(checked, request, names, pictures[photos[0]])
        _report(checked, as_json, budget, overlay is not None)
    return checked.answer.exit_status


def _report(checked: CheckedSet, as_json: bool, budget: bool, pictures: bool) -> None:
    """The answer on standard output, notes on standard error."""
    if as_json:
        print(json.dumps(checked.as_json(), ensure_ascii=False, indent=1), flush=True)
    else:
        from placecheck.printout import print_answer, print_budget
        from placecheck.terminal import console

        drawn = console()
        title = f"{', '.join(share.path.name for share in checked.shares)} together"
        print_answer(drawn, checked.answer, title, len(checked.shares))
        if budget:
            print_budget(drawn, checked.answer)
    from placecheck.errors import one_line

    for note in checked.notes if pictures else ():
        print(f"placecheck: {one_line(note)}", file=sys.stderr)


def _save(checked: CheckedSet, request: CheckRequest, names: Names, picture: Path) -> None:
    """Keep all photos or none, the set's answer with the first; a failure is one sentence, never the verdict."""
    try:
        from placecheck.records.model import PART, NewRecord
        from placecheck.records.request_json import to_json
        from placecheck.records.saving import new_record
        from placecheck.records.store import open_store
        from placecheck.request import OtherPhoto

        with open_store() as store:
            new = partial(new_record, store, order=names.order, client=names.client, maker=names.maker)
            parts = [
                new(
                    share.path,
                    share.alone.as_json(),
                    to_json(request),
                    profile=share.alone.measured.camera_profile,
                    origin=PART,
                    checked_sha256=share.sha256,
                )
                for share in checked.shares[1:]
                if share.alone is not None
            ]
            first = new(
                checked.shares[0].path,
                checked.as_json(),
                to_json(request),
                picture.read_bytes() if picture in checked.drawn else None,
                profile=checked.answer.measured.camera_profile,
                checked_sha256=checked.shares[0].sha256,
            )

            def whole(numbers: list[int]) -> NewRecord:
                return replace(first, request=to_json(replace(request, others=tuple(map(OtherPhoto, numbers)))))

            store.add_set(parts, whole)
    except Exception as error:
        what = str(error).split("\n", 1)[0] or type(error).__name__
        print(f"placecheck: This check was not saved to the records: {what}", file=sys.stderr)
