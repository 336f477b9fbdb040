"""`placecheck study`: plan and analyse a repeatability and reproducibility study of your own bench.

`plan` prints the order sheet; `analyse` reads it back with typed values, with answers of
`placecheck check --json`, or with the photos themselves, and says per measure how much of
the tolerance the measuring takes. Reading is placecheck.study.readings', the mathematics
placecheck.study.anova's, the words and the picture verdict's and picture's.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from placecheck.errors import Problem
    from placecheck.request import CheckRequest
    from placecheck.settings import Settings
    from placecheck.study.anova import GaugeStudy
    from placecheck.study.readings import Line, Readings, Sheet


def register(app: typer.Typer) -> None:
    group = typer.Typer(no_args_is_help=True, help="Find out what your own bench can measure.")
    group.command("plan")(plan)
    group.command("analyse")(analyse)
    app.add_typer(group, name="study")


def plan(
    makers: Annotated[str, typer.Option(metavar="N|NAMES", help="Makers: a number, or names between commas.")] = "3",
    blocks: Annotated[str, typer.Option(metavar="N|NAMES", help="Pinned blocks: a number, or names.")] = "5",
    repeats: Annotated[int, typer.Option(min=1, max=50, help="How often each maker measures each block.")] = 3,
    measures: Annotated[
        str | None,
        typer.Option(metavar="NAMES", help="Columns to type values into, such as offset_mm,skew_deg (else: photos)."),
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Number that makes the same random order again.")] = None,
    file: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the sheet (CSV) here.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the file if it is there already.")] = False,
) -> None:
    """Print the sheet of a study: who measures which block when, in random order."""
    import secrets

    from placecheck.records.export import MARK
    from placecheck.study.plan import columns, make_plan, names, plan_csv

    seed = secrets.randbelow(1_000_000) if seed is None else seed
    lines = make_plan(names(makers, "maker"), names(blocks, "block"), repeats, seed)
    typed = columns(measures or "")
    text = plan_csv(lines, typed)
    if file is None:
        print(text, end="")
    else:
        _write(file, f"{MARK}{text}", force)
    how = "type the values into" if typed else "give each photo the name in"
    print(
        f"placecheck: {len(lines)} measurements, random order of seed {seed}: measure from top to bottom, do not look "
        f"at earlier readings, and {how} the last column{'s' if len(typed) > 1 else ''}.",
        file=sys.stderr,
    )


def analyse(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="The study's sheet (CSV): maker, block, repeat, ...")],
    answers: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Answers for the sheet's photos: JSON Lines of placecheck check --json."),
    ] = None,
    photos: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Check the sheet's photos in this folder now.")
    ] = None,
    measure: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Only this measure (may be given several times).")
    ] = None,
    tolerance: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=LOW:HIGH", help="A measure's limits, such as offset_mm=-3:3 (else the shop's)."),
    ] = None,
    limit: Annotated[float, typer.Option(metavar="MM", help="The tolerance, plus and minus, of the last line.")] = 3.0,
    pool_above: Annotated[
        float, typer.Option(min=0.0, max=1.0, help="Pool the interaction when its p is above this; 1 never pools.")
    ] = 0.25,
    svg: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the picture (SVG).")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the picture if it is there already.")] = False,
) -> None:
    """Analyse a study: what part of the tolerance your own measuring takes.

    By analysis of variance: repeatability, makers, categories, and whether the bench can judge its tolerance.
    """
    from placecheck.errors import UsageProblem
    from placecheck.study.anova import analyse as analyse_values
    from placecheck.study.readings import read_sheet
    from placecheck.study.verdict import bench_sentence
    from placecheck.whole_files import ending_in, free_path, not_over

    if answers is not None and photos is not None:
        raise UsageProblem("study-both", "Give either --answers or --photos, not both.")
    if not 0 < limit < 1000:
        raise UsageProblem("study-limit", f"A limit of {limit:g} mm makes no sense: give a positive length, such as 3.")
    if svg is not None:
        not_over(free_path(ending_in(svg, ".svg"), force), [path for path in (sheet, answers) if path is not None])
    limits = _limits(tolerance or [])
    read = read_sheet(sheet)
    readings, problems = _readings(read, answers, photos)
    wanted = set(measure or [r.measure for r in readings])
    unknown = sorted((wanted | set(tolerance_names(tolerance or []))) - {r.measure for r in readings})
    if unknown:
        raise UsageProblem(
            "study-measure",
            f"The study has no complete measure “{unknown[0]}”: it has {', '.join(r.measure for r in readings)}.",
        )
    studies = [
        analyse_values(
            r.values, r.measure, r.unit, read.makers, read.blocks, limits.get(r.measure), pool_above=pool_above
        )
        for r in readings
        if r.measure in wanted
    ]
    headline = bench_sentence(studies, limit)
    for problem in problems:
        print(f"placecheck: {problem.message}", file=sys.stderr)
    if as_json:
        _print_json(studies, headline)
    else:
        for study in studies:
            _print_study(study)
        if headline:
            print(headline)
    if svg is not None:
        from placecheck.study.picture import study_svg

        _write(svg, study_svg(studies, "What this bench can measure", headline), force)


def _readings(read: Sheet, answers: Path | None, photos: Path | None) -> tuple[list[Readings], list[Problem]]:
    """What the study rests on: answers that were given, photos that are checked now, or what the sheet itself says."""
    from placecheck.study.readings import answer_readings, read_answers, typed_readings

    if answers is not None:
        return answer_readings(read, read_answers(answers))
    if photos is not None:
        return answer_readings(read, _check_photos(read, photos))
    return typed_readings(read)


def tolerance_names(given: list[str]) -> list[str]:
    """The measures that --tolerance names."""
    return [text.partition("=")[0].strip() for text in given]


def _limits(given: list[str]) -> dict[str, tuple[float, float]]:
    """Limits by measure: the shop's own, replaced by those given. Raises UsageProblem."""
    from placecheck.errors import UsageProblem
    from placecheck.settings import load_settings

    own = load_settings().tolerances
    out = {**own.limits, **own.stage_limits}
    for text in given:
        name, _, pair = text.partition("=")
        low, _, high = pair.partition(":")
        try:
            limits = float(low.replace(",", ".")), float(high.replace(",", "."))
        except ValueError:
            limits = (0.0, 0.0)
        if not -1e6 < limits[0] < limits[1] < 1e6:
            raise UsageProblem(
                "study-tolerance",
                f"“{text}” is no tolerance: write the measure, its lower and its upper limit, such as offset_mm=-3:3.",
            )
        out[name.strip()] = limits
    return out


def _check_photos(sheet: Sheet, folder: Path) -> dict[str, dict[str, float | None]]:
    """Values of the sheet's photos, each checked as its line says; what a line says wrongly is refused before that."""
    from placecheck.card_bars import bars_in_use
    from placecheck.errors import UsageProblem
    from placecheck.one_photo import check_file
    from placecheck.settings import home, load_settings
    from placecheck.study.readings import photos_of, values_of

    pairs, settings = photos_of(sheet), load_settings()
    bars_mm = bars_in_use(home(), settings)
    requests = [_request(sheet, line, settings, bars_mm) for line, _ in pairs]
    for line, photo in pairs:
        if not (folder / photo).exists():
            raise UsageProblem(
                "study-photo",
                f"Line {line.number} of {sheet.path}: {folder / photo} does not exist: check the name and the folder.",
            )
    out: dict[str, dict[str, float | None]] = {}
    for count, ((_, photo), request) in enumerate(zip(pairs, requests, strict=True), 1):
        checked = check_file(folder / photo, request)
        print(f"placecheck: {count} of {len(pairs)}: {photo}", file=sys.stderr)
        if not checked.is_photo:
            raise UsageProblem("study-photo", checked.answer.problems[0].message)
        if not checked.answer.measured.estimates:
            print(f"placecheck: {photo}: {checked.answer.problems[0].message}", file=sys.stderr)
        out[Path(photo).name] = values_of(checked.answer.as_json())
    return out


def _request(sheet: Sheet, line: Line, settings: Settings, bars_mm: tuple[float, float] | None) -> CheckRequest:
    """What a line's photo is checked as, with its closure and block, or the settings'. Raises UsageProblem."""
    from placecheck.bare_block.saved import block_for, blocks_folder
    from placecheck.errors import UsageProblem
    from placecheck.request import CheckRequest
    from placecheck.settings import home
    from placecheck.units import parse_closure

    closure = line.fields.get("closure") or settings.check.get("closure")
    named, taped = (line.fields.get(column) for column in ("saved_block", "block_circumference"))
    try:
        known, around_mm = block_for(blocks_folder(home()), named, taped, settings.check)
        size = parse_closure(closure) if closure else None
    except UsageProblem as error:
        raise UsageProblem(error.problem.code, f"Line {line.number} of {sheet.path}: {error.problem.message}") from None
    if size is None or not around_mm:
        raise UsageProblem(
            "study-no-size",
            f"Line {line.number} of {sheet.path} needs the closure and the block: add the columns closure and "
            "block_circumference (with unit) or saved_block, or set them in settings.toml.",
        )
    return CheckRequest(
        closure=size,
        block_circumference_mm=around_mm,
        block=known,
        camera_name=settings.check.get("camera"),
        card_bars_mm=bars_mm,
    )


def _write(path: Path, text: str, force: bool) -> None:
    from placecheck.errors import UnusableFile
    from placecheck.whole_files import free_path, write_whole

    try:
        write_whole(free_path(path, force), text.encode(), 0o644)
    except OSError as error:
        raise UnusableFile(
            "file-unwritable", f"{path} cannot be written ({error.strerror}): name another file."
        ) from None


def _print_study(study: GaugeStudy) -> None:
    from placecheck.study.verdict import categories, cause, limits_words, sentence

    unit = f" {study.unit}" if study.unit else ""
    against = "" if study.tolerance is None else f", against {limits_words(*study.tolerance, study.unit)}"
    print(
        f"{study.measure}: {len(study.makers)} makers x {len(study.blocks)} blocks x {study.repeats} repeats{against}"
    )
    print(f"  {'':<26}{'s' + unit:>10}{'% tolerance':>13}{'% total':>10}")
    parts = [("repeatability (EV)", study.ev), ("reproducibility (AV)", study.av)]
    if not study.pooled:
        parts.append(("maker x block", study.interaction))
    parts += [("all measuring (GRR)", study.grr), ("between blocks (PV)", study.pv), ("total (TV)", study.tv)]
    for words, sd in parts:
        percent = study.percent_of_tolerance(sd)
        shown = "" if percent is None else f"{percent:.1f}"
        print(f"  {words:<26}{sd:>10.4g}{shown:>13}{study.percent_of_tv(sd):>10.1f}")
    how = "pooled with the repeats" if study.pooled else "kept"
    print(f"  maker x block: p = {study.p_interaction:.3f}, {how} (pooled above {study.pool_above:g})")
    print(f"  {sentence(study)}")
    why = cause(study)
    if why:
        print(f"  {why}")
    print(f"  {categories(study)}")
    print()


def _print_json(studies: list[GaugeStudy], headline: str | None) -> None:
    import json
    import math

    from placecheck.study.verdict import class_of, sentence

    def finite(x: float | None) -> float | None:
        return None if x is None or not math.isfinite(x) else round(x, 6)

    out = {
        "schema": 1,
        "bench": headline,
        "studies": {
            s.measure: {
                "unit": s.unit,
                "makers": list(s.makers),
                "blocks": list(s.blocks),
                "repeats": s.repeats,
                "tolerance": None if s.tolerance is None else list(s.tolerance),
                "EV": finite(s.ev),
                "AV": finite(s.av),
                "INT": finite(s.interaction),
                "GRR": finite(s.grr),
                "GRR_df": finite(s.grr_df),
                "GRR_upper95": finite(s.grr_upper),
                "PV": finite(s.pv),
                "TV": finite(s.tv),
                "percent_tolerance": finite(s.percent_of_tolerance(s.grr)),
                "percent_total": finite(s.percent_of_tv(s.grr)),
                "ndc": s.ndc,
                "interaction_p": finite(s.p_interaction),
                "pooled": s.pooled,
                "pooled_above": s.pool_above,
                "can_judge": None
                if s.tolerance is None or s.grr == 0
                else class_of(s.percent_of_tolerance(s.grr) or 0.0),
                "sentence": sentence(s),
                "table": [
                    {"source": r.source, "SS": finite(r.ss), "df": r.df, "F": finite(r.f), "p": finite(r.p)}
                    for r in s.table
                ],
            }
            for s in studies
        },
    }
    print(json.dumps(out, indent=1, ensure_ascii=False))
