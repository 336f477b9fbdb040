"""`placecheck camera`: calibrate a phone once, keep its profile, see which profile a photo gets.

`add` calibrates from photos of the scale card and saves under a name; `guide` looks at the
photos taken so far and says which poses are missing, saving nothing; `list`, `show`, `match`
and `remove` look after what is saved. The measuring is placecheck.profiles.calibrate's and the
choosing placecheck.profiles.match's. Nothing saved is overwritten without --replace, and
what is removed is set aside, not erased.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from placecheck.profiles.views import Assessment

Photos = Annotated[list[Path], typer.Argument(metavar="PHOTO", help="Photos of the card alone, 8 or more.")]
Name = Annotated[str, typer.Argument(metavar="NAME", help="The profile's name.")]


def register(app: typer.Typer) -> None:
    group = typer.Typer(no_args_is_help=True, help="Calibrate a phone and keep its camera profile.")
    for name, command in (
        ("add", add),
        ("guide", guide),
        ("list", list_profiles),
        ("show", show),
        ("match", match),
        ("remove", remove),
    ):
        group.command(name)(command)
    app.add_typer(group, name="camera")


def add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A name for the profile, such as “shop phone”.")],
    photos: Photos,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite the profile of that name.")] = False,
) -> None:
    """Calibrate a phone from photos of the scale card.

    8 or more photos, the card in all parts of the picture, leaning to all four sides, some turned.
    """
    from placecheck.card_bars import bars_in_use
    from placecheck.profiles.calibrate import calibrate
    from placecheck.profiles.kept import PROFILES, profiles_folder
    from placecheck.profiles.views import assess
    from placecheck.settings import home, load_settings

    name = PROFILES.checked_name(name)
    folder = profiles_folder(home())
    PROFILES.refuse_taken(folder, name, replace)
    assessment = assess(photos, bars_in_use(home(), load_settings()))
    try:
        result = calibrate(assessment, name)
    except Exception:
        _print_photos(assessment)
        raise
    _print_photos(result.assessment)
    path = PROFILES.save(result.profile, folder, replace)
    profile = result.profile
    fx, fy = profile.values[:2]
    print(
        f"Calibrated {profile.phone}: focal length {(fx + fy) / 2:.1f} px, uncertain by {2 * profile.u[0]:.1f} px "
        f"(95 %), residual {profile.rms_px:.2f} px over {len(profile.photos)} photos."
    )
    for missing in result.assessment.missing:
        print(f"Could be better with more photos: {missing}.")
    if not (profile.make and profile.model):
        print(f"The photos do not say which phone took them: name the profile when checking, --camera “{name}”.")
    print(f"Saved: {path}")


def guide(photos: Photos) -> None:
    """Say which poses are still missing and which photo is bad.

    Nothing is saved. Exit status 0 when the photos are enough, 3 when not.
    """
    from placecheck.card_bars import bars_in_use
    from placecheck.errors import RetakeNeeded
    from placecheck.profiles.calibrate import calibrate
    from placecheck.profiles.views import assess
    from placecheck.settings import home, load_settings

    assessment = assess(photos, bars_in_use(home(), load_settings()))
    try:
        assessment = calibrate(assessment, "guide").assessment
        verdict, status = "These photos are enough.", 0
    except RetakeNeeded as error:
        verdict, status = error.problem.message, 3
    _print_photos(assessment)
    for missing in assessment.missing:
        print(f"Still missing: {missing}.")
    print(verdict)
    raise typer.Exit(status)


def list_profiles() -> None:
    """List the saved profiles."""
    import sys

    from placecheck.profiles.kept import PROFILES, profiles_folder
    from placecheck.settings import home

    profiles, damaged = PROFILES.load_all(profiles_folder(home()))
    for p in profiles:
        lens = "" if p.focal_35mm is None else f", {p.focal_35mm:g} mm lens"
        zoom = "" if p.digital_zoom == 1.0 else f", zoomed {p.digital_zoom:g} times"
        print(f"{p.name}: {p.phone}{lens}{zoom}, {p.width} x {p.height}, {len(p.photos)} photos, {p.date}")
    if not profiles and not damaged:
        print("No camera profile is saved: make one with `placecheck camera add NAME PHOTO...`.")
    for problem in damaged:
        print(f"placecheck: {problem.message}", file=sys.stderr)


def show(
    name: Name,
    as_json: Annotated[bool, typer.Option("--json", help="Print the profile as it is saved.")] = False,
) -> None:
    """Show one profile: its numbers with their uncertainty, and the residual of every photo."""
    from placecheck.profiles.kept import INTRINSICS, PROFILES, as_json_text, profiles_folder
    from placecheck.profiles.match import single_radial
    from placecheck.settings import home

    profile = PROFILES.load(profiles_folder(home()), name)
    if as_json:
        print(as_json_text(profile))
        return
    print(f"{profile.name}: {profile.phone}, {profile.width} x {profile.height} px, {profile.date}")
    for label, value, u in zip(INTRINSICS, profile.values, profile.u, strict=True):
        fixed = "  (not fitted)" if u == 0 else f"  u {u:.5g}"
        print(f"  {label:<3}{value:>12.5g}{fixed}")
    camera = single_radial(profile)
    print(
        f"In a check: f {camera.f_px:.1f} px, u {camera.u_f_rel:.2%} with focus; centre {camera.cx_px:.1f}, "
        f"{camera.cy_px:.1f}, u {camera.u_centre_px:.1f} px; k1 {camera.k1:.4f}, u {camera.u_k1:.4f}"
    )
    print(f"Residual {profile.rms_px:.3f} px; card at {profile.distance_mm:.0f} mm; photos:")
    for photo, rms in profile.photos:
        print(f"  {rms:.3f} px  {photo}")


def match(photo: Annotated[Path, typer.Argument(metavar="PHOTO", help="Any photo of the phone.")]) -> None:
    """Say which profile a photo gets, or why none."""
    from placecheck.photo import load_photo
    from placecheck.printout import with_option
    from placecheck.profiles.kept import profiles_folder
    from placecheck.profiles.match import pick_profile
    from placecheck.settings import home

    picked = pick_profile(load_photo(photo), profiles_folder(home()))
    if picked.camera is not None:
        print(f"{photo.name}: {picked.name} (f {picked.camera.f_px:.1f} px, u {picked.camera.u_f_rel:.2%})")
    else:
        print(f"{photo.name}: no profile{'' if picked.notes else ', since none of its phone is saved'}")
    for note in picked.notes:
        print(with_option(note))


def remove(name: Name) -> None:
    """Take a profile away; its file is set aside, not erased."""
    from placecheck.profiles.kept import PROFILES, profiles_folder
    from placecheck.settings import home

    print(f"Set aside as {PROFILES.set_aside(profiles_folder(home()), name)}")


def _print_photos(assessment: Assessment) -> None:
    for report in assessment.reports:
        tilt = "" if report.tilt_deg is None else f"  tilt {report.tilt_deg:2.0f}°"
        rms = "" if report.rms_px is None else f"  residual {report.rms_px:.2f} px"
        print(f"{'ok ' if report.reason is None else 'bad'}  {report.name}{tilt}{rms}")
        if report.reason is not None:
            print(f"     {report.reason}")
